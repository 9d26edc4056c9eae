"""The random watch: of known probability, asked blind and first, out of training until its week is closed."""

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any

import pytest

from tasks.assemble_training_set import AssembleSummary
from tasks.draw_watch import WatchSummary, draw_watch
from tasks.erase_recording import erase_recording
from tasks.explain_sample import explain_sample
from tasks.export_fixes import QueueFilter, export_fixes
from tasks.verify_training_set import verify_training_set

Orchard = Any
Field = Any
Row = dict[str, Any]

WEEK = "2031-05-05"  # a Monday, and later than any clock that these tests run by
_SHIFT = timedelta(days=1827)
assert _SHIFT.days % 7 == 0


def sights(field: Field, *which: Any) -> list[Row]:
    """Return samples of that week."""
    rows: list[Row] = field.sights(*which)
    return [
        row | {"observed_at": (datetime.fromisoformat(row["observed_at"]) + _SHIFT).isoformat()} for row in rows
    ]


@pytest.fixture
def at(any_orchard: Orchard) -> Callable[[int], Orchard]:
    """Return a maker of the orchard at a moment: so many days after the week's Monday."""

    def make(day: int) -> Orchard:
        moment = datetime(2031, 5, 5, 9, tzinfo=UTC) + timedelta(days=day)
        any_orchard.loop = replace(any_orchard.loop, clock=lambda: moment)
        return any_orchard

    return make


def limit(orchard: Orchard, per_week: int) -> None:
    """Set how many a week are drawn."""
    queue = replace(orchard.loop.settings.queue, watch_per_week=per_week)
    orchard.loop = replace(orchard.loop, settings=replace(orchard.loop.settings, queue=queue))


def lie(recording: str, thing: str, week: str = WEEK) -> float:
    """Return where a track lies between 0 and 1, by hashlib alone."""
    text = "\x1f".join(["watch", "obstacle", week, recording, thing])
    return int(sha256(text.encode()).hexdigest()[:12], 16) / 2**48


def draw_at(make: Callable[[int], Orchard], day: int, per_week: int) -> WatchSummary:
    """Draw at a day."""
    orchard = make(day)
    limit(orchard, per_week)
    return draw_watch(orchard.loop)


def test_a_week_is_drawn_once_and_what_comes_later_by_itself(at: Callable[[int], Orchard], field: Field) -> None:
    """A running week is not drawn; a late delivery enters with a known chance, never above the first one."""
    orchard = at(2)
    rows = field.predict(sights(field, "crate", 60, "wk"))
    orchard.pull(rows + field.predict([rows[0] | {"observed_at": "2031-05-06T06:00:00Z"}]))
    assert draw_at(at, 2, 20) == WatchSummary()
    first = draw_at(at, 8, 20)
    inside = {row["recording_id"] for row in rows if lie(row["recording_id"], "1") < 20 / 60}
    drawn = orchard.ask(
        "select recording_id, part, inclusion_probability, track_sample_count "
        "from watch_sample inner join known_sample using (sample_id)"
    )
    assert {row[0] for row in drawn} == inside and len(drawn) == len(inside) == first.drawn
    assert {row[1:3] for row in drawn} == {(1, 20 / 60)}
    assert (first.tracks, first.asked, first.closed) == (60, first.drawn, 0)
    assert orchard.ask("select cast(week as varchar), part, track_count, drawn_count from watch_draw") == [
        (WEEK, 1, 60, first.drawn)
    ]
    assert draw_at(at, 8, 20) == WatchSummary()
    late = field.predict(sights(field, "foliage", 30, "late"))
    orchard.pull(late)
    second = draw_at(at, 9, 20)
    assert (second.tracks, second.drawn) == (30, sum(lie(row["recording_id"], "1") < 20 / 90 for row in late))
    orchard.pull(field.predict(sights(field, "foliage", 200, "flood")))
    third = draw_at(at, 9, 20)
    assert third.tracks == 200
    assert third.drawn == sum(lie(f"flood-foliage-{n:03d}", "1") < 20 / 290 for n in range(200))
    assert orchard.ask("select part, inclusion_probability from watch_draw order by part") == [
        (1, 20 / 60),
        (2, 20 / 90),
        (3, 20 / 290),
    ]
    assert draw_at(at, 9, 20) == WatchSummary()


def shift(rows: list[Row], weeks: int) -> list[Row]:
    """Return the same tracks, seen so many weeks later."""
    more = timedelta(weeks=weeks)
    return [row | {"observed_at": (datetime.fromisoformat(row["observed_at"]) + more).isoformat()} for row in rows]


def test_a_track_keeps_the_week_that_it_was_first_eligible_in(at: Callable[[int], Orchard], field: Field) -> None:
    """Rows of another week, earlier or later, that come in after it do not bring it into a second draw."""
    orchard = at(8)
    orchard.pull(field.predict(sights(field, "crate", 60, "old")))
    assert draw_at(at, 8, 20).tracks == 60
    rows = sights(field, "foliage", 40, "wk")
    orchard.pull(field.predict(shift(rows, 1)))
    inside = {row["recording_id"] for row in rows if lie(row["recording_id"], "1", "2031-05-12") < 0.5}
    assert draw_at(at, 15, 20).drawn == len(inside) > 0
    orchard.pull(field.predict(rows))
    assert draw_at(at, 15, 20) == WatchSummary()
    orchard.pull(field.predict(shift(rows, 5)))
    assert draw_at(at, 45, 20) == WatchSummary()
    assert {row[0] for row in drawn_from(orchard, "2031-05-12")} == inside
    assert orchard.ask("select cast(week as varchar), part from watch_draw order by all") == [
        (WEEK, 1),
        ("2031-05-12", 1),
    ]
    kept = "select cast(week as varchar), count(*), count(distinct recording_id) from watch_track group by all"
    assert orchard.ask(f"{kept} order by all") == [(WEEK, 60, 60), ("2031-05-12", 40, 40)]


def drawn_from(orchard: Orchard, week: str) -> list[tuple[Any, ...]]:
    """Return what was drawn of a week."""
    found: list[tuple[Any, ...]] = orchard.ask(
        f"select recording_id from watch_sample inner join known_sample using (sample_id) where week = '{week}'"
    )
    return found


def test_a_track_whose_later_rows_came_first_is_drawn_all_the_same(
    at: Callable[[int], Orchard], field: Field
) -> None:
    """It was known before its week's draw, but not in that week: it is new there once its rows are."""
    rows = sights(field, "foliage", 10, "wk")
    orchard = at(8)
    orchard.pull(field.predict(sights(field, "crate", 60, "old") + shift(rows, 1)))
    assert draw_at(at, 8, 20).tracks == 60
    orchard.pull(field.predict(rows))
    found = draw_at(at, 14, 20)  # the later week is over too
    assert (found.tracks, found.late) == (10, 0)
    assert found.drawn == sum(lie(row["recording_id"], "1") < 20 / 70 for row in rows)
    assert draw_at(at, 15, 20) == WatchSummary()


def test_its_questions_are_blind_and_first_and_need_none_where_a_person_has_said(
    at: Callable[[int], Orchard], field: Field
) -> None:
    """A person's label answers without a question, a machine's does not; the week's budget is not touched."""
    orchard = at(2)
    rows = sights(field, "crate", 6, "wk")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows[:2]))
    orchard.pull([row | {"origin": "machine"} for row in field.label(rows[2:4])])
    limit(orchard, 50)
    queue = replace(orchard.loop.settings.queue, per_week=0)
    orchard.loop = replace(orchard.loop, settings=replace(orchard.loop.settings, queue=queue))
    orchard = at(8)
    found = draw_watch(orchard.loop)
    assert (found.drawn, found.asked) == (6, 4)
    asked = orchard.ask(
        "select recording_id, reason, priority, case_name from open_fix as o "
        "inner join known_sample using (sample_id) inner join fix_request as r using (fix_id, reason) "
        "order by all"
    )
    assert asked == [(f"wk-crate-{n:03d}", "watch", 180.0, None) for n in range(2, 6)]
    handed = orchard.loop.folder / "handed.jsonl"
    assert export_fixes(orchard.loop, handed, QueueFilter(), is_open=False).questions == 4
    told = [json.loads(line) for line in handed.read_text(encoding="utf-8").splitlines()]
    assert all(row[name] is None for row in told for name in ("predicted", "current_label", "reason", "priority"))


def test_what_may_not_be_queued_is_told_and_not_asked(make_orchard: Callable[..., Orchard], field: Field) -> None:
    """It stays in the draw, so that the probabilities still hold, and its week does not wait for it."""
    forbid = '\n[[restriction]]\nwhere = "unit_id = \'cart-7\'"\nnever = ["queue"]\n'
    orchard = make_orchard(field.settings + forbid)
    rows = field.sights("crate", 4, "wk")
    orchard.pull(field.predict([row | {"unit_id": "cart-7" if n else "cart-1"} for n, row in enumerate(rows)]))
    assert draw_watch(orchard.loop) == WatchSummary(drawn=4, tracks=4, asked=1, restricted=3)
    orchard.answer()
    assert draw_watch(orchard.loop).closed == 1


def test_it_trains_nothing_until_its_week_is_closed(at: Callable[[int], Orchard], field: Field) -> None:
    """Closing is a fact: a version made before it stays what it was, and one made after holds the samples."""
    orchard = at(8)
    rows = sights(field, "crate", 12, "wk")
    orchard.pull(field.label(sights(field, "person", 8, "old") + sights(field, "foliage", 8, "old")))
    orchard.pull(field.predict(rows))
    limit(orchard, 6)
    found = draw_watch(orchard.loop)
    orchard.pull(field.label(rows))
    inside = {row["recording_id"] for row in rows if lie(row["recording_id"], "1") < 0.5}
    assert found.drawn == len(inside) > 0
    first: AssembleSummary = orchard.assemble()
    assert (first.row_count, first.left_out_by_why["watch_open"]) == (28 - len(inside), len(inside))
    sample_id = orchard.number("select min(sample_id) from watch_sample")
    told = explain_sample(orchard.loop, sample_id)
    assert "random watch" in str(told.presence.reasons[0].words), told.presence
    orchard.answer("crate")
    assert draw_at(at, 9, 6).closed == 0  # late files may still come
    assert draw_at(at, 15, 6).closed == 1
    assert orchard.ask("select because from watch_close") == [
        (f"nobody is asked about its {len(inside)} samples any more",)
    ]
    orchard.pull(field.predict(sights(field, "person", 3, "late")))
    assert draw_at(at, 15, 6) == WatchSummary(late=3)
    second: AssembleSummary = orchard.assemble()
    assert (second.row_count, second.left_out_by_why.get("watch_open", 0)) == (28, 0)
    for version in (first.version, second.version):
        assert verify_training_set(orchard.loop, version).is_equal
    past: AssembleSummary = orchard.assemble(as_of=orchard.number("select min(known_at) from watch_sample"))
    assert past.left_out_by_why.get("watch_open", 0) == 0


def test_a_week_whose_questions_nobody_answers_is_closed_all_the_same(
    at: Callable[[int], Orchard], field: Field
) -> None:
    """After `watch_open_weeks` its samples are no longer held back; the questions stay open."""
    at(2).pull(field.predict(sights(field, "crate", 5, "wk")))
    assert draw_at(at, 8, 50).asked == 5
    assert draw_at(at, 8 + 55, 50).closed == 0
    assert draw_at(at, 8 + 56, 50).closed == 1
    orchard = at(65)
    assert orchard.number("select because from watch_close").startswith("5 of its 5 samples lacked an answer")
    limit(orchard, 0)
    assert draw_watch(orchard.loop) == WatchSummary()


def test_an_erased_recording_leaves_the_watch(at: Callable[[int], Orchard], field: Field) -> None:
    """Its row goes; the draw's counts stay, so that the others' probabilities go on being true."""
    orchard = at(2)
    orchard.pull(field.predict(sights(field, "crate", 5, "wk")))
    draw_at(at, 8, 50)
    erase_recording(orchard.loop, "wk-crate-000")
    assert orchard.number("select count(*) from watch_sample") == 4
    assert sorted(orchard.ask("select recording_id from watch_track")) == [
        (f"wk-crate-{n:03d}",) for n in range(1, 5)
    ]
    assert orchard.ask("select track_count, drawn_count from watch_draw") == [(5, 5)]
    assert orchard.number("select count(*) from open_fix") == 4


def test_two_who_draw_at_once_draw_one_week(at: Callable[[int], Orchard], field: Field) -> None:
    """Whoever comes second finds the week drawn; no sample is drawn or asked about twice."""
    orchard = at(8)
    orchard.pull(field.predict(sights(field, "crate", 40, "wk")))
    limit(orchard, 20)
    with ThreadPoolExecutor(2) as pool:
        done = list(pool.map(draw_watch, [orchard.loop, orchard.loop]))
    assert sorted(one.drawn > 0 for one in done) == [False, True]
    drawn = sum(one.drawn for one in done)
    assert orchard.ask("select part, drawn_count from watch_draw") == [(1, drawn)]
    assert orchard.ask("select count(*), count(distinct sample_id) from watch_sample") == [(drawn, drawn)]
    assert orchard.number("select count(*) from label_fix") == drawn


def test_hold_outs_are_traffic_and_their_labels_answer_without_a_question(
    at: Callable[[int], Orchard], field: Field
) -> None:
    """A reserved group can be drawn; what a frozen hold-out holds is not asked again, and none of it trains."""
    orchard = at(8)
    held, free = sights(field, "crate", 4, "held"), sights(field, "foliage", 4, "free")
    orchard.pull(field.predict(held + free))
    orchard.pull(field.label(held))
    assert orchard.hold(held).missing == 0
    found = draw_watch(orchard.loop)
    assert (found.drawn, found.asked) == (8, 4)
    assert orchard.ask(
        "select distinct reason, recording_id like 'free-%' from open_fix join known_sample using (sample_id)"
    ) == [("watch", True)]
    orchard.pull(field.label(free + sights(field, "person", 2, "old")))
    assert orchard.assemble(is_dry_run=True).left_out_by_why == {"reserved": 4, "watch_open": 4}


def test_a_draw_that_is_killed_before_its_end_leaves_nothing(at: Callable[[int], Orchard], field: Field) -> None:
    """Samples, draw and questions come together or not at all, and the next run draws the very same."""
    orchard = at(8)
    orchard.pull(field.predict(sights(field, "crate", 40, "wk")))
    limit(orchard, 20)
    ticks = iter(range(10))
    clock = orchard.loop.clock

    def stop_late() -> datetime:
        """The clock is asked for the last time by the run's record, within the transaction."""
        if next(ticks) >= 2:
            raise KeyboardInterrupt
        return clock()

    with pytest.raises(KeyboardInterrupt):
        draw_watch(replace(orchard.loop, clock=stop_late))
    tables = ("watch_draw", "watch_sample", "label_fix", "fix_request")
    assert all(orchard.number(f"select count(*) from {table}") == 0 for table in tables)
    assert draw_watch(orchard.loop).drawn == sum(lie(f"wk-crate-{n:03d}", "1") < 0.5 for n in range(40))
