"""Two models on the same samples: the difference, its interval and a p-value; and what that says."""

import math
from dataclasses import dataclass

import numpy as np

from tasks.read_outcomes import Flags, Outcomes, take_weights
from tasks.statistics import (
    clustered_difference_interval,
    clustered_paired_test,
    mcnemar_exact,
    paired_difference_interval,
    wilson_interval,
)
from tasks.statistics_service import sampled_share_interval


@dataclass(frozen=True)
class Comparison:
    """Share of the first less share of the second, with an interval and the two-sided p of no difference."""

    estimate: float
    low: float
    high: float
    p_value: float
    count: int


def compare(outcomes: Outcomes, first: Flags, second: Flags, confidence: float) -> Comparison:
    """Compare two models' hits on `outcomes`.

    Where every group has one sample and all weigh alike: exact McNemar, and Newcombe 1998, method 10.
    Otherwise Obuchowski's clustered test and a bootstrap over groups, both with the draw's weights.
    """
    if _is_independent(outcomes):
        return _compare_independent(first, second, confidence)
    estimate, low, high = clustered_difference_interval(
        first, second, outcomes.groups, confidence, weights=outcomes.weights
    )
    p_value = max(_test_clusters(outcomes, first, second), _limit_certainty(outcomes, first, second))
    return Comparison(estimate, low, high, p_value, len(outcomes))


def _limit_certainty(outcomes: Outcomes, first: Flags, second: Flags) -> float:
    """Return the least p that an exact sign test over the groups that differ can give: few groups prove little.

    The clustered test is right for many groups; of five that all say the same the sign test gives 1/16.
    """
    _, codes = np.unique(outcomes.groups.astype(str), return_inverse=True)
    differing = np.bincount(codes, first.astype(float) - second.astype(float)) != 0
    return float(min(1.0, 2.0 * 0.5 ** int(differing.sum())))


def _test_clusters(outcomes: Outcomes, first: Flags, second: Flags) -> float:
    """Return Obuchowski's p; weighted, a cluster's sum of differences becomes its weighted sum."""
    _, codes = np.unique(outcomes.groups.astype(str), return_inverse=True)
    if outcomes.weights is None:
        _, p_value = clustered_paired_test(
            np.bincount(codes, first & ~second), np.bincount(codes, ~first & second), np.bincount(codes)
        )
        return p_value
    differences = np.bincount(codes, outcomes.weights * (first.astype(float) - second.astype(float)))
    count = len(differences)
    if count < 2 or not differences.any():
        return 1.0
    from scipy.special import chdtrc

    statistic = (count - 1) / count * differences.sum() ** 2 / (differences**2).sum()
    return float(chdtrc(1, statistic))


def measure_hits(outcomes: Outcomes, hits: Flags, confidence: float = 0.95) -> tuple[float, float, float]:
    """Return the share of hits with its interval: share, low, high.

    Wilson's where every group has one sample and all weigh alike, else by groups with the draw's weights
    (`sampled_share_interval`).
    """
    if _is_independent(outcomes):
        low, high = wilson_interval(int(hits.sum()), len(hits), confidence)
        return float(hits.mean()), low, high
    share, low, high, _ = sampled_share_interval(hits, take_weights(outcomes), outcomes.groups, confidence)
    return share, low, high


def _is_independent(outcomes: Outcomes) -> bool:
    return outcomes.weights is None and len(set(outcomes.groups.tolist())) == len(outcomes)


def _compare_independent(first: Flags, second: Flags, confidence: float) -> Comparison:
    both, neither = int(np.sum(first & second)), int(np.sum(~first & ~second))
    first_only, second_only = int(np.sum(first & ~second)), int(np.sum(~first & second))
    estimate, low, high = paired_difference_interval(both, first_only, second_only, neither, confidence)
    return Comparison(estimate, low, high, mcnemar_exact(first_only, second_only), len(first))


def samples_needed(comparison: Comparison, margin: float) -> int | None:
    """Return about how many samples would show that nothing is lost beyond `margin`, or None if none would.

    An interval narrows with the square root of the number of samples (common practice, no source).
    """
    room = comparison.estimate + margin
    width = comparison.estimate - comparison.low
    if room <= 0 or width <= 0:
        return None
    return math.ceil(comparison.count * (width / room) ** 2)
