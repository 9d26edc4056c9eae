"""Known items among what is handed out: questions whose answer is certain, to learn how right a person is.

Their answer stands in `known_item` alone, and which samples are taken follows a hash order whose seed nobody who
answers has: neither an export's columns nor its ids tell a known item from a second look.
"""

from collections.abc import Mapping
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import drop_restricted
from tasks.group_samples import view_groups
from tasks.record_definitions import read_guideline
from tasks.warehouse import Warehouse, show_only

Bound = Mapping[str, object]

# How many labelled samples are looked at for each known item wanted: most of them may be reserved or not certain.
_POOL, _POOL_AT_LEAST = 20, 2000


def stage_known(warehouse: Warehouse, bound: Bound, share: float) -> None:
    """Make the temp table `known_candidate`: labels that are certain enough to be a known item's key.

    `bound` holds attribute, case_name, annotator and at_most. Without an annotator a key is a label by file only:
    of such a one nobody who answers has decided it.
    """
    connection = warehouse.connection
    wanted = _count_wanted(connection, bound, share)
    connection.execute(
        read_sql("hand_out/known_pool"),
        {**_pick(bound, "attribute", "case_name", "annotator"), "pool": _POOL * wanted + _POOL_AT_LEAST},
    )
    connection.execute(
        "create or replace temp table known_candidate (sample_id varchar, attribute varchar, "
        "revision_id varchar, label varchar, label_value double, place varchar)"
    )
    with show_only(warehouse, "known_focus"):
        for attribute in warehouse.loop.settings.attribute.values():
            _stage_attribute(warehouse, attribute, bound["annotator"])
    drop_restricted(warehouse, "queue", "known_candidate")


def choose_known(connection: duckdb.DuckDBPyConnection, bound: Bound, share: float, known_at: datetime) -> None:
    """Make the temp table `chosen_known` for what `ranked_fix` holds, and insert those that are new.

    Part of the caller's transaction; reads `offered_question` and `known_candidate`.
    """
    annotator = _pick(bound, "annotator")
    connection.execute("create or replace temp table known_wanted (attribute varchar, wanted bigint)")
    for attribute, wanted in _share_out(connection, bound, share).items():
        connection.execute(
            "insert into known_wanted values ($name, $wanted)", {"name": attribute, "wanted": wanted}
        )
    connection.execute(read_sql("hand_out/choose_known"), annotator)
    connection.execute(read_sql("hand_out/insert_known_items"), {"known_at": known_at})


def make_no_known(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temp table `chosen_known` without a row."""
    connection.execute(
        "create or replace temp table chosen_known as "
        "select fix_id, sample_id, attribute, attempt, 0::bigint as answer_count from label_fix limit 0"
    )


def _count_wanted(connection: duckdb.DuckDBPyConnection, bound: Bound, share: float) -> int:
    row = connection.execute("select count(*) from open_question where kind <> 'known'").fetchone()
    questions = min(int(row[0]) if row else 0, int(str(bound["at_most"])))
    return round(questions * share / (1 - share)) + 1


def _stage_attribute(warehouse: Warehouse, attribute: AttributeSettings, annotator: object) -> None:
    view_groups(warehouse.connection, attribute)
    warehouse.connection.execute(
        read_sql("hand_out/stage_known"),
        {
            "attribute": attribute.name,
            "annotator": annotator,
            "answers_needed": attribute.answers_needed,
            "deciders": list(attribute.deciders),
            "tolerance": attribute.tolerance or 0.0,
            "guideline_sha256": read_guideline(warehouse.loop, attribute),
        },
    )


def _share_out(connection: duckdb.DuckDBPyConnection, bound: Bound, share: float) -> dict[str, int]:
    """Return how many known items of each attribute make up `share` of all that is handed out.

    Rounded to whole ones; below one the hash draws whether there is one, so that small batches have them too.
    """
    rows = connection.execute(read_sql("hand_out/count_ranked"), _pick(bound, "annotator")).fetchall()
    ranked = sum(int(row[1]) for row in rows)
    in_all = min(ranked / (1 - share), int(str(bound["at_most"])))
    wanted = {}
    for attribute, questions, draw in rows:
        exact = in_all * share * questions / ranked
        wanted[str(attribute)] = round(exact) if exact >= 1 else int(int(draw[:8], 16) / 2**32 < exact)
    return wanted


def _pick(bound: Bound, *names: str) -> dict[str, object]:
    return {name: bound[name] for name in names}
