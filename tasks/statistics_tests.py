"""Is the difference between two models more than chance? Both judged the same samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.statistics_arguments import (
    read_any_numbers,
    read_counts,
    require_count,
    require_same_length,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tasks.statistics_arguments import Floats


def mcnemar_exact(first_only: int, second_only: int) -> float:
    """Give the two-sided p-value of McNemar's exact test, for pairs that are independent of each other.

    Takes the numbers of pairs in which only the first, and only the second, was right; without any such
    pair the answer is 1. Source: McNemar Q (1947) Psychometrika 12:153-157 in its binomial form, computed
    by scipy. Raises ValueError for negative or fractional counts.
    """
    first, second = require_count("first_only", first_only), require_count("second_only", second_only)
    if first + second == 0:
        return 1.0
    from scipy.stats import binomtest

    return float(binomtest(first, first + second, 0.5).pvalue)


def clustered_paired_test(
    first_only: ArrayLike, second_only: ArrayLike, sizes: ArrayLike, method: str = "obuchowski"
) -> tuple[float, float]:
    """Test two paired shares where pairs come in clusters: chi-square statistic (1 df) and p-value.

    One entry a cluster: the pairs in which only the first, and only the second, was right, and all pairs.
    The methods are those of Obuchowski (1998) Stat Med 17:1495-1507 (pairs count equally), Durkalski et
    al. (2003) Stat Med 22:2417-2428 (clusters count equally), and Yang, Sun & Hardin (2010) Biometrical
    Journal (Obuchowski's with a variance midway between its own and the one around the observed
    difference). A cluster without pairs is left out. Where nothing can differ — one cluster, or none with
    a difference between first and second — the answer is (0, 1). All three lean on many clusters; below
    about twenty, read the p-value with care (common practice, no source). Raises ValueError for an unknown
    method, counts that are negative, fractional or exceed their cluster, or different lengths.
    """
    statistics = {"obuchowski": _compute_obuchowski, "durkalski": _compute_durkalski, "yang": _compute_yang}
    if method not in statistics:
        raise ValueError(f"method must be one of {', '.join(statistics)}, not {method!r}")
    differences, pairs = _read_clusters(first_only, second_only, sizes)
    if len(pairs) < 2 or not differences.any():
        return 0.0, 1.0
    from scipy.special import chdtrc

    statistic = statistics[method](differences, pairs)
    return statistic, float(chdtrc(1, statistic))


def holm(p_values: ArrayLike) -> tuple[float, ...]:
    """Adjust p-values for how many there are, order kept; comparing them with alpha then holds it overall.

    Source: Holm S (1979) Scandinavian Journal of Statistics 6:65-70. No p-values give none back. Raises
    ValueError for values outside 0 to 1 and for NaN.
    """
    values = read_any_numbers("p_values", p_values)
    if values.size == 0:
        return ()
    if values.min() < 0 or values.max() > 1:
        raise ValueError("every entry of p_values must be between 0 and 1")
    import numpy as np

    # statsmodels gives the same, and has every object of the process looked through for rubbish first.
    order = np.argsort(values)
    stepped = values[order] * np.arange(values.size, 0, -1)
    adjusted = np.empty(values.size)
    adjusted[order] = np.minimum(np.maximum.accumulate(stepped), 1)
    return tuple(adjusted.tolist())


def _read_clusters(first_only: ArrayLike, second_only: ArrayLike, sizes: ArrayLike) -> tuple[Floats, Floats]:
    """Take one entry a cluster as (first minus second, pairs), without clusters that have no pairs."""
    first, second = read_counts("first_only", first_only), read_counts("second_only", second_only)
    pairs = read_counts("sizes", sizes)
    require_same_length(first_only=first, second_only=second, sizes=pairs)
    if (first + second > pairs).any():
        place = int((first + second > pairs).argmax())
        raise ValueError(f"first_only + second_only must be at most sizes, but entry {place} has more")
    has_pairs = pairs > 0
    return (first - second)[has_pairs], pairs[has_pairs]


def _compute_obuchowski(differences: Floats, pairs: Floats) -> float:
    few_clusters = (len(pairs) - 1) / len(pairs)
    return float(few_clusters * differences.sum() ** 2 / (differences**2).sum())


def _compute_durkalski(differences: Floats, pairs: Floats) -> float:
    shares = differences / pairs
    return float(shares.sum() ** 2 / (shares**2).sum())


def _compute_yang(differences: Floats, pairs: Floats) -> float:
    few_clusters = (len(pairs) - 1) / len(pairs)
    around_observed = differences - pairs * differences.sum() / pairs.sum()
    spread = ((around_observed**2).sum() + (differences**2).sum()) / 2
    return float(few_clusters * differences.sum() ** 2 / spread)
