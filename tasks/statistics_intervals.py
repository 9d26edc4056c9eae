"""Where a share, or the difference between two shares, can be believed to lie."""

from __future__ import annotations

import math

from tasks.statistics_arguments import require_between, require_count, require_successes


def wilson_interval(successes: float, trials: float, confidence: float = 0.95) -> tuple[float, float]:
    """Give Wilson's score interval of a share, without continuity correction: low, high.

    Both counts may be fractional: a weighted share times its effective sample size, and that size. Source:
    Wilson EB (1927) JASA 22:209-212, computed by statsmodels. Raises ValueError for no trials, more
    successes than trials, or a confidence outside 0 to 1.
    """
    successes, trials = require_successes(successes, trials)
    require_between("confidence", confidence)
    return _compute_interval(successes, trials, confidence, "wilson")


def clopper_pearson_interval(successes: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Give the exact interval of a share, which covers at least as often as it says: low, high.

    Source: Clopper CJ, Pearson ES (1934) Biometrika 26:404-413, computed by statsmodels. Raises ValueError
    for fractional counts, no trials, more successes than trials, or a confidence outside 0 to 1.
    """
    require_successes(successes, trials)
    require_between("confidence", confidence)
    hits, tries = require_count("successes", successes), require_count("trials", trials)
    return _compute_interval(hits, tries, confidence, "beta")


def paired_difference_interval(
    both: int, first_only: int, second_only: int, neither: int, confidence: float = 0.95
) -> tuple[float, float, float]:
    """Give the difference of two shares of the same samples (first - second) with its interval.

    Takes how many samples both, only the first, only the second and neither got right. The samples must be
    independent; for groups see `clustered_difference_interval`. Returns difference, low, high, never of
    zero width, also where the two agree throughout. Source: Newcombe RG (1998) Stat Med 17:2635-2650,
    method 10 (Wilson limits, squared and added with a correlation corrected for continuity). Raises
    ValueError for negative or fractional counts, no samples, or a confidence outside 0 to 1.
    """
    counts = {"both": both, "first_only": first_only, "second_only": second_only, "neither": neither}
    both, first_only, second_only, neither = (require_count(name, count) for name, count in counts.items())
    total = both + first_only + second_only + neither
    if total == 0:
        raise ValueError("both, first_only, second_only and neither must not all be 0")
    correlation = _estimate_correlation(both, first_only, second_only, neither)
    first, second = (both + first_only, total), (both + second_only, total)
    low, high = combine_limits(first, second, correlation, confidence)
    return (first_only - second_only) / total, low, high


def independent_difference_interval(
    successes_1: float, trials_1: float, successes_2: float, trials_2: float, confidence: float = 0.95
) -> tuple[float, float, float]:
    """Give the difference of two shares of different samples (first - second): difference, low, high.

    Source: Newcombe RG (1998) Stat Med 17:873-890, method 10 (the hybrid score interval), computed by
    statsmodels. Raises ValueError for a side without trials, more successes than trials, or a confidence
    outside 0 to 1.
    """
    hits_1, tries_1 = require_successes(successes_1, trials_1, "successes_1", "trials_1")
    hits_2, tries_2 = require_successes(successes_2, trials_2, "successes_2", "trials_2")
    require_between("confidence", confidence)
    from statsmodels.stats.proportion import confint_proportions_2indep

    low, high = confint_proportions_2indep(
        hits_1, tries_1, hits_2, tries_2, method="newcomb", compare="diff", alpha=1 - confidence
    )
    return hits_1 / tries_1 - hits_2 / tries_2, float(low), float(high)


def combine_limits(
    first: tuple[float, float], second: tuple[float, float], correlation: float, confidence: float
) -> tuple[float, float]:
    """Square and add the Wilson limits of two correlated shares into those of their difference: low, high.

    Each share is given as (successes, trials), which may be fractional. Source: Newcombe, as above.
    """
    first_share, second_share = first[0] / first[1], second[0] / second[1]
    first_low, first_high = wilson_interval(*first, confidence)
    second_low, second_high = wilson_interval(*second, confidence)
    below = _square_and_add(first_share - first_low, second_high - second_share, correlation)
    above = _square_and_add(first_high - first_share, second_share - second_low, correlation)
    difference = first_share - second_share
    return difference - below, difference + above


def _compute_interval(successes: float, trials: float, confidence: float, method: str) -> tuple[float, float]:
    """Ask statsmodels, and keep rounding from moving a limit that is exactly 0 or 1."""
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(successes, trials, alpha=1 - confidence, method=method)
    return 0.0 if successes == 0 else float(low), 1.0 if successes == trials else float(high)


def _estimate_correlation(both: int, first_only: int, second_only: int, neither: int) -> float:
    """Give method 10's phi: shrunk towards 0 by half a sample if positive, 0 where a margin is empty."""
    margins = (both + first_only) * (second_only + neither) * (both + second_only) * (first_only + neither)
    if margins == 0:
        return 0.0
    excess: float = both * neither - first_only * second_only
    if excess > 0:
        excess = max(excess - (both + first_only + second_only + neither) / 2, 0.0)
    return excess / math.sqrt(margins)


def _square_and_add(first: float, second: float, correlation: float) -> float:
    return math.sqrt(max(first**2 - 2 * correlation * first * second + second**2, 0.0))
