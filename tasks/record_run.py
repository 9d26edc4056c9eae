"""What a step leaves of itself in `flow_run`: written in the step's own transaction."""

import json
import uuid
from collections.abc import Mapping
from datetime import datetime

import duckdb


def record_run(
    connection: duckdb.DuckDBPyConnection,
    flow: str,
    *,
    started_at: datetime,
    ended_at: datetime,
    parameters: Mapping[str, object] | None = None,
    counts: Mapping[str, object] | None = None,
    state: str = "done",
    error: str | None = None,
) -> str:
    """Insert one row of `flow_run` and return its run_id."""
    run_id = uuid.uuid4().hex
    connection.execute(
        "insert into flow_run values ($run_id, $flow, $parameters, $state, $started, $ended, $counts, $error)",
        {
            "run_id": run_id,
            "flow": flow,
            "parameters": json.dumps(dict(parameters or {}), sort_keys=True),
            "state": state,
            "started": started_at,
            "ended": ended_at,
            "counts": json.dumps(dict(counts or {}), sort_keys=True),
            "error": error,
        },
    )
    return run_id
