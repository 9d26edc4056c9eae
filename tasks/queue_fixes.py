"""`flag`, last part: a label fix for each doubted sample that has no truth, within the queue's limits."""

from datetime import datetime

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import drop_restricted
from tasks.ask_fixes import cut_wishes, insert_wishes, make_wishes, prepare_wishes, stage_tracks, stage_weights
from tasks.group_samples import view_groups
from tasks.loop import Loop
from tasks.record_definitions import read_guideline
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse, show_only


def queue_doubted(loop: Loop) -> int:
    """Queue fixes for flagged or disputed samples without a truth, most urgent first; return the new ones.

    At most `ask_per_run` a run, `per_week` in seven days, `open_at_most` at once, and `per_track` of one track.
    Reserved groups are asked by their hold-out only.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        make_wishes(connection)
        connection.execute(read_sql("queue/stage_suspects"))
        stage_weights(warehouse)
        with show_only(warehouse, "suspect_sample"):
            for attribute in loop.settings.attribute.values():
                _stage_doubted(warehouse, attribute)
        drop_restricted(warehouse, "queue", "wanted_fix")
        stage_tracks(warehouse)
        connection.execute(read_sql("queue/cut_tracks"))
        cut_wishes(warehouse, loop.settings.queue.ask_per_run)
        prepare_wishes(warehouse)

        def insert(known_at: datetime) -> int:
            asked = insert_wishes(connection, known_at)
            record_run(connection, "queue", started_at=started_at, ended_at=loop.clock(), counts={"asked": asked})
            return asked

        return warehouse.write(insert)


def _stage_doubted(warehouse: Warehouse, attribute: AttributeSettings) -> None:
    view_groups(warehouse.connection, attribute)
    warehouse.connection.execute(
        read_sql("queue/stage_doubted"),
        {
            "attribute": attribute.name,
            "critical": list(attribute.critical),
            "guideline_sha256": read_guideline(warehouse.loop, attribute),
        },
    )
