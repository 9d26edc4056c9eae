"""How long the rest of a piece of work takes, told from the parts that are done: as a range, or not at all."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

_PARTS_AT_LEAST = 3
_DEVIATIONS = 2.0


@dataclass(frozen=True)
class TimedPart:
    """A part that is done: how much it held, and how long it took."""

    size: int
    seconds: float


def estimate_remaining(done: Sequence[TimedPart], parts_left: int, size_left: int) -> tuple[float, float] | None:
    """Return between how many seconds the rest probably takes; None before three parts tell anything.

    The rate is that of all the work done, not a mean over parts, so that small ones count little. The range is
    two standard errors of the ratio estimator to each side (Cochran, Sampling Techniques, chapter 6; from memory):
    the parts' own scatter, and that of the rate. It takes what is left to be like what was done.
    """
    size = sum(part.size for part in done)
    if len(done) < _PARTS_AT_LEAST or size == 0:
        return None
    rate = sum(part.seconds for part in done) / size
    scatter = sum((part.seconds - rate * part.size) ** 2 for part in done) / (len(done) - 1)
    error = math.sqrt(scatter * (parts_left + len(done) * (size_left / size) ** 2))
    return max(0.0, rate * size_left - _DEVIATIONS * error), rate * size_left + _DEVIATIONS * error
