"""Keep out of a hold-out what the incumbent learned from, also under another recording's name.

Groups of its ancestry are never drawn. A copy of one of its rows is in a group of its own, and would flatter it
all the same: so what is drawn is compared with all rows of the ancestry, as `assemble` compares its rows with
hold-outs.
"""

from collections.abc import Callable

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.warehouse import Warehouse

_QUERIES = ("holdout/candidate_vectors", "holdout/seen_vectors")


def stage_seen(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    """Make the temp tables `seen_row` and `seen_group`: what the incumbent's ancestry holds (`grouped_sample`)."""
    connection.execute(read_sql("holdout/seen_row"), {"attribute": attribute.name})
    connection.execute(read_sql("holdout/seen_group"))


def draw_without_copies(
    warehouse: Warehouse, attribute: AttributeSettings, draw: Callable[[int], None], size: int
) -> int:
    """Draw `size` members none of which is a near-duplicate of a row of `seen_row`; return how many such were met.

    `draw` makes `drawn_member` of so many of `eligible_sample`. A copy goes with its track, of which it is one of
    many alike; a group goes where all that was drawn of it are copies, for that is a recording by another name.
    Only what is drawn is compared, the ancestry streamed once a pass; where there are copies the next pass looks
    twice as far ahead as there were, so that passes stay few however many there are.
    """
    connection = warehouse.connection
    connection.execute("create or replace temp table tested_sample (sample_id varchar)")
    met = 0
    draw(size)
    while _has_seen_rows(connection) and _stage_untested(connection, carried_too=False):
        if met:
            draw(size + 2 * met)
            _stage_untested(connection, carried_too=False)
        found = _find_copies(warehouse, attribute)
        if found:
            connection.execute(read_sql("holdout/drop_copies"))
        if found or met:
            draw(size)
        met += found
    return met


def mark_copies(warehouse: Warehouse, attribute: AttributeSettings, *, is_listed: bool) -> int:
    """Mark what of `drawn_member` is a near-duplicate of a row of `seen_row` as seen, and return how many are.

    That is for members that are taken as they are: listed in a file, or carried on from an earlier version.
    """
    connection = warehouse.connection
    if is_listed:
        connection.execute("create or replace temp table tested_sample (sample_id varchar)")
    if not _has_seen_rows(connection) or not _stage_untested(connection, carried_too=True):
        return 0
    found = _find_copies(warehouse, attribute)
    connection.execute(
        "update drawn_member set is_seen = true where sample_id in (select sample_id from found_copy)"
    )
    return found


def _has_seen_rows(connection: duckdb.DuckDBPyConnection) -> bool:
    return connection.execute("select 1 from seen_row limit 1").fetchone() is not None


def _stage_untested(connection: duckdb.DuckDBPyConnection, *, carried_too: bool) -> bool:
    """Make `copy_candidate` of what is to be compared, and tell whether there is any."""
    connection.execute(read_sql("holdout/stage_untested"), {"carried_too": carried_too})
    return connection.execute("select 1 from copy_candidate limit 1").fetchone() is not None


def _find_copies(warehouse: Warehouse, attribute: AttributeSettings) -> int:
    """Make the temp table `found_copy` of the samples of `copy_candidate` that are copies; return how many."""
    from tasks.find_near_duplicates import find_held_near_rows

    connection = warehouse.connection
    place = {"attribute": attribute.name, "feature_space": attribute.feature_space}
    found = find_held_near_rows(connection, place, warehouse.loop.settings.near_duplicate, _QUERIES)
    connection.execute("insert into tested_sample select sample_id from copy_candidate")
    connection.execute(
        "create or replace temp table found_copy as select unnest($found::varchar[]) as sample_id",
        {"found": found},
    )
    return len(found)
