"""`watch`: draw a small random sample of served traffic, week by week, and ask about it before anything else.

A week (ISO, UTC, by `observed_at`) is drawn once it is over. The tracks that are known then get one probability,
and each is in or out by a hash of its name. Tracks that come in later are drawn by themselves, with a probability
of their own that is never above the first: so every track had a known chance, and a late delivery cannot flood the
queue. What was eligible once is never drawn again, and keeps its week: `watch_track` remembers it, since rows that
come in later may lie in an earlier week.
"""

from dataclasses import asdict, dataclass, replace
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.ask_fixes import insert_wishes, make_wishes, prepare_wishes
from tasks.loop import Loop
from tasks.record_definitions import read_guideline
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, as_utc, open_warehouse, show_only


@dataclass(frozen=True)
class WatchSummary:
    """What was drawn: `drawn` samples of `tracks` that could be, `asked` of them anew, `closed` weeks.

    A person's label that is there already answers without a question. `restricted` samples nobody may be asked
    about. `late` tracks came when their week was closed, or long over: they are not drawn.
    """

    drawn: int = 0
    tracks: int = 0
    asked: int = 0
    restricted: int = 0
    late: int = 0
    closed: int = 0


def draw_watch(loop: Loop) -> WatchSummary:
    """Draw what is due of every attribute, ask, and close weeks that are done; with nothing new nothing changes.

    All of it is one transaction. `watch_per_week = 0` draws nothing, and goes on closing.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        now = max(as_utc(started_at), warehouse.read_clock())
        _make_staging(connection)
        late = sum(_stage_attribute(warehouse, one, now) for one in loop.settings.attribute.values())
        restricted = _wish_answers(warehouse)

        def insert(known_at: datetime) -> WatchSummary:
            summary = _insert_draws(connection, known_at, late, restricted)
            closed = connection.execute(
                read_sql("watch/insert_closes"),
                {"known_at": known_at, "now": now, "open_weeks": loop.settings.queue.watch_open_weeks},
            ).fetchone()
            summary = replace(summary, closed=int(closed[0]) if closed else 0)
            record_run(connection, "watch", started_at=started_at, ended_at=loop.clock(), counts=asdict(summary))
            return summary

        return warehouse.write(insert)


def _make_staging(connection: duckdb.DuckDBPyConnection) -> None:
    make_wishes(connection)
    connection.execute(
        "create or replace temp table drawn_sample (attribute varchar, week date, part integer, "
        "sample_id varchar, inclusion_probability double, track_sample_count bigint)"
    )
    connection.execute(
        "create or replace temp table eligible_once (attribute varchar, week date, part integer, "
        "recording_id varchar, object_id varchar)"
    )
    connection.execute(
        "create or replace temp table week_draw (attribute varchar, week date, part integer, track_count bigint, "
        "drawn_count bigint, inclusion_probability double, seen_until timestamptz)"
    )


def _stage_attribute(warehouse: Warehouse, attribute: AttributeSettings, now: datetime) -> int:
    """Stage what is due of an attribute; return how many tracks came too late to be drawn."""
    connection, per_week = warehouse.connection, warehouse.loop.settings.queue.watch_per_week
    which = {"attribute": attribute.name}
    window = connection.execute(read_sql("watch/find_window"), which | {"now": now}).fetchone()
    if per_week == 0 or window is None or window[0] is None:
        return 0
    days = {"first_day": window[0], "last_day": window[1]}
    connection.execute(read_sql("watch/stage_tracks"), which | days)
    connection.execute(read_sql("watch/stage_draw"), which | {"per_week": float(per_week)})
    connection.execute(read_sql("watch/choose_samples"), which)
    connection.execute(read_sql("watch/choose_tracks"), which)
    connection.execute(read_sql("watch/count_draws"), which | {"seen_until": warehouse.read_clock()})
    row = connection.execute(read_sql("watch/count_late"), which | days).fetchone()
    return int(row[0]) if row else 0


def _wish_answers(warehouse: Warehouse) -> int:
    """Want an answer for each drawn sample that needs one; return how many nobody may be asked about."""
    connection = warehouse.connection
    with show_only(warehouse, "drawn_sample"):
        for attribute in warehouse.loop.settings.attribute.values():
            guideline = read_guideline(warehouse.loop, attribute)
            connection.execute(
                read_sql("watch/wish_answers"), {"attribute": attribute.name, "guideline_sha256": guideline}
            )
    row = connection.execute("select count(*) from wanted_fix").fetchone()
    return (int(row[0]) if row else 0) - prepare_wishes(warehouse)


def _insert_draws(
    connection: duckdb.DuckDBPyConnection, known_at: datetime, late: int, restricted: int
) -> WatchSummary:
    """Insert what was staged; nothing where somebody else drew the same meanwhile: the next run looks again."""
    taken = connection.execute(read_sql("watch/count_taken")).fetchone()
    if taken and taken[0]:
        return WatchSummary()
    connection.execute(read_sql("watch/insert_samples"), {"known_at": known_at})
    connection.execute(read_sql("watch/insert_tracks"), {"known_at": known_at})
    connection.execute(read_sql("watch/insert_draws"), {"known_at": known_at})
    asked = insert_wishes(connection, known_at)
    row = connection.execute(
        "select coalesce(sum(drawn_count), 0), coalesce(sum(track_count), 0) from week_draw"
    ).fetchone()
    drawn, tracks = row or (0, 0)
    return WatchSummary(int(drawn), int(tracks), asked, restricted, late)
