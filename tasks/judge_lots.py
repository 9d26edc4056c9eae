"""The verdict on a lot, as soon as its audit answers make it certain, and what follows from it.

A failed lot goes to other people whole. In a passed lot the labels that were found wrong count no longer either
(outcome `withdrawn`), and are asked anew.
"""

from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import list_restrictions, stage_restricted
from tasks.ask_fixes import insert_wishes, make_wishes, prepare_wishes
from tasks.record_definitions import read_guideline
from tasks.warehouse import Warehouse, show_only

_STAGED = {"fix_outcome": "audited_outcome"}


def stage_judged_items(warehouse: Warehouse) -> None:
    """Make the temp table `judged_item`: the items of undecided lots, answered or not, wrong or not.

    What nobody has answered and nobody may be asked (any more, by a `[[restriction]]`) is not among them.
    """
    _stage_unaskable(warehouse)
    warehouse.connection.execute(read_sql("audit/make_judged"))
    for attribute in warehouse.loop.settings.attribute.values():
        warehouse.connection.execute(read_sql("audit/judge_items"), _bind_judging(attribute))


def _stage_unaskable(warehouse: Warehouse) -> None:
    """Make `unaskable_item` (fix_id) and `restricted_sample`, of what undecided lots are made of."""
    connection = warehouse.connection
    connection.execute("create or replace temp table unaskable_item (fix_id varchar)")
    connection.execute("create or replace temp table restricted_sample (sample_id varchar, why varchar)")
    if list_restrictions(warehouse.loop.settings, "queue"):
        connection.execute(read_sql("audit/stage_lot_samples"))
        with show_only(warehouse, "lot_sample"):
            stage_restricted(warehouse, "queue", focus="lot_sample")
        connection.execute(read_sql("audit/stage_unaskable"))


def stage_replacements(warehouse: Warehouse) -> bool:
    """Stage in `new_item` other fixes of a lot for items that nobody may be asked any more; tell if there are any.

    So a lot is judged on as many as its plan says. Where it has no other fix left it is judged on those that are;
    where none is, it gets no verdict, and its labels do not count until the restriction is lifted.
    """
    stage_judged_items(warehouse)
    connection = warehouse.connection
    connection.execute(read_sql("audit/draw_again"), {"attributes": list(warehouse.loop.settings.attribute)})
    return connection.execute("select 1 from new_item limit 1").fetchone() is not None


def _bind_judging(attribute: AttributeSettings) -> dict[str, object]:
    return {
        "attribute": attribute.name,
        "deciders": list(attribute.deciders),
        "tolerance": attribute.tolerance or 0.0,
    }


def stage_verdicts(warehouse: Warehouse) -> None:
    """Stage the verdicts that are certain, the labels that fall with them, and the questions to ask anew.

    What an earlier run refused and nobody has been asked about since is staged again.
    """
    connection = warehouse.connection
    stage_judged_items(warehouse)
    connection.execute(read_sql("audit/stage_verdicts"))
    connection.execute(read_sql("audit/stage_outcomes"))
    connection.execute(read_sql("audit/stage_refused"))
    make_wishes(connection)
    for attribute in warehouse.loop.settings.attribute.values():
        connection.execute(
            read_sql("audit/wish_second_looks"),
            {
                "attribute": attribute.name,
                "guideline_sha256": read_guideline(warehouse.loop, attribute),
            },
        )
    # The answers will replace what stands once the refused labels have fallen.
    prepare_wishes(warehouse, _STAGED)


def insert_verdicts(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> dict[str, int]:
    """Insert what is staged; return how many lots passed and failed and how many fixes were asked anew.

    Part of the caller's transaction; run again it adds nothing.
    """
    connection.execute(read_sql("audit/insert_verdicts"), {"known_at": known_at})
    connection.execute(read_sql("audit/insert_outcomes"), {"known_at": known_at})
    asked = insert_wishes(connection, known_at)
    rows = connection.execute(
        "select verdict, count(*) from audit_verdict where known_at = $known_at group by verdict",
        {"known_at": known_at},
    ).fetchall()
    found = {str(verdict): int(count) for verdict, count in rows}
    return {"passed": found.get("passed", 0), "failed": found.get("failed", 0), "asked_anew": asked}
