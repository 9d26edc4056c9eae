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
    unaudited: int = 0


def list_open_holdouts(connection: duckdb.DuckDBPyConnection, *, is_audited: bool) -> list[OpenHoldout]:
    """Return the hold-outs that are not frozen, and how many labels each still lacks.

    Where lots are audited, a label from a fix is `missing` until its lot has passed; `unaudited` counts those.
    """
    rows = connection.execute(read_sql("holdout/open_holdouts")).fetchall()
    waiting = _count_unaudited(connection) if is_audited else {}
    return [
        OpenHoldout(
            str(holdout_id),
            str(case_name),
            str(attribute),
            int(members),
            int(missing) + waiting.get(str(holdout_id), 0),
            waiting.get(str(holdout_id), 0),
        )
        for holdout_id, case_name, attribute, members, missing in rows
    ]


def _count_unaudited(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    rows = connection.execute(read_sql("holdout/unaudited_members")).fetchall()
    return {str(holdout_id): int(count) for holdout_id, count in rows}


def freeze_full_holdouts(loop: Loop) -> list[str]:
    """Freeze every hold-out that lacks nothing and return their ids."""
    is_audited = loop.settings.audit is not None
    with open_warehouse(loop, write=False) as warehouse:
        waiting = list_open_holdouts(warehouse.connection, is_audited=is_audited)
        if not any(held.missing == 0 for held in waiting):
            return []
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        return warehouse.write(lambda known_at: freeze_full(connection, known_at, is_audited=is_audited))


def freeze_full(connection: duckdb.DuckDBPyConnection, known_at: datetime, *, is_audited: bool) -> list[str]:
    """Freeze what lacks nothing; part of the caller's transaction."""
    waiting = list_open_holdouts(connection, is_audited=is_audited)
    full = [held.holdout_id for held in waiting if held.missing == 0]
    for holdout_id in full:
        connection.execute(read_sql("holdout/insert_labels"), {"holdout_id": holdout_id})
        connection.execute(read_sql("holdout/insert_freeze"), {"holdout_id": holdout_id, "known_at": known_at})
    return full
