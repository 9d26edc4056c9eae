"""A model's accuracy, and its recall of critical classes, by the attribute's `slices`, as rows of `evaluation`."""

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from tasks.measure import Measure, measure_share
from tasks.read_outcomes import Flags, Outcomes, Texts

VALUES_AT_MOST = 50


def measure_slices(outcomes: Outcomes, role: str, critical: Sequence[str]) -> Iterator[Measure]:
    """Yield accuracy as slice `EXPRESSION=VALUE`, recall as slice `EXPRESSION=VALUE, truth=LABEL`.

    The values are chosen by all members, so that every model is measured on the same ones: the `VALUES_AT_MOST`
    most frequent, the rest as one slice `EXPRESSION: other values`. A missing value is `EXPRESSION is null`.
    """
    is_answered = np.array([answer is not None for answer in outcomes.predicted[role]], dtype=bool)
    for expression, values in outcomes.slices.items():
        for name, mask in _split(expression, values):
            yield from _measure_part(outcomes, role, name, mask & is_answered, critical)


def _split(expression: str, values: Texts) -> Iterator[tuple[str, Flags]]:
    counts = Counter(value for value in values.tolist() if value is not None)
    kept = sorted(counts, key=lambda value: (-counts[value], value))[:VALUES_AT_MOST]
    for value in sorted(kept):
        yield f"{expression}={value}", np.asarray(values == value, dtype=bool)
    is_missing = np.array([value is None for value in values], dtype=bool)
    yield f"{expression}: other values", ~is_missing & ~np.isin(values.astype(str), kept)
    yield f"{expression} is null", is_missing


def _measure_part(
    outcomes: Outcomes, role: str, name: str, mask: Flags, critical: Sequence[str]
) -> Iterator[Measure]:
    yield from measure_share(outcomes, name, "accuracy", outcomes.correct[role], mask)
    for label in critical:
        is_label = np.asarray(outcomes.truth == label, dtype=bool)
        called = np.asarray(outcomes.predicted[role] == label, dtype=bool)
        yield from measure_share(outcomes, f"{name}, truth={label}", "recall", called, mask & is_label)
