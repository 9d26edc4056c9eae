"""Close the runs whose process died before it could do so itself."""

from collections.abc import Collection
from typing import Any

import duckdb

from schemas.sql_files import read_sql
from tasks.errors import WarehouseError
from tasks.find_running import list_running
from tasks.know_process import is_of_this_host
from tasks.loop import Loop
from tasks.tell_run import tell_run
from tasks.warehouse import open_warehouse

_ERROR = "its process died before its end; what it had done is kept, and the next run takes up the rest"


def close_dead_runs(loop: Loop) -> list[str]:
    """Set `running` rows of dead processes of this host to `crashed`; tell of each, once; return their flows."""
    with open_warehouse(loop, write=True) as warehouse:
        closed: list[dict[str, Any]] = []
        if any(run.is_dead for run in list_running(warehouse.connection)):
            closed = warehouse.write(lambda _: close_dead(loop, warehouse.connection))
    for row in closed:
        tell_run(loop, row)
    return [row["flow"] for row in closed]


def close_dead(loop: Loop, connection: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    """Close them, oldest first, within a transaction: of two that look at once only one closes a run.

    Return the rows, to be told of when the transaction is through.
    """
    ended = {"state": "crashed", "ended_at": loop.clock(), "counts": "{}", "error": _ERROR}
    dead = [run for run in list_running(connection) if run.is_dead]
    for run in dead:
        connection.execute(read_sql("runs/end_run"), {"run_id": run.run_id, **ended})
    return [vars(run) | ended for run in dead]


def is_under_way(loop: Loop, flows: Collection[str]) -> bool:
    """Tell whether a run of these flows is under way here, or may be, as the warehouse is in use or away."""
    try:
        with open_warehouse(loop, write=False) as warehouse:
            running = list_running(warehouse.connection)
    except WarehouseError:
        return True
    return any(run.flow in flows and is_of_this_host(run.process) and not run.is_dead for run in running)
