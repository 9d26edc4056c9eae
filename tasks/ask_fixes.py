"""How a question gets into the queue, whoever wants it: one open fix a sample, any number of wishes."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import duckdb

from schemas.sql_files import read_sql
from tasks.apply_restrictions import drop_restricted
from tasks.warehouse import Warehouse, as_utc, show_only

_WEEK = timedelta(days=7)


@dataclass(frozen=True)
class Room:
    """How many more questions may be opened: `in_all`, and of the week's those that no case has a claim to.

    `claims`: what is left of each open case's own part of the week. Half of the week's budget is divided equally
    among the open cases with members.
    """

    in_all: int
    unclaimed: int
    claims: Mapping[str, int]

    def count_for(self, case_name: str) -> int:
        """Return how many of them one case alone may open."""
        return min(self.in_all, self.claims.get(case_name, 0) + self.unclaimed)


def make_wishes(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty temp table `wanted_fix`: a row a sample and case that wants a fix of it."""
    connection.execute(
        "create or replace temp table wanted_fix (sample_id varchar, attribute varchar, reason varchar, "
        "priority double, case_name varchar, misprediction_id varchar, prediction_id varchar, "
        "guideline_sha256 varchar)"
    )


def prepare_wishes(warehouse: Warehouse, staged: Mapping[str, str] | None = None) -> int:
    """Note which label revisions the wanted fixes are about; return how many samples are wanted.

    Every question passes here, so here, at the latest, goes what may never be queued. Where places are few it
    has to be taken out before they are given away (`drop_restricted`).
    `staged`, fact -> temp table, are rows that the same transaction will add, as `show_only` has them.
    """
    drop_restricted(warehouse, "queue", "wanted_fix")
    with show_only(warehouse, "wanted_fix", staged):
        warehouse.connection.execute(read_sql("queue/stage_about"))
    row = warehouse.connection.execute("select count(distinct sample_id) from wanted_fix").fetchone()
    return int(row[0]) if row else 0


def insert_wishes(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> int:
    """Insert fixes for the wanted samples that have none open, and the wishes; return the new fixes.

    Part of the caller's transaction; run again it adds nothing.
    """
    row = connection.execute(read_sql("queue/insert_fixes"), {"known_at": known_at}).fetchone()
    connection.execute(read_sql("queue/insert_requests"), {"known_at": known_at})
    return int(row[0]) if row else 0


def find_room(warehouse: Warehouse) -> Room:
    """Return how many more questions may be opened by `open_at_most` and `per_week`; make `case_claim` of it.

    What hold-outs and the watch ask counts towards what is open, not towards the week, and is never cut itself. A
    week is the last seven days.
    """
    connection, limits = warehouse.connection, warehouse.loop.settings.queue
    now = max(as_utc(warehouse.loop.clock()), warehouse.read_clock())
    since = {"since": now - _WEEK}
    connection.execute(read_sql("queue/stage_claims"), since | {"per_week": limits.per_week})
    row = connection.execute(read_sql("queue/count_opened"), since).fetchone()
    open_count, opened = row or (0, 0)
    claims = {str(name): int(claim) for name, claim in connection.execute("from case_claim").fetchall()}
    of_the_week = max(0, limits.per_week - int(opened))
    in_all = max(0, min(of_the_week, limits.open_at_most - int(open_count)))
    return Room(in_all, max(0, of_the_week - sum(claims.values())), claims)


def cut_wishes(warehouse: Warehouse, at_most: int) -> None:
    """Cut `wanted_fix` to what there is room for, `at_most` new ones; wishes that join an open fix all stay.

    Of the room one half is divided equally among the cases that want some of it, the rest goes by priority.
    """
    room = find_room(warehouse)
    bound = {"room": min(at_most, room.in_all), "unclaimed": room.unclaimed}
    warehouse.connection.execute(read_sql("queue/cut_wanted"), bound)


def stage_weights(warehouse: Warehouse) -> None:
    """Make `rule_precision` and `case_share`: what a priority counts beside severity, class and doubt."""
    connection = warehouse.connection
    connection.execute(read_sql("queue/stage_shares"))
    connection.execute(
        "create or replace temp table rule_precision (attribute varchar, rule varchar, precision double)"
    )
    for attribute in warehouse.loop.settings.attribute.values():
        scope = {"attribute": attribute.name, "tolerance": attribute.tolerance or 0.0}
        connection.execute(read_sql("queue/stage_precisions"), scope)


def stage_tracks(warehouse: Warehouse) -> None:
    """Make `track_room` and `untouched_track`: how many more samples of a track may be asked about.

    Of an attribute that is constant within a track one question at a time, since its answer serves the track;
    else `per_track` samples in all.
    """
    connection, per_track = warehouse.connection, warehouse.loop.settings.queue.per_track
    connection.execute(
        "create or replace temp table track_room "
        "(attribute varchar, recording_id varchar, object_id varchar, room bigint)"
    )
    connection.execute("create or replace temp table untouched_track (attribute varchar, room bigint)")
    for attribute in warehouse.loop.settings.attribute.values():
        is_constant = attribute.within_track == "constant"
        room = 1 if is_constant else per_track
        connection.execute("insert into untouched_track values ($1, $2)", [attribute.name, room])
        connection.execute(
            read_sql("queue/stage_tracks"),
            {"attribute": attribute.name, "is_constant": is_constant, "per_track": per_track},
        )
