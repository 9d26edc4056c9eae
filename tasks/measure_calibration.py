"""How far a model's confidence can be believed, as rows of `evaluation`."""

from collections.abc import Iterator

import numpy as np

from tasks.measure import Measure
from tasks.read_outcomes import Outcomes, take_weights
from tasks.statistics import brier_score, expected_calibration_error
from tasks.statistics_resampling import redraw_sums, take_limits


def measure_calibration(answered: Outcomes, role: str) -> Iterator[Measure]:
    """Yield the Brier score and the expected calibration error of the given answers, with the draw's weights.

    Nothing where a single answer came without a confidence: those that have one may be another kind of sample. The
    calibration error has no interval: noise only ever adds to a sum of gaps, so redrawn ones lie too high.
    """
    told, hits = answered.confidence.get(role), answered.correct[role].astype(float)
    if told is None or np.isnan(told).any():
        return
    weights = take_weights(answered)
    score = brier_score(told, hits, weights=weights)
    redrawn = redraw_sums([weights * (told - hits) ** 2, weights], answered.groups.tolist())
    low, high = take_limits(redrawn.sums[0] / redrawn.sums[1], redrawn.cluster_count) or (None, None)
    yield Measure(answered.holdout_id, "all", "brier_score", score, low, high, len(answered))
    gap = expected_calibration_error(told, hits, weights=weights)
    yield Measure(answered.holdout_id, "all", "expected_calibration_error", gap, None, None, len(answered))
