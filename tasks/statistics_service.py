"""Error shares from a random sample of served traffic, and how they compare between two model versions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tasks.statistics_arguments import (
    read_amounts,
    read_outcomes,
    require_amount,
    require_between,
    require_same_length,
    require_successes,
)
from tasks.statistics_clusters import effective_sample_size
from tasks.statistics_intervals import wilson_interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from tasks.statistics_arguments import Floats

Stratum = tuple[float, float, float, float]
"""Errors and tracks of the first side, errors and tracks of the second."""


def sampled_share_interval(
    outcomes: ArrayLike,
    weights: ArrayLike,
    clusters: Sequence[object] | NDArray[np.generic],
    confidence: float = 0.95,
) -> tuple[float, float, float, float]:
    """Give a share in the whole that a sample was drawn from: share, low, high, effective number of samples.

    One entry a sample: 1 or 0, the inverse of its inclusion probability, and its cluster. The share is the
    weighted mean (Hajek's estimator). Its variance is that of cluster totals, linearised; the effective number
    of samples is what independent ones would need for the same variance, at most Kish's, and is lowered for few
    clusters by the squared ratio of t quantiles (Korn EL, Graubard BI (1998) Survey Methodology 24:193-201).
    Wilson's limits are then taken at that number (compared with others in Franco et al. (2019) J Surv Stat
    Methodol 7:334-364; both from memory). Where no sample or every one is a 1, nothing tells how clusters vary:
    then they count as one sample each. A single cluster gives 0 to 1. Raises ValueError for outcomes other than
    0 and 1, negative weights, different lengths, or a confidence outside 0 to 1.
    """
    outcome, weight = read_outcomes("outcomes", outcomes), read_amounts("weights", weights)
    require_same_length(outcomes=outcome, weights=weight, clusters=clusters)
    require_between("confidence", confidence)
    share = min(float((weight * outcome).sum() / weight.sum()), 1.0)
    totals = _add_up(weight, clusters)
    if len(totals) == 1:
        return share, 0.0, 1.0, 1.0
    number = _count_effective(outcome, weight, clusters, share, totals, confidence)
    low, high = wilson_interval(share * number, number, confidence)
    return share, low, high, number


def _count_effective(
    outcome: Floats,
    weight: Floats,
    clusters: Sequence[object] | NDArray[np.generic],
    share: float,
    totals: Floats,
    confidence: float,
) -> float:
    from scipy.special import stdtrit

    if share in (0.0, 1.0):
        return effective_sample_size(totals)
    pulls = _add_up(weight * (outcome - share), clusters) / weight.sum()
    count = len(totals)
    variance = count / (count - 1) * float((pulls**2).sum())
    tail = (1 - confidence) / 2
    few = float(stdtrit(len(outcome) - 1, tail) / stdtrit(count - 1, tail)) ** 2
    kish = effective_sample_size(weight)
    return kish if variance == 0 else max(1.0, min(kish, few * share * (1 - share) / variance))


def _add_up(values: Floats, clusters: Sequence[object] | NDArray[np.generic]) -> Floats:
    """Give the sum of each cluster's values, in the order in which clusters come."""
    import numpy as np

    numbers: dict[object, int] = {}
    places = np.array([numbers.setdefault(name, len(numbers)) for name in list(clusters)], dtype=np.intp)
    return np.asarray(np.bincount(places, weights=values), dtype=np.float64)


def pooled_risk_ratio(
    strata: Sequence[Stratum], confidence: float = 0.95, *, scale: float = 1.0
) -> tuple[float, float, float]:
    """Give the ratio of two error shares (first / second) within strata: ratio, low, high.

    The Mantel-Haenszel ratio with the interval of Greenland S, Robins JM (1985) Biometrics 41:55-68, for
    shares. `scale` widens the variance where errors vary more than binomially (quasi-likelihood: McCullagh P,
    Nelder JA (1989) Generalized Linear Models, 4.5; from memory). A stratum in which one side has no track says
    nothing. Where a side has no error at all, half an error and one track are added to each side of every
    stratum that tells something (common practice, no source), for the limits alone. Raises ValueError where no
    stratum has both sides,
    for more errors than tracks, for no error on either side, a scale below 1, or a confidence outside 0 to 1.
    """
    require_between("confidence", confidence)
    if require_amount("scale", scale) < 1:
        raise ValueError(f"scale must be at least 1, not {scale!r}")
    told = [_read_stratum(stratum) for stratum in strata if stratum[1] > 0 and stratum[3] > 0]
    if not told:
        raise ValueError("strata must hold one in which both sides have tracks")
    first, second = (sum(stratum[side] for stratum in told) for side in (0, 2))
    if first + second == 0:
        raise ValueError("strata must hold an error: without one there is no ratio")
    above, below, _ = _sum_strata(told)
    ratio = above / below if below > 0 else math.inf
    if first == 0 or second == 0:
        told = [(a + 0.5, n + 1, b + 0.5, m + 1) for a, n, b, m in told]
    above, below, spread = _sum_strata(told)
    width = _normal_quantile(confidence) * math.sqrt(scale * spread / (above * below))
    low, high = above / below * math.exp(-width), above / below * math.exp(width)
    return ratio, (0.0 if first == 0 else low), (math.inf if second == 0 else high)


def _read_stratum(stratum: Stratum) -> Stratum:
    first = require_successes(stratum[0], stratum[1], "first errors", "first tracks")
    second = require_successes(stratum[2], stratum[3], "second errors", "second tracks")
    return (*first, *second)


def _sum_strata(strata: Sequence[Stratum]) -> tuple[float, float, float]:
    above = sum(a * m / (n + m) for a, n, b, m in strata)
    below = sum(b * n / (n + m) for a, n, b, m in strata)
    spread = sum((n * m * (a + b) - a * b * (n + m)) / (n + m) ** 2 for a, n, b, m in strata)
    return above, below, spread


def _normal_quantile(confidence: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(1 - (1 - confidence) / 2))


def overdispersion_test(*sides: Sequence[tuple[int, int]]) -> tuple[float, float]:
    """Test whether errors vary between clusters more than binomially: z, one-sided p.

    Each side has a share of errors of its own and is a series of (errors, tracks), a pair a cluster. Source:
    Tarone RE (1979) Biometrika 66:585-590, whose statistic is summed over the sides. Raises ValueError where no
    cluster has two tracks, or a side's tracks are all errors or none is on every side: nothing could vary.
    """
    from scipy.special import ndtr

    total, expected, spread = 0.0, 0.0, 0.0
    for side, share in _read_sides(sides):
        total += sum((x - n * share) ** 2 for x, n in side) / (share * (1 - share))
        expected += sum(n for _, n in side)
        spread += sum(n * (n - 1) for _, n in side)
    if spread == 0:
        raise ValueError("sides must hold errors, not of every track, and a cluster of two tracks")
    z = (total - expected) / math.sqrt(2 * spread)
    return z, float(1 - ndtr(z))


def dispersion_scale(*sides: Sequence[tuple[int, int]]) -> float:
    """Give how many times more errors vary between clusters than binomially: Pearson's chi-squared by its degrees.

    Takes what `overdispersion_test` takes. Source: McCullagh & Nelder (1989), 4.5 (from memory). Raises
    ValueError where a side with errors, not of every track, has no two clusters.
    """
    statistic, degrees = 0.0, 0
    for side, share in _read_sides(sides):
        statistic += sum((x - n * share) ** 2 / (n * share * (1 - share)) for x, n in side)
        degrees += len(side) - 1
    if degrees == 0:
        raise ValueError("sides must hold errors, not of every track, in two clusters of a side")
    return statistic / degrees


def _read_sides(
    sides: Sequence[Sequence[tuple[int, int]]],
) -> list[tuple[list[tuple[float, float]], float]]:
    """Give the sides on which something can vary, each with its share of errors."""
    read = []
    for side in sides:
        pairs = [require_successes(x, n, "errors", "tracks") for x, n in side]
        errors, tracks = sum(x for x, _ in pairs), sum(n for _, n in pairs)
        if 0 < errors < tracks:
            read.append((pairs, errors / tracks))
    return read
