"""How far a model's numbers are off, as rows of `evaluation`."""

from collections.abc import Iterator

import numpy as np

from tasks.measure import Measure
from tasks.read_outcomes import Outcomes, take_weights
from tasks.statistics_resampling import find_quantile, quantile_interval, redraw_sums, take_limits

_TAIL = 0.9


def measure_errors(answered: Outcomes, role: str) -> Iterator[Measure]:
    """Yield mean error (above 0: too high), mean absolute and root mean squared error, and the 90th percentile.

    In the attribute's unit, with the draw's weights and intervals by a bootstrap over groups. Nothing where an
    answer is not finite.
    """
    error, weights, groups = answered.error[role], take_weights(answered), answered.groups.tolist()
    if not np.isfinite(error).all():
        return
    size = np.abs(error)
    redrawn = redraw_sums([weights, weights * error, weights * size, weights * error**2], groups)
    drawn, total = redrawn.sums, weights.sum()
    figures = (
        ("mean_error", (weights * error).sum() / total, drawn[1] / drawn[0]),
        ("mean_absolute_error", (weights * size).sum() / total, drawn[2] / drawn[0]),
        ("root_mean_squared_error", np.sqrt((weights * error**2).sum() / total), np.sqrt(drawn[3] / drawn[0])),
    )
    for metric, value, values in figures:
        limits = take_limits(values, redrawn.cluster_count)
        yield _make(answered, metric, float(value), limits)
    tail = quantile_interval(size, _TAIL, groups, weights=weights)
    yield _make(answered, "absolute_error_90th_percentile", find_quantile(size, _TAIL, weights), tail)


def _make(answered: Outcomes, metric: str, value: float, limits: tuple[float, float] | None) -> Measure:
    low, high = limits or (None, None)
    return Measure(answered.holdout_id, "all", metric, value, low, high, len(answered))
