"""`[retention]`: delete what is old and what nothing needs any more, in one transaction with its record.

Of refused rows the content goes and the reason stays; of runs all but the latest of each flow and state; of
vectors only those of samples that nothing refers to (no label, question, flag, case, hold-out, watch or training
set), and these only where `vectors = true`: mining and new hold-outs can find such samples no more.
"""

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from schemas.sql_files import read_sql
from tasks.compare_clocks import describe_lead
from tasks.errors import InputError
from tasks.loop import Loop
from tasks.record_run import record_run
from tasks.track_run import find_current_run
from tasks.warehouse import Warehouse, as_utc, open_warehouse

_REST = timedelta(days=30)


@dataclass(frozen=True)
class Forgotten:
    """How many refused rows lost their content, and how many runs and vectors were deleted."""

    forgotten_refused_rows: int = 0
    forgotten_runs: int = 0
    forgotten_vectors: int = 0


def forget_old(loop: Loop) -> Forgotten:
    """Delete what is older than `[retention] days`; 0 deletes nothing, and with nothing old nothing is written.

    Raises InputError where the clock cannot be trusted: what is deleted does not come back.
    """
    settings = loop.settings.retention
    if settings.days == 0:
        return Forgotten()
    started_at = loop.clock()
    before = started_at - timedelta(days=settings.days)
    with open_warehouse(loop, write=True) as warehouse:
        found = _stage(warehouse, before)
        if found == Forgotten():
            return found
        _refuse_wrong_clock(warehouse, started_at)
        warehouse.write(lambda _: _delete(warehouse, before, found, started_at))
        return found


def _refuse_wrong_clock(warehouse: Warehouse, now: datetime) -> None:
    """Refuse where this host's clock is behind what was written, or has come far since the last run.

    Its clock may have jumped ahead in this very night: earlier runs are the witnesses, and this night is one for
    the next.
    """
    told = describe_lead(warehouse, now)
    if told:
        raise InputError(f"nothing is deleted: {told}")
    run = find_current_run()
    began = run.started_at if run else now
    row = warehouse.connection.execute(read_sql("retention/last_end"), {"began": began}).fetchone()
    last = as_utc(row[0]) if row and row[0] else None
    if last is not None and began - last > _REST:
        raise InputError(
            f"nothing is deleted: the last run ended on {last:%Y-%m-%d}, {(began - last).days} days before this "
            "one; if this host's clock is right, the next night deletes"
        )


def _stage(warehouse: Warehouse, before: datetime) -> Forgotten:
    connection = warehouse.connection
    connection.execute(read_sql("retention/stage_runs"), {"before": before})
    if warehouse.loop.settings.retention.vectors:
        connection.execute(read_sql("retention/stage_vectors"), {"before": before})
    else:
        connection.execute("create or replace temp table forgotten_sample (sample_id varchar)")
    row = connection.execute(read_sql("retention/count_old"), {"before": before}).fetchone()
    return Forgotten(*(int(count) for count in row or ()))


def _delete(warehouse: Warehouse, before: datetime, found: Forgotten, started_at: datetime) -> None:
    connection = warehouse.connection
    if found.forgotten_refused_rows:
        connection.execute(
            "update quarantined_row set raw = '' where known_at < $before and raw <> ''", {"before": before}
        )
    if found.forgotten_runs:
        connection.execute("delete from flow_run where run_id in (select run_id from forgotten_run)")
    if found.forgotten_vectors:
        # Asked again: a label or a question may have come in since, from another host.
        connection.execute(read_sql("retention/stage_vectors"), {"before": before})
        connection.execute("delete from sample_vector where sample_id in (select sample_id from forgotten_sample)")
    ended_at = warehouse.loop.clock()
    record_run(connection, "retention", started_at=started_at, ended_at=ended_at, counts=asdict(found))
