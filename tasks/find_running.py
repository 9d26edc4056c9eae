"""Which runs are under way, which of them are dead, and which one another must make way for."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import duckdb

from schemas.sql_files import read_sql
from tasks.know_process import describe_process, is_dead, is_of_this_host
from tasks.warehouse import as_utc

DIED = "its process has died; the next run closes it"
# No night takes a day. A run of another host cannot be judged from here, and must not hold up all others for ever.
FOREIGN_LIMIT = timedelta(hours=24)


@dataclass(frozen=True)
class RunningRun:
    """A row of `flow_run` that has not ended, with the process that it named as its own."""

    run_id: str
    flow: str
    parameters: str
    started_at: datetime
    process: dict[str, Any]

    @property
    def is_dead(self) -> bool:
        """Whether its process is surely gone: only of this host can that be told."""
        return is_dead(self.process)

    def is_in_the_way(self, now: datetime) -> bool:
        """Tell whether another run of its flow must leave the field to it."""
        return not self.is_dead and (is_of_this_host(self.process) or abs(now - self.started_at) < FOREIGN_LIMIT)

    def describe(self) -> str:
        """Say which process on which host, and since when."""
        return f"{describe_process(self.process)}, since {self.started_at.isoformat(timespec='seconds')}"


def list_running(connection: duckdb.DuckDBPyConnection) -> list[RunningRun]:
    """Return the runs under way, oldest first."""
    return _read_runs(connection, "runs/list_under_way")


def list_untold(connection: duckdb.DuckDBPyConnection) -> list[RunningRun]:
    """Return crashed runs that nobody was told of, or may not have been; `process["telling"]` was to tell."""
    return _read_runs(connection, "runs/list_untold")


def _read_runs(connection: duckdb.DuckDBPyConnection, query: str) -> list[RunningRun]:
    rows = connection.execute(read_sql(query)).fetchall()
    return [
        RunningRun(run_id, flow, parameters or "{}", as_utc(started), json.loads(counts or "{}"))
        for run_id, flow, parameters, started, counts in rows
    ]


def find_other(running: Sequence[RunningRun], flow: str, now: datetime) -> RunningRun | None:
    """Return the first run of a flow that is in the way of another one."""
    return next((run for run in running if run.flow == flow and run.is_in_the_way(now)), None)
