"""Until when a step has seen all facts, so that its next run pays only for what is new."""

from datetime import UTC, datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.warehouse import as_utc

_NEVER = datetime(1970, 1, 1, tzinfo=UTC)


def read_progress(
    connection: duckdb.DuckDBPyConnection, step: str, scope: str, definition_sha256: str
) -> datetime:
    """Return until when `step` has seen everything of `scope`; long ago if the definition changed."""
    row = connection.execute(
        read_sql("flag/read_progress"), {"step": step, "scope": scope, "definition_sha256": definition_sha256}
    ).fetchone()
    return as_utc(row[0]) if row and row[0] is not None else _NEVER


def save_progress(
    connection: duckdb.DuckDBPyConnection, step: str, scope: str, definition_sha256: str, done_until: datetime
) -> None:
    """Replace what is remembered of `step` and `scope`; part of the caller's transaction."""
    connection.execute(
        "delete from step_progress where step = $step and scope = $scope", {"step": step, "scope": scope}
    )
    connection.execute(
        "insert into step_progress values ($step, $scope, $definition_sha256, $done_until)",
        {"step": step, "scope": scope, "definition_sha256": definition_sha256, "done_until": done_until},
    )
