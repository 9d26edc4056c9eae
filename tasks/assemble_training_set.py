"""`assemble`: a new training-set version, checked; or the one that holds exactly the same already."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.ask_fixes import insert_wishes
from tasks.check_training_set import check_training_set
from tasks.compose_rows import compose_rows, read_first_label
from tasks.digest_rows import digest_rows
from tasks.errors import InputError, NotYetError
from tasks.find_leaks import mark_leaks
from tasks.find_names import find_attribute
from tasks.group_samples import refuse_changed_groups
from tasks.loop import Loop
from tasks.plan_composition import Composition, Moment, plan_composition
from tasks.queue_suspects import stage_second_looks
from tasks.record_definitions import has_new_meaning, record_meanings
from tasks.record_run import record_run
from tasks.run_expectations import CheckResult
from tasks.warehouse import Warehouse, as_utc, open_warehouse, show_as_of


@dataclass(frozen=True)
class AssembleSummary:
    """A version as it stands; `version` is None in a dry run.

    `left_out` counts the near-duplicates of hold-out samples alone; `left_out_by_why` all that stayed out, them
    among it; `left_out_notes` those that a table of the settings keeps out, by what it says. `failing` names up to
    five samples of each check that did not pass.
    """

    version: str | None
    state: str
    row_count: int
    left_out: int
    rows_by_reason: dict[str, int]
    checks: tuple[CheckResult, ...]
    is_new: bool
    left_out_by_why: dict[str, int] = field(default_factory=dict)
    left_out_notes: dict[str, int] = field(default_factory=dict)
    failing: dict[str, tuple[str, ...]] = field(default_factory=dict)


# Why samples stay out that the settings keep out.
_BY_SETTINGS = ("restricted", "left_out", "over_recording", "over_cap", "over_origin_share")


@dataclass(frozen=True)
class _Draft:
    composition: Composition
    parent_version: str | None
    moment: Moment
    is_past: bool
    digest: str
    checks: tuple[CheckResult, ...]

    @property
    def state(self) -> str:
        is_bad = any(check.requirement == "must" and not check.passed for check in self.checks)
        return "failed" if is_bad else "passed"


@dataclass(frozen=True)
class _Parent:
    """What was in service: its training set, if it has one; and the present names of old labels, as of then."""

    version: str | None
    is_there: bool
    renames: dict[str, str]


def assemble_training_set(
    loop: Loop,
    attribute_name: str,
    *,
    as_of: datetime | None = None,
    is_dry_run: bool = False,
    listed: str | None = None,
) -> AssembleSummary:
    """Compose, check and store a version; a version that fails a `must` stays, marked `failed`.

    `as_of` is by default the latest step's moment; `listed` names the list of samples of an imported set. A dry
    run tells what would be made, and writes nothing. Raises NotYetError where there is no row to train on,
    UnknownNameError for an unknown attribute, InputError for an `as_of` in the future, ExpressionError for a
    `where` of the settings that fails on a sample.
    """
    started_at = loop.clock()
    attribute = find_attribute(loop, attribute_name)
    with open_warehouse(loop, write=not is_dry_run) as warehouse:
        if is_dry_run:
            now = max(as_utc(loop.clock()), warehouse.read_clock())
            return _summarise(warehouse.connection, _draft(warehouse, attribute, as_of, now), None, is_new=False)
        _catch_up(warehouse, attribute)
        draft = _draft(warehouse, attribute, as_of, warehouse.read_clock(), listed)
        asked = 0 if draft.is_past else stage_second_looks(warehouse, attribute)

        def insert(known_at: datetime) -> AssembleSummary:
            connection = warehouse.connection
            if listed is not None:
                require_first(connection, attribute.name, listed)
            version, is_new = _find_or_insert(connection, draft, known_at)
            if is_new and asked:
                insert_wishes(connection, known_at)
            summary = _summarise(connection, draft, version, is_new=is_new)
            record_run(
                connection,
                "assemble",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"attribute": attribute.name},
                counts={"version": version, "rows": summary.row_count, "left_out": summary.left_out},
            )
            return summary

        return warehouse.write(insert)


def require_first(connection: duckdb.DuckDBPyConnection, attribute: str, list_id: str) -> None:
    """Raise InputError where the attribute has a training set that was not made of the list."""
    own = {"attribute": attribute, "list_id": list_id}
    other = connection.execute(read_sql("import_set/find_other"), own).fetchone()
    if other is not None:
        raise InputError(
            f"{attribute}: has the training set {other[0]} already, and an imported one can only be first; "
            "`turnrow pull` takes the file's labels in, for `turnrow assemble` to choose from"
        )


def _catch_up(warehouse: Warehouse, attribute: AttributeSettings) -> None:
    """Record what the attribute's labels mean by now, where the settings changed since the last step.

    Where data may only be kept so many days the clock is moved too, so that the days are counted until now and not
    until the last step.
    """
    is_kept = any(table.keep for table in warehouse.loop.settings.restriction)
    if is_kept or has_new_meaning(warehouse.connection, attribute):
        warehouse.write(lambda known_at: record_meanings(warehouse.connection, warehouse.loop, known_at))


def _draft(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    as_of: datetime | None,
    latest: datetime,
    listed: str | None = None,
) -> _Draft:
    connection = warehouse.connection
    refuse_changed_groups(connection, attribute)
    moment = Moment(latest if as_of is None else as_of, latest)
    parent = _read_parent(warehouse, attribute.name, moment.as_of)
    if listed is not None:
        parent = replace(parent, version=None, is_there=False)
    composition = plan_composition(
        warehouse.loop.settings,
        attribute,
        has_parent=parent.version is not None,
        has_incumbent=parent.is_there,
        renames=parent.renames,
        is_past=as_of is not None,
        listed=listed,
    )
    parent_version = parent.version
    compose_rows(warehouse, attribute, composition, parent_version, moment)
    if _count(connection, "assembled") == 0:
        raise NotYetError(_tell_empty(connection, composition, as_of))
    mark_leaks(warehouse, attribute, moment.reserved_until, is_past=as_of is not None)
    checks = check_training_set(
        warehouse, attribute, composition, parent_version, moment, is_past=as_of is not None
    )
    digest = digest_rows(connection, composition.feature_space)
    return _Draft(composition, parent_version, moment, as_of is not None, digest, tuple(checks))


def _tell_empty(connection: duckdb.DuckDBPyConnection, composition: Composition, as_of: datetime | None) -> str:
    attribute = composition.attribute
    first = read_first_label(connection, attribute)
    if as_of is not None and (first is None or as_utc(first) > as_utc(as_of)):
        since = f"its first is known since {as_utc(first).isoformat()}" if first else "it has none yet"
        return f"{attribute}: no label was known as of {as_utc(as_of).isoformat()}; {since}"
    counts = _count_left_out(connection)
    if composition.listed is not None:
        told = ", ".join(f"{count} as {why}" for why, count in counts.items()) or "its samples were erased"
        return (
            f"{attribute}: no row of the imported set can be trained on: {told}; pull what they lack, or look at "
            "[[leave_out]] and [[restriction]] in turnrow.toml, and import the set again"
        )
    if counts.get("lot_open"):
        return (
            f"{attribute}: no label is from a passed lot; {counts['lot_open']} wait for the audit of theirs: "
            "`turnrow audit` tells what is still to be answered"
        )
    if counts.get("watch_open"):
        return (
            f"{attribute}: every label is an answer to the random watch of a week that is not closed "
            f"({counts['watch_open']}); answer the rest of its questions, or pull further label files"
        )
    by_settings = [f"{counts[why]} as {why}" for why in _BY_SETTINGS if counts.get(why)]
    if by_settings:
        return (
            f"{attribute}: every sample with a label is left out, {', '.join(by_settings)}; look at [assemble], "
            "[[leave_out]] and [[restriction]] in turnrow.toml"
        )
    return (
        f"{attribute}: no sample has a label and features in {composition.feature_space} outside the "
        "hold-outs; pull label files with features, or settle some fixes first"
    )


def _count_left_out(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    rows = connection.execute("select why, count(*) from left_out group by why order by why").fetchall()
    return {str(why): int(count) for why, count in rows}


def _read_parent(warehouse: Warehouse, attribute: str, as_of: datetime) -> _Parent:
    with show_as_of(warehouse, as_of):
        bound = {"attribute": attribute}
        row = warehouse.connection.execute(read_sql("assemble/find_parent"), bound).fetchone()
        renames = dict(warehouse.connection.execute(read_sql("assemble/read_renames"), bound).fetchall())
    return _Parent(row[0] if row else None, row is not None, renames)


def _find_or_insert(connection: duckdb.DuckDBPyConnection, draft: _Draft, known_at: datetime) -> tuple[str, bool]:
    same = connection.execute(
        read_sql("assemble/find_same"),
        {
            "attribute": draft.composition.attribute,
            "digest": draft.digest,
            "composition": draft.composition.to_text(),
            "parent_version": draft.parent_version,
            "state": draft.state,
            "is_past": draft.is_past,
        },
    ).fetchone()
    if same:
        return str(same[0]), False
    return _insert_version(connection, draft, known_at), True


def _insert_version(connection: duckdb.DuckDBPyConnection, draft: _Draft, known_at: datetime) -> str:
    attribute = draft.composition.attribute
    row = connection.execute(
        "select coalesce(max(running_number), 0) + 1 from training_set where attribute = $attribute",
        {"attribute": attribute},
    ).fetchone()
    number = int(row[0]) if row else 1
    version = f"{attribute}-{number:04d}-{draft.digest[:8]}"
    connection.execute(
        "insert into training_set values ($version, $attribute, $number, $parent, $composition, $as_of, "
        "$reserved_until, $row_count, $digest, $state, $known_at)",
        {
            "version": version,
            "attribute": attribute,
            "number": number,
            "parent": draft.parent_version,
            "composition": draft.composition.to_text(),
            "as_of": draft.moment.as_of,
            "reserved_until": draft.moment.reserved_until,
            "row_count": _count(connection, "assembled"),
            "digest": draft.digest,
            "state": draft.state,
            "known_at": known_at,
        },
    )
    connection.execute(read_sql("assemble/insert_members"), {"version": version})
    _insert_checks(connection, version, draft.checks, known_at)
    return version


def _insert_checks(
    connection: duckdb.DuckDBPyConnection, version: str, checks: Sequence[CheckResult], known_at: datetime
) -> None:
    connection.execute(
        "insert into check_failure select $version, check_name, sample_id from failing_row "
        "where sample_id is not null order by check_name, sample_id",
        {"version": version},
    )
    for check in checks:
        connection.execute(
            "insert into quality_check values "
            "($version, $name, $requirement, $passed, $observed, $failing, $known_at)",
            {
                "version": version,
                "name": check.check_name,
                "requirement": check.requirement,
                "passed": check.passed,
                "observed": check.observed,
                "failing": check.failing_count,
                "known_at": known_at,
            },
        )


def _count(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    row = connection.execute(f"select count(*) from {table}").fetchone()
    return int(row[0]) if row else 0


def _summarise(
    connection: duckdb.DuckDBPyConnection, draft: _Draft, version: str | None, *, is_new: bool
) -> AssembleSummary:
    reasons = connection.execute(
        "select reason, count(*) from assembled group by reason order by reason"
    ).fetchall()
    counts = _count_left_out(connection)
    notes = connection.execute(
        "select note, count(*) from left_out where why in ('restricted', 'left_out') group by note order by note"
    ).fetchall()
    return AssembleSummary(
        version=version,
        state=draft.state,
        row_count=_count(connection, "assembled"),
        left_out=counts.get("near_duplicate", 0),
        rows_by_reason={str(reason): int(count) for reason, count in reasons},
        checks=draft.checks,
        is_new=is_new,
        left_out_by_why=counts,
        left_out_notes={str(note): int(count) for note, count in notes},
        failing={check.check_name: _name_failing(connection, check) for check in draft.checks if not check.passed},
    )


def _name_failing(connection: duckdb.DuckDBPyConnection, check: CheckResult) -> tuple[str, ...]:
    rows = connection.execute(
        "select distinct sample_id from failing_row where check_name = $name and sample_id is not null "
        "order by sample_id limit 5",
        {"name": check.check_name},
    ).fetchall()
    return tuple(str(row[0]) for row in rows)
