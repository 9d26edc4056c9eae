"""A flow's own row in `flow_run`: `running` from its start, closed at its end, in transactions of its own."""

import json
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

from schemas.sql_files import read_sql
from tasks.errors import NotYetError, TurnrowError
from tasks.know_process import name_process
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass
class TrackedRun:
    """A flow under way; whoever runs it fills in what came of it."""

    run_id: str
    counts: dict[str, object] = field(default_factory=dict)
    state: str = "done"
    error: str | None = None


@contextmanager
def track_run(loop: Loop, flow: str, parameters: Mapping[str, object]) -> Iterator[TrackedRun]:
    """Keep the row of one run of a flow; what goes wrong inside is noted in it and raised again.

    A NotYetError leaves the run `done`: it ran, and the answer is no, or not yet. A run that is stopped by
    hand ends as `partial`, anything else that is raised as `failed`.
    """
    run = TrackedRun(uuid.uuid4().hex)
    _start(loop, run, flow, parameters)
    try:
        yield run
    except NotYetError as error:
        run.error = str(error)
        _end(loop, run)
        raise
    except BaseException as error:
        is_stopped = isinstance(error, KeyboardInterrupt)
        run.state = "partial" if is_stopped else "failed"
        told = "stopped before its end; run it again" if is_stopped else describe_error(error)
        run.error = run.error or told
        _end_after(loop, run, error)
        raise
    _end(loop, run)


def describe_error(error: BaseException) -> str:
    """Return an error in a line: ours as it stands, an unexpected one with its type."""
    if isinstance(error, TurnrowError):
        return str(error)
    lines = str(error).strip().splitlines()
    return f"{type(error).__name__}: {lines[0]}" if lines else type(error).__name__


def _start(loop: Loop, run: TrackedRun, flow: str, parameters: Mapping[str, object]) -> None:
    row = {
        "run_id": run.run_id,
        "flow": flow,
        "parameters": json.dumps(dict(parameters), sort_keys=True),
        "started_at": loop.clock(),
        "counts": json.dumps(name_process(), sort_keys=True),
    }
    _execute(loop, "runs/start_run", row)


def _end(loop: Loop, run: TrackedRun) -> None:
    row = {
        "run_id": run.run_id,
        "state": run.state,
        "ended_at": loop.clock(),
        "counts": json.dumps(run.counts, sort_keys=True),
        "error": run.error,
    }
    _execute(loop, "runs/end_run", row)


def _end_after(loop: Loop, run: TrackedRun, cause: BaseException) -> None:
    """Close the row of a run that is going down; if that fails too, the cause is what must be heard."""
    try:
        _end(loop, run)
    except TurnrowError as error:
        cause.add_note(f"the run's row in flow_run could not be closed: {error}")


def _execute(loop: Loop, name: str, row: Mapping[str, object]) -> None:
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        warehouse.write(lambda _: connection.execute(read_sql(name), dict(row)))
