"""A figure of one model on one hold-out, as it stands in `evaluation`, and shares as such figures."""

from collections.abc import Iterator
from dataclasses import dataclass

from tasks.compare_models import measure_hits
from tasks.read_outcomes import Flags, Outcomes


@dataclass(frozen=True)
class Measure:
    """A figure over `n` samples of a slice, with its 95 % interval where an honest one is known."""

    holdout_id: str
    slice: str
    metric: str
    value: float
    low: float | None
    high: float | None
    n: int


def measure_share(
    outcomes: Outcomes, slice_name: str, metric: str, hits: Flags, counted: Flags
) -> Iterator[Measure]:
    """Yield the weighted share of hits among what is counted, its interval by groups (`measure_hits`).

    Nothing where nothing is counted.
    """
    count = int(counted.sum())
    if count == 0:
        return
    share, low, high = measure_hits(outcomes.choose(counted), hits[counted])
    yield Measure(outcomes.holdout_id, slice_name, metric, share, low, high, count)
