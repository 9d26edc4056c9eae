"""`backfill`: one failure case over the stored history, partition by partition; nothing else is touched.

A partition is a UTC day, an hour of a day that holds too many predictions, or a minute of such an hour. Each is
one transaction that ends with its own record, so a backfill can be stopped at any moment and goes on where it was.
"""

from collections.abc import Generator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from schemas.case_file import FailureCase
from schemas.definitions import definition_json, definition_of_attribute, definition_of_case, hash_definition
from schemas.sql_files import read_sql
from tasks.errors import InputError
from tasks.flag_mispredictions import hash_rules, make_flag_staging, stage_flags
from tasks.keep_progress import read_progress, save_progress
from tasks.loop import Loop
from tasks.match_cases import insert_case, make_member_staging, stage_members, update_states, view_matches
from tasks.record_definitions import stage_definitions
from tasks.warehouse import Engine, Warehouse, as_utc, open_engine, open_warehouse, show_only

_STEP = "backfill"
_PREDICTIONS_AT_MOST = 250_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STAGED = {
    "misprediction": "staged_flag",
    "misprediction_lapse": "staged_lapse",
    "attribute_definition": "staged_attribute",
    "rule_definition": "staged_rule",
}


@dataclass(frozen=True)
class Partition:
    """A part of history: its served predictions, so many, from `first` up to, and without, `end`."""

    first: datetime
    end: datetime
    predictions: int = 0

    @property
    def name(self) -> str:
        """The partition as ISO 8601 writes an interval of time."""
        return f"{self.first.isoformat()}/{self.end.isoformat()}"


@dataclass(frozen=True)
class PartitionResult:
    """What one partition added to its case, or would add in a dry run.

    `samples` is how many were looked at: 0 where nothing has changed since the partition was last done.
    """

    partition: Partition
    samples: int
    flags: int
    members: int


def list_partitions(
    loop: Loop, case: FailureCase, since: datetime, until: datetime, *, at_most: int = _PREDICTIONS_AT_MOST
) -> list[Partition]:
    """Return the parts of `since` <= time < `until` that hold predictions of the case's attribute, in order.

    Raises InputError for a span that holds no time or lies in the future, ExpressionError for a `members.where`
    that is not allowed: before anything is written.
    """
    since, until = check_span(loop, since, until)
    with open_warehouse(loop, write=False) as warehouse:
        view_matches(warehouse.connection, case)
        rows = warehouse.connection.execute(
            read_sql("backfill/list_partitions"),
            {"attribute": case.attribute, "since": since, "until": until, "at_most": at_most},
        ).fetchall()
    return [
        Partition(
            max(_EPOCH + timedelta(minutes=first), since), min(_EPOCH + timedelta(minutes=end), until), predictions
        )
        for first, end, predictions in rows
    ]


def check_span(loop: Loop, since: datetime, until: datetime) -> tuple[datetime, datetime]:
    """Return both moments in UTC. Raises InputError for a span that holds no time, or that has not begun yet.

    One that ends in the future is good: it means all that is stored by now.
    """
    since, until = as_utc(since), as_utc(until)
    if since >= until:
        raise InputError(
            f"--since {since.isoformat()} is not before --until {until.isoformat()}; give a span of time"
        )
    if since > as_utc(loop.clock()):
        raise InputError(f"--since {since.isoformat()} is in the future: nothing can have been served since")
    return since, until


def define_case(loop: Loop, case: FailureCase) -> None:
    """Record the case as it is defined now, and definitions that its flags need and that never were recorded.

    Another definition of a rule than the recorded one is left to `flag`, since it concerns every case.
    """
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        stage_definitions(connection, loop)

        def insert(known_at: datetime) -> None:
            place = {"attribute": case.attribute, "known_at": known_at}
            connection.execute(read_sql("backfill/insert_first_attribute"), place)
            connection.execute(read_sql("backfill/insert_first_rules"), place)
            insert_case(connection, case, known_at)

        warehouse.write(insert)


def backfill_partitions(
    loop: Loop, case: FailureCase, partitions: list[Partition], *, is_dry_run: bool
) -> Generator[PartitionResult, None, None]:
    """Do one partition after the other and yield what came of each, once it is safely stored.

    A dry run opens the warehouse for reading only, and tells what would be added. Between two partitions
    the warehouse is free for others.
    """
    with open_engine(loop) as engine:
        for partition in partitions:
            yield _do_partition(engine, case, partition, is_dry_run=is_dry_run)


def settle_state(loop: Loop, case: FailureCase) -> None:
    """Bring the case's own state up to date: `open` where it has none, `ready` where a round can follow."""
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        warehouse.write(lambda known_at: update_states(connection, known_at, only=case.case))


def _do_partition(engine: Engine, case: FailureCase, partition: Partition, *, is_dry_run: bool) -> PartitionResult:
    with engine.attach(write=not is_dry_run) as warehouse:
        done_until = warehouse.read_clock()
        samples = _stage_samples(warehouse, case, partition)
        if samples == 0:
            return PartitionResult(partition, 0, 0, 0)
        _stage_case(warehouse, case, partition)
        if is_dry_run:
            return PartitionResult(partition, samples, *_count_new(warehouse))

        def insert(known_at: datetime) -> PartitionResult:
            result = PartitionResult(partition, samples, *_count_new(warehouse))
            _insert_partition(warehouse, case, partition, known_at, done_until)
            return result

        return warehouse.write(insert)


def _stage_samples(warehouse: Warehouse, case: FailureCase, partition: Partition) -> int:
    connection, loop = warehouse.connection, warehouse.loop
    done_until = read_progress(connection, _STEP, _name_scope(case, partition), _hash_definitions(loop, case))
    connection.execute(
        read_sql("backfill/partition_sample"),
        {
            "attribute": case.attribute,
            "first": partition.first,
            "end": partition.end,
            "done_until": done_until,
        },
    )
    row = connection.execute("select count(*) from partition_sample").fetchone()
    return int(row[0]) if row else 0


def _stage_case(warehouse: Warehouse, case: FailureCase, partition: Partition) -> None:
    """Stage the case's members, and the flags that its members have; what others have is left alone."""
    connection, loop = warehouse.connection, warehouse.loop
    make_flag_staging(connection)
    make_member_staging(connection)
    stage_definitions(connection, loop)
    connection.execute(read_sql("backfill/staged_facts"))
    with show_only(warehouse, "partition_sample", _STAGED, (partition.first, partition.end)):
        stage_flags(connection, loop, loop.settings.attribute[case.attribute])
        stage_members(connection, case)
    connection.execute(read_sql("backfill/keep_members_flags"))


def _count_new(warehouse: Warehouse) -> tuple[int, int]:
    row = warehouse.connection.execute(read_sql("backfill/count_new")).fetchone()
    return (int(row[0]), int(row[1])) if row else (0, 0)


def _insert_partition(
    warehouse: Warehouse,
    case: FailureCase,
    partition: Partition,
    known_at: datetime,
    done_until: datetime,
) -> None:
    connection = warehouse.connection
    connection.execute(read_sql("flag/insert_flags"), {"known_at": known_at})
    connection.execute(read_sql("cases/insert_members"), {"known_at": known_at})
    definition = _hash_definitions(warehouse.loop, case)
    save_progress(connection, _STEP, _name_scope(case, partition), definition, done_until)


def _name_scope(case: FailureCase, partition: Partition) -> str:
    return f"{case.case} {partition.name}"


def _hash_definitions(loop: Loop, case: FailureCase) -> str:
    """Return a hash that changes with the case, the rules in use, or what the attribute's labels mean."""
    attribute = loop.settings.attribute[case.attribute]
    parts = [definition_of_case(case), definition_of_attribute(attribute), hash_rules(loop, attribute)]
    return hash_definition(definition_json(parts))
