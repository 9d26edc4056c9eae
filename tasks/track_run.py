"""A flow's own row in `flow_run`: `running` from its start, closed at its end, in transactions of its own."""

import json
import logging
import os
import threading
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NoReturn

import duckdb

from schemas.sql_files import read_sql
from tasks.close_dead_runs import close_dead, tell_closed
from tasks.errors import NotYetError, TurnrowError, spell_printable
from tasks.find_running import RunningRun, find_other, list_running
from tasks.keep_schedule import is_scheduled_now
from tasks.know_process import name_process
from tasks.loop import Loop
from tasks.tell_run import tell_long_run, tell_run
from tasks.warehouse import open_warehouse

LOG = logging.getLogger("turnrow.run")


@dataclass
class TrackedRun:
    """A flow under way; whoever runs it fills in what came of it. `findings` are worth a notice by themselves.

    `is_heard`: the notice reached somebody, or none was to be given.
    """

    run_id: str
    flow: str
    parameters: str
    started_at: datetime
    findings: list[str] = field(default_factory=list)
    counts: dict[str, object] = field(default_factory=dict)
    state: str = "done"
    error: str | None = None
    is_heard: bool = True


_UNDER_WAY: ContextVar[TrackedRun | None] = ContextVar("_UNDER_WAY", default=None)


def find_current_run() -> TrackedRun | None:
    """Return the run that is under way here, the innermost one; None outside of any."""
    return _UNDER_WAY.get()


@contextmanager
def track_run(
    loop: Loop, flow: str, parameters: Mapping[str, object], *, is_alone: bool = False
) -> Iterator[TrackedRun]:
    """Keep the row of one run of a flow; what goes wrong inside is noted in it and raised again.

    A NotYetError leaves the run `done`: it ran, and the answer is no, or not yet. A run that is stopped by
    hand or by a signal ends as `partial`, and nobody is notified of it, unless Prefect had started it and its
    scheduler is gone; anything else that is raised ends it as `failed`. A run within another one is told by the
    outer one. Runs whose process died are closed first.
    One that does not end is told after `[watch] run_hours`.
    Raises NotYetError, and keeps no row, where the flow `is_alone` and another run of it is under way.
    """
    run = TrackedRun(uuid.uuid4().hex, flow, json.dumps(dict(parameters), sort_keys=True), loop.clock())
    is_to_tell = _UNDER_WAY.get() is None
    _start(loop, run, is_alone=is_alone, is_to_tell=is_to_tell)
    token = _UNDER_WAY.set(run)
    try:
        with _tell_if_long(loop, run, is_to_tell=is_to_tell):
            yield run
    except NotYetError as error:
        run.error = str(error)
        _end(loop, run, is_to_tell=is_to_tell)
        raise
    except BaseException as error:
        is_stopped = not isinstance(error, Exception)
        run.state = "partial" if is_stopped else "failed"
        told = "stopped before its end; run it again" if is_stopped else describe_error(error)
        if told not in (run.error or ""):
            run.error = f"{run.error}\n{told}" if run.error else told
        _end_after(loop, run, error, is_to_tell=is_to_tell and not (is_stopped and _is_by_hand(loop)))
        raise
    else:
        _end(loop, run, is_to_tell=is_to_tell)
    finally:
        _UNDER_WAY.reset(token)


@contextmanager
def _tell_if_long(loop: Loop, run: TrackedRun, *, is_to_tell: bool) -> Iterator[None]:
    """Tell of a run that does not end, while it runs: whatever it waits for would keep every later one waiting."""
    if not is_to_tell:
        yield
        return
    row = {**vars(run), "state": "running", "counts": "{}"}
    seconds = loop.settings.watch.run_hours * 3600
    timer = threading.Timer(seconds, tell_long_run, (loop, row, name_process()))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def name_run(run: TrackedRun | None, **told: object) -> str:
    """Return one line of `name=value` pairs about a run; values with spaces or quotes as JSON texts."""
    start = {} if run is None else {"flow": run.flow, "run": run.run_id[:8]}
    return " ".join(
        f"{name}={_quote(value)}" for name, value in {**start, **told}.items() if value not in ("", None)
    )


def _quote(value: object) -> str:
    text = str(value)
    return text if text.isprintable() and not set(text) & set(' "=') else json.dumps(text, ensure_ascii=False)


def describe_error(error: BaseException) -> str:
    """Return an error in a line: ours as it stands, an unexpected one with its type."""
    if isinstance(error, TurnrowError):
        return str(error)
    lines = spell_printable(str(error)).strip().splitlines()
    return f"{type(error).__name__}: {lines[0]}" if lines else type(error).__name__


def _is_by_hand(loop: Loop) -> bool:
    """Tell whether who stopped a run knows of it: not where Prefect started it for a scheduler that is gone."""
    return "PREFECT__FLOW_RUN_ID" not in os.environ or is_scheduled_now(loop)


def _start(loop: Loop, run: TrackedRun, *, is_alone: bool, is_to_tell: bool) -> None:
    """Write the row; a run that cannot even start, as its warehouse is broken or held, is worth a notice too."""
    try:
        with open_warehouse(loop, write=True) as warehouse:
            closed, other = warehouse.write(lambda _: _insert(loop, warehouse.connection, run, is_alone=is_alone))
    except Exception as error:
        run.state, run.error = "failed", describe_error(error)
        if is_to_tell:
            _tell(loop, run)
        raise
    tell_closed(loop, closed)
    if other is not None:
        _make_way(loop, run, other)
    LOG.info("%s", name_run(run, outcome="started"))


def _make_way(loop: Loop, run: TrackedRun, other: RunningRun) -> NoReturn:
    """Raise NotYetError; where the other one runs for too long, by any clock, that is told each time."""
    if abs(run.started_at - other.started_at) > timedelta(hours=loop.settings.watch.run_hours):
        tell_long_run(loop, vars(other) | {"state": "running", "counts": "{}"}, other.process)
    raise NotYetError(f"another {run.flow} is under way ({other.describe()}); it takes in all that is new")


def _insert(
    loop: Loop, connection: duckdb.DuckDBPyConnection, run: TrackedRun, *, is_alone: bool
) -> tuple[list[dict[str, Any]], RunningRun | None]:
    """Look for another run and write our own row, as one transaction: of two that start at once one passes.

    Return the dead that were closed, and the other run where there is one, which has the field to itself.
    """
    closed = close_dead(loop, connection)
    run.started_at = loop.clock()
    other = find_other(list_running(connection), run.flow, run.started_at) if is_alone else None
    if other is not None:
        return closed, other
    row = {
        "run_id": run.run_id,
        "flow": run.flow,
        "parameters": run.parameters,
        "started_at": run.started_at,
        "counts": json.dumps(name_process(), sort_keys=True),
    }
    connection.execute(read_sql("runs/start_run"), row)
    return closed, None


def _end(loop: Loop, run: TrackedRun, *, is_to_tell: bool) -> None:
    """Close the row; then tell whoever [notify] names, which can fail without harm, as the row stands."""
    row = {
        "run_id": run.run_id,
        "state": run.state,
        "ended_at": loop.clock(),
        "counts": json.dumps(run.counts, sort_keys=True),
        "error": run.error,
    }
    try:
        _execute(loop, "runs/end_run", row)
    finally:
        LOG.info("%s", name_run(run, outcome=run.state, **run.counts))
        if is_to_tell:
            _tell(loop, run)


def _tell(loop: Loop, run: TrackedRun) -> None:
    row = {**vars(run), "counts": json.dumps(run.counts, sort_keys=True), "ended_at": loop.clock()}
    run.is_heard = tell_run(loop, row, run.findings)


def _end_after(loop: Loop, run: TrackedRun, cause: BaseException, *, is_to_tell: bool) -> None:
    """Close the row of a run that is going down; if that fails too, the cause is what must be heard."""
    try:
        _end(loop, run, is_to_tell=is_to_tell)
    except (TurnrowError, duckdb.Error) as error:
        cause.add_note(f"the run's row in flow_run could not be closed: {error}")


def _execute(loop: Loop, name: str, row: Mapping[str, object]) -> None:
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        warehouse.write(lambda _: connection.execute(read_sql(name), dict(row)))
