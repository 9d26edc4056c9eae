"""Figures of each model on each hold-out, as rows of `evaluation`."""

from collections.abc import Iterator, Sequence

import numpy as np

from tasks.measure import Measure, measure_share
from tasks.measure_calibration import measure_calibration
from tasks.measure_confusion import measure_confusion
from tasks.measure_errors import measure_errors
from tasks.measure_slices import measure_slices
from tasks.read_outcomes import Outcomes


def measure_model(outcomes: Outcomes, role: str, critical: Sequence[str] = ()) -> Iterator[Measure]:
    """Yield all that one hold-out's labelled members say of a model.

    That is its accuracy; recall and precision per class; calibration, confusion; the errors of numbers; and by
    slice accuracy and the recall of `critical` classes.
    """
    yield from measure_shares(outcomes, role)
    answered = outcomes.answered_by(role)
    if len(answered) == 0:
        return
    if role in answered.error:
        yield from measure_errors(answered, role)
    else:
        yield from measure_calibration(answered, role)
        yield from measure_confusion(answered, role)
    yield from measure_slices(outcomes, role, critical)


def measure_shares(outcomes: Outcomes, role: str) -> Iterator[Measure]:
    """Yield a model's accuracy, and recall and precision per class, on one hold-out."""
    answered = outcomes.answered_by(role)
    hits = answered.correct[role]
    yield from measure_share(answered, "all", "accuracy", hits, np.ones(len(answered), dtype=bool))
    for label in sorted({str(truth) for truth in answered.truth if truth is not None}):
        is_label = np.asarray(answered.truth == label, dtype=bool)
        called = np.asarray(answered.predicted[role] == label, dtype=bool)
        yield from measure_share(answered, f"truth={label}", "recall", called, is_label)
        yield from measure_share(answered, f"predicted={label}", "precision", is_label, called)
