"""Close the runs whose process died before it could do so itself."""

import json

from schemas.sql_files import read_sql
from tasks.know_process import is_dead
from tasks.loop import Loop
from tasks.warehouse import Warehouse, open_warehouse

_ERROR = "its process died before its end; what it had done is kept, and the next run takes up the rest"


def close_dead_runs(loop: Loop) -> list[str]:
    """Set `running` rows of dead processes of this host to `crashed`; return their flows, oldest first."""
    with open_warehouse(loop, write=True) as warehouse:
        rows = warehouse.connection.execute(read_sql("runs/list_running")).fetchall()
        dead = [(run_id, flow) for run_id, flow, counts in rows if is_dead(json.loads(counts or "{}"))]
        for run_id, _ in dead:
            _close(loop, warehouse, run_id)
        return [flow for _, flow in dead]


def _close(loop: Loop, warehouse: Warehouse, run_id: str) -> None:
    row = {"run_id": run_id, "state": "crashed", "ended_at": loop.clock(), "counts": "{}", "error": _ERROR}
    warehouse.write(lambda _: warehouse.connection.execute(read_sql("runs/end_run"), row))


def is_running(loop: Loop, flow: str) -> bool:
    """Tell whether a run of a flow is under way."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(read_sql("runs/list_running")).fetchall()
        return any(row[1] == flow for row in rows)
