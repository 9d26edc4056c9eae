"""`assemble`, last part: a second look at the labels of the new version that are probably wrong."""

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import drop_restricted
from tasks.ask_fixes import cut_wishes, make_wishes, prepare_wishes, stage_tracks
from tasks.record_definitions import read_guideline
from tasks.warehouse import Warehouse


def stage_second_looks(warehouse: Warehouse, attribute: AttributeSettings) -> int:
    """Stage questions about the temp table `suspected_row`, for `insert_wishes` to insert; return how many.

    Within the queue's limits, as any step: at most `ask_per_run` of them, what is left of `per_week` and
    `open_at_most`, and `per_track` of one track. Which they are depends on the facts alone. They belong into the
    transaction that stores a version, and only where it is new: so assembling again asks nothing more. The rows
    must be those of now, not of a moment of the past. Where it returns 0 there is nothing to insert.
    """
    connection = warehouse.connection
    row = connection.execute("select count(*) from suspected_row").fetchone()
    if row is None or row[0] == 0:
        return 0
    make_wishes(connection)
    stage_tracks(warehouse)
    connection.execute(
        read_sql("suspects/wish_looks"),
        {
            "attribute": attribute.name,
            "critical": list(attribute.critical),
            "guideline_sha256": read_guideline(warehouse.loop, attribute),
        },
    )
    drop_restricted(warehouse, "queue", "wanted_fix")
    cut_wishes(warehouse, warehouse.loop.settings.queue.ask_per_run)
    return prepare_wishes(warehouse)
