"""`status`: where the loop stands, from a few small queries; it reads no prediction and no sample."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import duckdb

from schemas.case_file import FailureCase
from schemas.sql_files import read_sql
from tasks.errors import SettingsError
from tasks.fetch_rows import Row, fetch_rows, read_moment
from tasks.find_running import DIED, list_running
from tasks.freeze_holdouts import read_open_holdouts, stage_unaskable
from tasks.keep_schedule import tell_scheduler
from tasks.loop import Loop
from tasks.record_definitions import read_guideline
from tasks.warehouse import Warehouse, open_warehouse

_RECENT = timedelta(days=7)
_LONGER_THAN_A_DAY = timedelta(hours=26)


@dataclass(frozen=True)
class Status:
    """Where a loop stands; each list holds one dict a thing.

    `attributes`: attribute, incumbent, latest_version (with _state, _rows, _as_of), latest_candidate,
    latest_verdict, verdict_reason, sign_off, overall_holdout (None, `open` or `frozen`), fix_labels (labels that
    fixes settled) and outdated_labels (those of them under another guideline than the present one).
    `cases`: case_name, attribute, severity, state, flagged, queued, settled, held_out, in_training, holdout.
    `audits`: attribute, open_lots, waiting_count (their questions without an answer), failed_lots, passed_lots.
    `watch`: attribute, week (the latest drawn), weeks, open_weeks (not closed), sample_count, open_count.
    `under_way`: run_id, flow, parameters, started_at, process (number, host), is_dead (its process is gone),
    is_long (it has run for longer than `[watch] run_hours`, and others make way for it).
    `last_night`: state, started_at, counts, error (a line a problem).
    `scheduler`: `running`, `stopped`, None where there never was one; `is_night_late`: there is one, and the last
    night was longer ago than a day.
    `findings`: watch, subject, message, found_at.
    `label_seconds`: by attribute, how long the answers of one label take, where enough answers say so.
    `open_fixes`: attribute, reason, open_count, answered_count, disputed_count. `moments`: when what came in last.
    """

    attributes: list[Row]
    cases: list[Row]
    case_errors: list[str]
    open_fixes: list[Row]
    audits: list[Row]
    waiting_holdouts: list[Row]
    runs: list[Row]
    quarantined_count: int
    moments: dict[str, datetime | None]
    watch: list[Row] = field(default_factory=list)
    last_night: Row | None = None
    scheduler: str | None = None
    is_night_late: bool = False
    under_way: list[Row] = field(default_factory=list)
    findings: list[Row] = field(default_factory=list)
    label_seconds: dict[str, float] = field(default_factory=dict)


def read_status(loop: Loop, cases: Sequence[FailureCase], errors: Sequence[SettingsError]) -> Status:
    """Return where the loop stands; `cases` and `errors` are what its case files say now."""
    since = loop.clock() - _RECENT
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        under_way, night, scheduler = (
            _read_under_way(loop, connection),
            _read_night(connection),
            tell_scheduler(loop),
        )
        holdouts = fetch_rows(connection, "status/holdouts")
        found, waiting = _read_labelled(
            warehouse, has_cases=bool(cases) or _has_cases(connection), holdouts=holdouts
        )
        return Status(
            attributes=_read_attributes(loop, connection, holdouts),
            cases=_join_cases(cases, found, holdouts),
            case_errors=[str(error) for error in errors],
            open_fixes=fetch_rows(connection, "status/open_fixes"),
            audits=fetch_rows(connection, "status/audits"),
            waiting_holdouts=waiting,
            runs=_read_runs(connection, since, under_way),
            quarantined_count=_count_refused(connection, since),
            moments=_read_moments(connection),
            watch=fetch_rows(connection, "status/watch"),
            last_night=night,
            scheduler=scheduler,
            is_night_late=_is_late(loop, night, scheduler),
            under_way=under_way,
            findings=fetch_rows(connection, "status/findings", moments=("found_at",)),
            label_seconds=_measure_labels(loop, connection),
        )


def _measure_labels(loop: Loop, connection: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """Return by attribute the median seconds of an answer times the answers that a label needs."""
    rows = fetch_rows(connection, "status/answer_seconds")
    known = loop.settings.attribute
    return {
        row["attribute"]: row["seconds"] * known[row["attribute"]].answers_needed
        for row in rows
        if row["attribute"] in known
    }


def _read_runs(connection: duckdb.DuckDBPyConnection, since: datetime, under_way: Sequence[Row]) -> list[Row]:
    """Return the last runs, and with them those since `since` that did not end well."""
    runs = fetch_rows(connection, "status/runs", moments=("started_at", "ended_at"))
    dead = {run["run_id"] for run in under_way if run["is_dead"]}
    for run in runs:
        if run["run_id"] in dead:
            run["error"] = DIED
    return [run for run in runs if run.pop("is_last") or run["started_at"] >= since]


def _read_under_way(loop: Loop, connection: duckdb.DuckDBPyConnection) -> list[Row]:
    now = loop.clock()
    oldest = now - timedelta(hours=loop.settings.watch.run_hours)
    return [
        {
            "run_id": run.run_id,
            "flow": run.flow,
            "parameters": json.loads(run.parameters),
            "started_at": run.started_at,
            "process": {name: run.process.get(name) for name in ("process", "host")},
            "is_dead": run.is_dead,
            "is_long": run.started_at < oldest and run.is_in_the_way(now),
        }
        for run in list_running(connection)
    ]


def _read_night(connection: duckdb.DuckDBPyConnection) -> Row | None:
    rows = fetch_rows(connection, "status/last_night", moments=("started_at",))
    if not rows:
        return None
    counts = "{}" if rows[0]["state"] == "crashed" else rows[0]["counts"]  # a crashed run's name who tells of it
    return {**rows[0], "counts": json.loads(counts or "{}")}


def _is_late(loop: Loop, night: Row | None, scheduler: str | None) -> bool:
    """Tell whether a night is missing: only where they were scheduled once, as a person may run them by hand."""
    if not loop.settings.schedule.nightly or scheduler is None:
        return False
    if night is None:
        return scheduler == "stopped"  # one that runs may have its first night still to come
    return bool(night["started_at"] < loop.clock() - _LONGER_THAN_A_DAY)


def _count_refused(connection: duckdb.DuckDBPyConnection, since: datetime) -> int:
    rows = fetch_rows(connection, "status/refused_rows", moments=("known_at",))
    return sum(int(row["row_count"]) for row in rows if row["known_at"] >= since)


def _read_moments(connection: duckdb.DuckDBPyConnection) -> dict[str, datetime | None]:
    row = fetch_rows(connection, "status/moments")[0]
    return {name: read_moment(value) for name, value in row.items()}


def _has_cases(connection: duckdb.DuckDBPyConnection) -> bool:
    return connection.execute("select 1 from failure_case limit 1").fetchone() is not None


def _read_labelled(warehouse: Warehouse, *, has_cases: bool, holdouts: list[Row]) -> tuple[list[Row], list[Row]]:
    """Return what takes a look at labels: the cases' counts, and the hold-outs that wait for some."""
    is_waiting = any(not row["is_frozen"] for row in holdouts)
    if not has_cases and not is_waiting:
        return [], []
    if is_waiting:
        stage_unaskable(warehouse)
    _narrow_labels(warehouse.connection)
    is_audited = warehouse.loop.settings.audit is not None
    found = fetch_rows(warehouse.connection, "status/cases") if has_cases else []
    waiting = read_open_holdouts(warehouse.connection, is_audited=is_audited) if is_waiting else []
    latest = {row["holdout_id"] for row in holdouts}
    return found, [dict(vars(held)) for held in waiting if held.holdout_id in latest]


def _narrow_labels(connection: duckdb.DuckDBPyConnection) -> None:
    """Let `current_label` hold just the samples that the status asks about, and compute it once.

    Temporary objects of the same names go before the warehouse's, in this connection alone.
    """
    connection.execute(read_sql("status/concerned"))
    connection.execute(read_sql("status/concerned_revision"))
    for view in ("standing_revision", "disputed_sample"):
        connection.execute(f"create temp view {view} as {read_sql(f'views/{view}')}")
    connection.execute(f"create temp table current_label as {read_sql('views/current_label')}")
    for view in ("live_flag", "case_counts"):
        connection.execute(f"create temp view {view} as {read_sql(f'views/{view}')}")


def _read_attributes(loop: Loop, connection: duckdb.DuckDBPyConnection, holdouts: list[Row]) -> list[Row]:
    known = {
        row["attribute"]: row
        for row in fetch_rows(connection, "status/attributes", moments=("latest_version_as_of",))
    }
    guidelines = fetch_rows(connection, "status/guidelines")
    names = [*loop.settings.attribute, *sorted(set(known) - set(loop.settings.attribute))]
    blank: dict[str, Any] = dict.fromkeys(
        [
            "incumbent",
            "latest_version",
            "latest_version_state",
            "latest_version_rows",
            "latest_version_as_of",
            "latest_candidate",
            "latest_verdict",
            "verdict_reason",
            "sign_off",
        ]
    )
    return [
        {"attribute": name, **blank, **known.get(name, {})}
        | {"overall_holdout": _tell_holdout(holdouts, f"overall:{name}")}
        | _count_outdated(loop, name, guidelines)
        for name in names
    ]


def _count_outdated(loop: Loop, name: str, guidelines: Sequence[Row]) -> Row:
    attribute = loop.settings.attribute.get(name)
    present = read_guideline(loop, attribute) if attribute else None
    counts = [(row["guideline_sha256"], int(row["label_count"])) for row in guidelines if row["attribute"] == name]
    outdated = sum(count for sha256, count in counts if present is not None and sha256 != present)
    return {"fix_labels": sum(count for _, count in counts), "outdated_labels": outdated}


def _tell_holdout(holdouts: list[Row], case_name: str) -> str | None:
    for row in holdouts:
        if row["case_name"] == case_name:
            return "frozen" if row["is_frozen"] else "open"
    return None


def _join_cases(cases: Sequence[FailureCase], found: list[Row], holdouts: list[Row]) -> list[Row]:
    """Return every case, those of files that the warehouse has not met yet with state None."""
    known = {row["case_name"] for row in found}
    counts = dict.fromkeys(["flagged", "queued", "settled", "held_out", "in_training"], 0)
    fresh = [
        {"case_name": case.case, "attribute": case.attribute, "severity": case.severity, "state": None, **counts}
        for case in cases
        if case.case not in known
    ]
    rows = sorted([*found, *fresh], key=lambda row: str(row["case_name"]))
    return [row | {"holdout": _tell_holdout(holdouts, str(row["case_name"]))} for row in rows]
