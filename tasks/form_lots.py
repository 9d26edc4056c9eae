"""Lots of settled fixes: what one group of people decided of one attribute, and the sample that is audited.

A lot is to be of one kind, made in the same way (MIL-STD-105E, formation of lots), or its sample says little of
the rest. Errors of labels go with the people: so a source is the people who decided a fix together
(`label_revision.decided_by`), and a careless one's lots fail without taking others' work along.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.settings import AuditSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import drop_restricted
from tasks.switch_inspection import DISCONTINUED, NORMAL, find_inspection
from tasks.warehouse import Warehouse, show_only

Source = tuple[str, str]
"""An attribute and the people who decided, as `decided_by` has them."""


@dataclass(frozen=True)
class _PlannedLot:
    lot_id: str
    inspection: str
    sample_size: int
    accept_at_most: int
    reject_from: int


def read_inspections(connection: duckdb.DuckDBPyConnection) -> dict[Source, str]:
    """Return how the next lot of each source is inspected; one that is not in it: normal."""
    events: dict[Source, list[tuple[str, str]]] = {}
    for attribute, source, inspection, verdict in connection.execute(read_sql("audit/read_history")).fetchall():
        events.setdefault((attribute, source), []).append((inspection, verdict))
    return {source: find_inspection(history) for source, history in events.items()}


def stage_candidates(warehouse: Warehouse, attributes: Sequence[str]) -> None:
    """Make the temp table `standing_candidate`: settled fixes that are in no lot and whose label stands.

    What may never be queued cannot be audited either, so it gets into no lot: a sample drawn from the rest would
    say nothing of it.
    """
    connection = warehouse.connection
    connection.execute(read_sql("audit/stage_candidates"), {"attributes": list(attributes)})
    drop_restricted(warehouse, "queue", "lot_candidate")
    with show_only(warehouse, "lot_candidate"):
        connection.execute(read_sql("audit/keep_standing"))


def stage_lots(warehouse: Warehouse, audit: AuditSettings, *, is_closing: bool) -> None:
    """Cut what has gathered into lots, plan their inspection and draw their items; nothing is stored yet.

    Without `is_closing` only full lots are formed. A source whose inspection is discontinued gets none.
    """
    connection = warehouse.connection
    stage_candidates(warehouse, list(warehouse.loop.settings.attribute))
    connection.execute(read_sql("audit/stage_lot_fixes"), {"lot_size": audit.lot_size, "is_closing": is_closing})
    connection.execute(
        "create or replace temp table planned_lot (lot_id varchar, inspection varchar, sample_size integer, "
        "accept_at_most integer, reject_from integer)"
    )
    for planned in _plan_lots(connection, audit):
        connection.execute(
            "insert into planned_lot values ($lot_id, $inspection, $sample_size, $accept_at_most, $reject_from)",
            vars(planned),
        )
    connection.execute(read_sql("audit/draw_items"))


def _plan_lots(connection: duckdb.DuckDBPyConnection, audit: AuditSettings) -> list[_PlannedLot]:
    from tasks.statistics_sampling import sampling_plan

    inspections = read_inspections(connection)
    planned = []
    for lot_id, attribute, source, lot_size in connection.execute(read_sql("audit/read_new_lots")).fetchall():
        inspection = inspections.get((attribute, source), NORMAL)
        if inspection == DISCONTINUED:
            continue
        sample_size, accept, reject = sampling_plan(int(lot_size), audit.aql, audit.level, inspection)
        planned.append(_PlannedLot(lot_id, inspection, min(int(sample_size), int(lot_size)), accept, reject))
    return planned


def insert_lots(connection: duckdb.DuckDBPyConnection, audit: AuditSettings, known_at: datetime) -> int:
    """Insert the staged lots and return how many; part of the caller's transaction.

    A lot any of whose fixes another run has put into a lot since is left to the next run.
    """
    row = connection.execute(
        read_sql("audit/insert_lots"), {"aql": audit.aql, "level": audit.level, "known_at": known_at}
    ).fetchone()
    connection.execute(read_sql("audit/insert_lot_fixes"))
    insert_items(connection, known_at)
    return int(row[0]) if row else 0


def insert_items(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> int:
    """Insert staged audit items that are not stored yet, and return how many; part of the caller's transaction."""
    row = connection.execute(read_sql("audit/insert_items"), {"known_at": known_at}).fetchone()
    return int(row[0]) if row else 0
