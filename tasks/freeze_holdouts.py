"""Freeze hold-outs whose members all have a label, or can get none: from then on they never change."""

from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.apply_restrictions import list_restrictions, stage_restricted
from tasks.loop import Loop
from tasks.warehouse import Warehouse, open_warehouse, show_only


@dataclass(frozen=True)
class OpenHoldout:
    """A hold-out that was drawn and not frozen yet.

    `missing` labels are waited for; `unaudited` of them are there, but their lot has not passed. `restricted`
    members can get no label that counts, since a `[[restriction]]` forbids to ask about them: nobody waits for
    them, unless there is no other member.
    """

    holdout_id: str
    case_name: str
    attribute: str
    members: int
    missing: int
    unaudited: int = 0
    restricted: int = 0


@dataclass(frozen=True)
class FrozenHoldout:
    """A hold-out that was frozen just now, `restricted` of its members without a label that they could not get."""

    holdout_id: str
    restricted: int


def list_open_holdouts(warehouse: Warehouse, *, is_audited: bool) -> list[OpenHoldout]:
    """Return the hold-outs that are not frozen, and how many labels each still lacks.

    Where lots are audited, a label from a fix is `missing` until its lot has passed.
    """
    stage_unaskable(warehouse)
    return read_open_holdouts(warehouse.connection, is_audited=is_audited)


def stage_unaskable(warehouse: Warehouse, *, planned: str | None = None) -> None:
    """Make `waiting_member`: how the members of hold-outs that are not frozen stand, by what may be asked now.

    The view tells what is stored when it is read; which samples nobody may be asked about is looked up here,
    among those that a freeze could have to wait for: also those of the temp table `planned`, which the
    transaction that comes will make members.
    """
    connection = warehouse.connection
    source = planned or "(select cast(null as varchar) as sample_id where false)"
    connection.execute(f"create or replace temp view planned_member as select sample_id from {source}")
    connection.execute("create or replace temp table unaskable_sample (sample_id varchar)")
    if list_restrictions(warehouse.loop.settings, "queue"):
        connection.execute(read_sql("holdout/waiting_sample"))
        with show_only(warehouse, "waiting_sample"):
            stage_restricted(warehouse, "queue", focus="waiting_sample")
        connection.execute("insert into unaskable_sample select distinct sample_id from restricted_sample")
    connection.execute(read_sql("holdout/waiting_member"))


def read_open_holdouts(connection: duckdb.DuckDBPyConnection, *, is_audited: bool) -> list[OpenHoldout]:
    """Return what `list_open_holdouts` does, once `stage_unaskable` was called; binds nothing."""
    rows = connection.execute(read_sql("holdout/open_holdouts")).fetchall()
    return [_read_open(*row, is_audited=is_audited) for row in rows]


def _read_open(
    holdout_id: str,
    case_name: str,
    attribute: str,
    members: int,
    missing: int,
    restricted: int,
    unaudited: int,
    beyond_audit: int,
    labelled: int,
    *,
    is_audited: bool,
) -> OpenHoldout:
    """Count what is waited for; where nothing but restricted members is left to judge by, they are waited for."""
    if not is_audited:
        labelled, unaudited, beyond_audit = labelled + unaudited + beyond_audit, 0, 0
    barred = restricted + beyond_audit
    awaited = missing + unaudited
    return OpenHoldout(
        holdout_id, case_name, attribute, members, awaited if awaited or labelled else barred, unaudited, barred
    )


def freeze_full_holdouts(loop: Loop) -> list[FrozenHoldout]:
    """Freeze every hold-out that lacks nothing and return them."""
    is_audited = loop.settings.audit is not None
    with open_warehouse(loop, write=False) as warehouse:
        waiting = list_open_holdouts(warehouse, is_audited=is_audited)
        if not any(held.missing == 0 for held in waiting):
            return []
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        stage_unaskable(warehouse)
        return warehouse.write(lambda known_at: freeze_full(connection, known_at, is_audited=is_audited))


def freeze_full(
    connection: duckdb.DuckDBPyConnection, known_at: datetime, *, is_audited: bool
) -> list[FrozenHoldout]:
    """Freeze what lacks nothing; part of the caller's transaction, before which `stage_unaskable` was called."""
    full = [held for held in read_open_holdouts(connection, is_audited=is_audited) if held.missing == 0]
    for held in full:
        bound = {"holdout_id": held.holdout_id}
        connection.execute(read_sql("holdout/insert_labels"), {**bound, "is_audited": is_audited})
        connection.execute(read_sql("holdout/insert_freeze"), {**bound, "known_at": known_at})
    return [FrozenHoldout(held.holdout_id, held.restricted) for held in full]
