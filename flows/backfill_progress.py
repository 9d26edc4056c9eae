"""How far a backfill is: counted in predictions, timed by the parts that were matched, and shown as it goes."""

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TextIO

from tasks.backfill_case import Partition, PartitionResult
from tasks.estimate_remaining import TimedPart, estimate_remaining

_SECONDS_BETWEEN_LINES = 10.0


@dataclass(frozen=True)
class BackfillProgress:
    """How far a backfill is. `remaining` is between how many seconds the rest takes; None: nothing tells yet."""

    parts_done: int
    parts: int
    predictions_done: int
    predictions: int
    members: int
    elapsed: float
    remaining: tuple[float, float] | None


ShowProgress = Callable[[BackfillProgress], None]


@dataclass
class ProgressMeter:
    """Times one part after the other; a part in which nothing was new tells nothing of the others."""

    partitions: Sequence[Partition]
    started: float = field(default_factory=time.monotonic)
    results: list[PartitionResult] = field(default_factory=list)
    timed: list[TimedPart] = field(default_factory=list)
    _last: float = field(default_factory=time.monotonic)

    def note(self, result: PartitionResult) -> BackfillProgress:
        """Take in a part that has just been done and return how far that is."""
        now = time.monotonic()
        self.results.append(result)
        if result.samples:
            self.timed.append(TimedPart(result.partition.predictions, now - self._last))
        self._last = now
        total, done = _count(self.partitions), _count([past.partition for past in self.results])
        parts_left = len(self.partitions) - len(self.results)
        return BackfillProgress(
            len(self.results),
            len(self.partitions),
            done,
            total,
            sum(past.members for past in self.results),
            now - self.started,
            estimate_remaining(self.timed, parts_left, total - done) if parts_left else (0.0, 0.0),
        )


@dataclass
class ProgressLine:
    """Shows progress on a stream: in a terminal one line that is written over, elsewhere a line now and then."""

    stream: TextIO = field(default_factory=lambda: sys.stderr)
    last: BackfillProgress | None = None
    _told_at: float = 0.0

    def show(self, progress: BackfillProgress) -> None:
        """Show how far it is; where it is no terminal, not more often than every ten seconds, and at the end."""
        self.last = progress
        text = describe_progress(progress)
        if self.stream.isatty():
            self._write(f"\r\x1b[K{text}" + ("\n" if progress.parts_done == progress.parts else ""))
        elif progress.elapsed - self._told_at >= _SECONDS_BETWEEN_LINES or progress.parts_done == progress.parts:
            self._told_at = progress.elapsed
            self._write(f"{text}\n")

    def end_line(self) -> None:
        """Leave the line that is written over, where one stands there unfinished."""
        if self.stream.isatty() and self.last and self.last.parts_done < self.last.parts:
            self._write("\n")

    def _write(self, text: str) -> None:
        self.stream.write(text)
        self.stream.flush()


def describe_progress(progress: BackfillProgress) -> str:
    """Return progress as a line."""
    share = 100 * progress.predictions_done // max(1, progress.predictions)
    told = (
        f"{progress.predictions_done:,} of {progress.predictions:,} predictions ({share} %), "
        f"{progress.members:,} members, {show_seconds(progress.elapsed)} so far"
    )
    if progress.parts_done == progress.parts or progress.remaining is None:
        return told
    low, high = (show_seconds(seconds) for seconds in progress.remaining)
    return f"{told}, about {low} left" if low == high else f"{told}, about {low} to {high} left"


def show_seconds(seconds: float) -> str:
    """Return a span of time as people say it, as in `40 s`, `12 min` or `3 h 05 min`."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _count(partitions: Sequence[Partition]) -> int:
    return sum(partition.predictions for partition in partitions)
