"""`settle`: agreeing answers become labels; what stays open after enough answers ends as ambiguous."""

from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.loop import Loop
from tasks.record_run import record_run
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class SettleSummary:
    """How many fixes ended, and how."""

    settled: int
    ambiguous: int
    unusable: int


def settle_fixes(loop: Loop) -> SettleSummary:
    """End every open fix that its answers decide; a settled fix is never decided again.

    A label needs `answers_needed` answers and more than all others together (numbers: near their median, which
    is the label then). A critical class that anyone named is not outvoted. Where answers differ, deciders who
    are of one mind settle it alone. At `answers_at_most` a fix ends as ambiguous.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        connection.execute(
            "create or replace temp table new_outcome (fix_id varchar, sample_id varchar, outcome varchar, "
            "label varchar, label_value double, decided_by varchar, decided_at timestamptz)"
        )
        for attribute in loop.settings.attribute.values():
            _stage_outcomes(connection, attribute)

        def insert(known_at: datetime) -> SettleSummary:
            connection.execute(read_sql("settle/insert_revisions"), {"known_at": known_at})
            connection.execute(read_sql("settle/insert_outcomes"), {"known_at": known_at})
            counts = _count_outcomes(connection, known_at)
            record_run(connection, "settle", started_at=started_at, ended_at=loop.clock(), counts=counts)
            return SettleSummary(**counts)

        return warehouse.write(insert)


def _stage_outcomes(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    limits: dict[str, object] = {
        "attribute": attribute.name,
        "answers_needed": attribute.answers_needed,
        "answers_at_most": attribute.answers_at_most,
        "deciders": list(attribute.deciders),
    }
    if attribute.kind == "number":
        connection.execute(read_sql("settle/stage_number_outcomes"), {**limits, "tolerance": attribute.tolerance})
    else:
        connection.execute(read_sql("settle/stage_outcomes"), {**limits, "critical": list(attribute.critical)})


def _count_outcomes(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> dict[str, int]:
    rows = connection.execute(
        "select outcome, count(*) from fix_outcome where known_at = $known_at group by outcome",
        {"known_at": known_at},
    ).fetchall()
    found = {str(outcome): int(count) for outcome, count in rows}
    return {name: found.get(name, 0) for name in ("settled", "ambiguous", "unusable")}
