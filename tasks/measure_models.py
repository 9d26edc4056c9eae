"""Figures of each model on each hold-out, as rows of `evaluation`: accuracy, recall and precision."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tasks.compare_models import count_effective
from tasks.read_outcomes import Flags, Outcomes
from tasks.statistics import wilson_interval


@dataclass(frozen=True)
class Measure:
    """A share with Wilson's 95 % interval at the effective number, over `n` samples of a slice."""

    holdout_id: str
    slice: str
    metric: str
    value: float
    low: float
    high: float
    n: int


def measure_model(outcomes: Outcomes, role: str) -> Iterator[Measure]:
    """Yield a model's accuracy, and recall and precision per class, on one hold-out."""
    answered = outcomes.answered_by(role)
    hits = answered.correct[role]
    yield from _measure(answered, "all", "accuracy", hits, np.ones(len(answered), dtype=bool))
    for label in sorted({str(truth) for truth in answered.truth if truth is not None}):
        is_label = np.asarray(answered.truth == label, dtype=bool)
        called = np.asarray(answered.predicted[role] == label, dtype=bool)
        yield from _measure(answered, f"truth={label}", "recall", called, is_label)
        yield from _measure(answered, f"predicted={label}", "precision", is_label, called)


def _measure(outcomes: Outcomes, slice_name: str, metric: str, hits: Flags, counted: Flags) -> Iterator[Measure]:
    count = int(counted.sum())
    if count == 0:
        return
    weights = None if outcomes.weights is None else outcomes.weights[counted]
    share = float(np.average(hits[counted], weights=weights))
    effective = count_effective(weights, count)
    low, high = wilson_interval(min(share, 1.0) * effective, effective)
    yield Measure(outcomes.holdout_id, slice_name, metric, share, low, high, count)
