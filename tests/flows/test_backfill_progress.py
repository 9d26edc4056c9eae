"""Progress counts predictions, and an estimate of time is given only from evidence, as a range."""

from datetime import UTC, datetime, timedelta
from io import StringIO

import pytest

from flows.backfill_progress import BackfillProgress, ProgressLine, ProgressMeter, describe_progress
from tasks.backfill_case import Partition, PartitionResult
from tasks.estimate_remaining import TimedPart, estimate_remaining

DAY = datetime(2026, 5, 1, tzinfo=UTC)


class Terminal(StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_nothing_is_estimated_before_three_parts_are_timed() -> None:
    assert estimate_remaining([], 5, 500) is None
    assert estimate_remaining([TimedPart(100, 1.0)] * 2, 3, 300) is None
    assert estimate_remaining([TimedPart(100, 1.0)] * 3, 2, 200) == pytest.approx((2.0, 2.0))


def test_the_rate_is_by_size_and_not_by_parts() -> None:
    """Three small parts and a large one: by parts the large one to come would take 13 seconds."""
    done = [TimedPart(10, 1.0), TimedPart(10, 1.0), TimedPart(10, 1.0), TimedPart(500, 50.0)]
    estimate = estimate_remaining(done, 1, 500)
    assert estimate is not None
    assert sum(estimate) / 2 == pytest.approx(53.0 / 530 * 500)


def test_the_range_widens_with_the_scatter_and_is_the_ratio_estimators() -> None:
    """By hand: rate .02, scatter (1 + 0 + 1) / 2; parts of 400 to come: 8 -+ 2 sqrt(4 + 3 (400 / 300)^2)."""
    estimate = estimate_remaining([TimedPart(100, 3.0), TimedPart(100, 2.0), TimedPart(100, 1.0)], 4, 400)
    half = 2 * (4 + 3 * (400 / 300) ** 2) ** 0.5
    assert estimate == pytest.approx((max(0.0, 8 - half), 8 + half))


def test_parts_in_which_nothing_was_new_tell_nothing_of_the_others() -> None:
    parts = [Partition(DAY + timedelta(days=day), DAY + timedelta(days=day + 1), 100) for day in range(8)]
    meter = ProgressMeter(parts)
    told = [meter.note(PartitionResult(part, samples, 0, samples)) for part, samples in zip(
        parts, (0, 0, 0, 9, 9, 9, 9, 9), strict=True
    )]  # fmt: skip
    assert [progress.remaining is None for progress in told] == [True] * 5 + [False] * 3
    assert [progress.predictions_done for progress in told] == [100 * number for number in range(1, 9)]
    assert (told[-1].members, told[-1].remaining) == (45, (0.0, 0.0))
    assert " left" not in describe_progress(told[4])
    assert " left" in describe_progress(told[6])


def test_a_terminal_has_one_line_and_anything_else_a_line_now_and_then() -> None:
    def at(done: int, elapsed: float) -> BackfillProgress:
        return BackfillProgress(done, 4, done * 1000, 4000, done, elapsed, (60.0, 200.0))

    terminal, log = ProgressLine(Terminal()), ProgressLine(StringIO())
    for line in (terminal, log):
        for done, elapsed in ((1, 1.0), (2, 11.0), (3, 12.0), (4, 13.0)):
            line.show(at(done, elapsed))
        line.end_line()
    shown = terminal.stream.getvalue()  # type: ignore[attr-defined]
    assert (shown.count("\r"), shown.count("\n")) == (4, 1)
    assert log.stream.getvalue().splitlines() == [  # type: ignore[attr-defined]
        "2,000 of 4,000 predictions (50 %), 2 members, 11 s so far, about 60 s to 3 min left",
        "4,000 of 4,000 predictions (100 %), 4 members, 13 s so far",
    ]
