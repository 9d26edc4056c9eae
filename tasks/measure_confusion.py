"""How often a model gave each answer to each truth, as rows of `evaluation`."""

from collections import Counter
from collections.abc import Iterator

from tasks.measure import Measure
from tasks.read_outcomes import Outcomes

PAIRS_AT_MOST = 2_500
"""Pairs stored of a model and hold-out: all that fifty classes can make; of more the most frequent."""


def measure_confusion(answered: Outcomes, role: str) -> Iterator[Measure]:
    """Yield the count of each (truth, answer) that occurred: slice `truth=person`, metric `called=crate`.

    Its n is the truth's samples. Plain counts, without the draw's weights: they say what was looked at, as
    `report/confusion.sql` does.
    """
    truths = Counter(answered.truth.tolist())
    pairs = Counter(zip(answered.truth.tolist(), answered.predicted[role].tolist(), strict=True))
    chosen = sorted(pairs, key=lambda pair: (-pairs[pair], pair))[:PAIRS_AT_MOST]
    for truth, called in sorted(chosen):
        count = pairs[truth, called]
        yield Measure(
            answered.holdout_id, f"truth={truth}", f"called={called}", float(count), None, None, truths[truth]
        )
