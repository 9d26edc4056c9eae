"""Close the runs whose process died before it could do so itself."""

import json
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any

import duckdb

from schemas.sql_files import read_sql
from tasks.errors import WarehouseError
from tasks.find_running import RunningRun, list_running, list_untold
from tasks.know_process import is_of_this_host, name_process
from tasks.loop import Loop
from tasks.tell_run import tell_run
from tasks.warehouse import open_warehouse

_TELLING = "telling"
_ERROR = "its process died before its end; what it had done is kept, and the next run takes up the rest"


def close_dead_runs(loop: Loop) -> list[str]:
    """Set `running` rows of dead processes of this host to `crashed`; tell of each, once; return their flows."""
    with open_warehouse(loop, write=True) as warehouse:
        closed: list[dict[str, Any]] = []
        if _find_dead(warehouse.connection, loop.clock()):
            closed = warehouse.write(lambda _: close_dead(loop, warehouse.connection))
    tell_closed(loop, closed)
    return [row["flow"] for row in closed]


def close_dead(loop: Loop, connection: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """Close them, oldest first, within a transaction: of two that look at once only one closes a run.

    Return the rows, to be told of when the transaction is through; what they hold meanwhile is who tells, so that
    another one tells of them where this process dies before it has.
    """
    ended = {"state": "crashed", "ended_at": loop.clock(), "error": _ERROR}
    teller = json.dumps({_TELLING: name_process()}, sort_keys=True)
    dead = _find_dead(connection, loop.clock())
    for run in dead:
        connection.execute(read_sql("runs/end_run"), {"run_id": run.run_id, "counts": teller, **ended})
    return [vars(run) | ended | {"counts": "{}"} for run in dead]


def tell_closed(loop: Loop, closed: Sequence[dict[str, Any]]) -> None:
    """Tell of runs that `close_dead` has closed, and note of each that it was told."""
    for row in closed:
        tell_run(loop, row)
        with suppress(WarehouseError, duckdb.Error):  # then the next one tells again
            _note_told(loop, {name: row[name] for name in ("run_id", "state", "ended_at", "counts", "error")})


def _note_told(loop: Loop, values: dict[str, Any]) -> None:
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        warehouse.write(lambda _: connection.execute(read_sql("runs/end_run"), values))


def _find_dead(connection: duckdb.DuckDBPyConnection, now: datetime) -> list[RunningRun]:
    """Return the runs whose process is gone, and those that a process was to tell of which is gone too.

    Whether one of another host that was to tell has is not to be seen from here: after a day it has not.
    """
    untold = [replace(run, process=run.process[_TELLING]) for run in list_untold(connection)]
    left = [run for run in untold if not run.is_in_the_way(now)]
    return [*left, *(run for run in list_running(connection) if run.is_dead)]


def is_under_way(loop: Loop, flows: Collection[str]) -> bool:
    """Tell whether a run of these flows is under way here, or may be, as the warehouse is in use or away."""
    try:
        with open_warehouse(loop, write=False) as warehouse:
            running = list_running(warehouse.connection)
    except WarehouseError:
        return True
    return any(run.flow in flows and is_of_this_host(run.process) and not run.is_dead for run in running)
