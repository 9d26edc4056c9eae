"""Freeze hold-outs whose members all have a label, or ended without one: from then on they never change."""

from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class OpenHoldout:
    """A hold-out that was drawn and not frozen yet."""

    holdout_id: str
    case_name: str
    attribute: str
    members: int
    missing: int


def list_open_holdouts(connection: duckdb.DuckDBPyConnection) -> list[OpenHoldout]:
    """Return the hold-outs that are not frozen, and how many labels each still lacks."""
    rows = connection.execute(read_sql("holdout/open_holdouts")).fetchall()
    return [OpenHoldout(str(row[0]), str(row[1]), str(row[2]), int(row[3]), int(row[4])) for row in rows]


def freeze_full_holdouts(loop: Loop) -> list[str]:
    """Freeze every hold-out that lacks nothing and return their ids."""
    with open_warehouse(loop, write=False) as warehouse:
        if not any(held.missing == 0 for held in list_open_holdouts(warehouse.connection)):
            return []
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        return warehouse.write(lambda known_at: freeze_full(connection, known_at))


def freeze_full(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> list[str]:
    """Freeze what lacks nothing; part of the caller's transaction."""
    full = [held.holdout_id for held in list_open_holdouts(connection) if held.missing == 0]
    for holdout_id in full:
        connection.execute(read_sql("holdout/insert_labels"), {"holdout_id": holdout_id})
        connection.execute(read_sql("holdout/insert_freeze"), {"holdout_id": holdout_id, "known_at": known_at})
    return full
