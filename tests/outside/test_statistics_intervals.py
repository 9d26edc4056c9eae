"""Intervals of shares and of differences between shares, against published values."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import binom, binomtest, multinomial

from tasks.statistics import (
    clopper_pearson_interval,
    independent_difference_interval,
    paired_difference_interval,
    wilson_interval,
)

Limits = tuple[float, float]
Cells = tuple[int, int, int, int]

FOUR_DECIMALS = 5.1e-5

# Newcombe RG (1998) Two-sided confidence intervals for the single proportion: comparison of seven methods.
# Statistics in Medicine 17:857-872, Table I. Columns: Wilson (method 3); Wilson with continuity correction
# (method 4, from memory); Clopper-Pearson (method 5, from memory).
NEWCOMBE_SINGLE = [
    ((81, 263), (0.2553, 0.3662), (0.2535, 0.3682), (0.2527, 0.3676)),
    ((0, 20), (0.0, 0.1611), (0.0, 0.2005), (0.0, 0.1684)),
]

# The same table, method 4 only (from memory).
NEWCOMBE_CORRECTED = [
    ((81, 263), (0.2535, 0.3682)),
    ((15, 148), (0.0598, 0.1644)),
    ((0, 20), (0.0, 0.2005)),
    ((1, 29), (0.0018, 0.1963)),
]

# Newcombe RG (1998) Improved confidence intervals for the difference between binomial proportions based on
# paired data. Statistics in Medicine 17:2635-2650, Table III, method 10. Cells: both, first only, second
# only, neither.
NEWCOMBE_PAIRED = [
    ((36, 12, 2, 0), (0.2, 0.0569, 0.3404)),
    ((18, 12, 2, 18), (0.2, 0.0562, 0.3290)),
    ((35, 14, 0, 1), (0.28, 0.1461, 0.4175)),
    ((2, 97, 1, 0), (0.96, 0.8721, 0.9854)),
    ((0, 29, 1, 0), (0.9333, 0.6666, 0.9882)),
    ((1, 98, 0, 1), (0.98, 0.9171, 0.9916)),
    ((54, 0, 0, 0), (0.0, -0.0664, 0.0664)),
    ((30, 0, 0, 24), (0.0, -0.0358, 0.0358)),
    ((28, 0, 0, 26), (0.0, -0.0352, 0.0352)),
]

# Tango's score interval for paired data, an independent method for the same quantity: cells, confidence,
# limits, source.
TANGO = [
    ((53, 16, 8, 9), 0.95, (-0.02, 0.207), "Agresti & Min (2005), example"),
    ((1, 1, 7, 12), 0.95, (-0.517, -0.026), "Fagerland, Lydersen & Laake (2014) Stat Med 33:2850-2875"),
    ((4, 9, 3, 16), 0.95, (-0.027, 0.39), "Tango (1998) Stat Med 17:891-908, Table VII"),
    ((43, 0, 1, 0), 0.90, (-0.096, 0.037), "Tango (1998) Stat Med 17:891-908, Table V"),
]


@pytest.mark.parametrize(("counts", "wilson", "_corrected", "_exact"), NEWCOMBE_SINGLE)
def test_wilson_gives_the_published_limits(
    counts: tuple[int, int], wilson: Limits, _corrected: Limits, _exact: Limits
) -> None:
    assert wilson_interval(*counts) == pytest.approx(wilson, abs=FOUR_DECIMALS)


@pytest.mark.parametrize(("counts", "_wilson", "_corrected", "exact"), NEWCOMBE_SINGLE)
def test_clopper_pearson_gives_the_published_limits(
    counts: tuple[int, int], _wilson: Limits, _corrected: Limits, exact: Limits
) -> None:
    assert clopper_pearson_interval(*counts) == pytest.approx(exact, abs=FOUR_DECIMALS)


@pytest.mark.parametrize(
    ("counts", "limits"),
    # Method: Clopper CJ, Pearson ES (1934) Biometrika 26:404-413; common textbook examples.
    [((10, 100), (0.049, 0.1762)), ((4, 20), (0.0573, 0.4366))],
)
def test_clopper_pearson_gives_the_textbook_limits(counts: tuple[int, int], limits: Limits) -> None:
    assert clopper_pearson_interval(*counts) == pytest.approx(limits, abs=FOUR_DECIMALS)


@pytest.mark.parametrize(("counts", "corrected"), NEWCOMBE_CORRECTED)
def test_wilson_is_the_uncorrected_interval(counts: tuple[int, int], corrected: Limits) -> None:
    """The published corrected limits lie outside ours, and are what scipy gives with the correction."""
    low, high = wilson_interval(*counts)
    assert corrected[0] <= low
    assert high < corrected[1] - 0.001
    other = binomtest(*counts).proportion_ci(method="wilsoncc")
    assert (other.low, other.high) == pytest.approx(corrected, abs=FOUR_DECIMALS)


@pytest.mark.parametrize("trials", [1, 7, 40, 263])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_both_intervals_agree_with_a_second_library(trials: int, confidence: float) -> None:
    for successes in {0, 1, trials // 2, trials - 1, trials}:
        other = binomtest(successes, trials)
        wilson = other.proportion_ci(confidence, method="wilson")
        exact = other.proportion_ci(confidence, method="exact")
        assert wilson_interval(successes, trials, confidence) == pytest.approx(tuple(wilson), abs=1e-12)
        assert clopper_pearson_interval(successes, trials, confidence) == pytest.approx(tuple(exact), abs=1e-9)


@pytest.mark.parametrize("interval", [wilson_interval, clopper_pearson_interval])
def test_limits_at_the_ends_are_exact_and_the_interval_is_mirrored(interval: Callable[..., Limits]) -> None:
    for trials in range(1, 100):
        assert interval(0, trials)[0] == 0.0
        assert interval(trials, trials)[1] == 1.0
    for successes in range(21):
        low, high = interval(successes, 20)
        mirrored_low, mirrored_high = interval(20 - successes, 20)
        assert (low, high) == pytest.approx((1 - mirrored_high, 1 - mirrored_low), abs=1e-12)


@pytest.mark.parametrize("interval", [wilson_interval, clopper_pearson_interval])
def test_limits_rise_with_successes_and_close_in_with_trials(interval: Callable[..., Limits]) -> None:
    limits = [interval(successes, 30) for successes in range(31)]
    assert all(before[0] <= after[0] and before[1] <= after[1] for before, after in pairwise(limits))
    widths = [high - low for low, high in (interval(3 * k, 10 * k) for k in (1, 2, 5, 20, 100))]
    assert widths == sorted(widths, reverse=True)
    narrow, wide = interval(3, 10, 0.8), interval(3, 10, 0.99)
    assert wide[0] < narrow[0] < 0.3 < narrow[1] < wide[1]


def test_wilson_takes_fractional_counts_between_whole_ones() -> None:
    low, high = wilson_interval(3.5, 10)
    assert wilson_interval(3, 10)[0] < low < wilson_interval(4, 10)[0]
    assert wilson_interval(3, 10)[1] < high < wilson_interval(4, 10)[1]


@pytest.mark.parametrize(("trials", "upper"), [(30, 0.095034), (100, 0.029513), (300, 0.009936)])
def test_no_event_bounds_the_rate_as_the_rule_of_three_says(trials: int, upper: float) -> None:
    """One-sided 95 % is two-sided 90 %. Hanley & Lippman-Hand (1983) JAMA 249:1743-1745 (from memory)."""
    exact = clopper_pearson_interval(0, trials, 0.90)[1]
    assert exact == pytest.approx(upper, abs=1e-6)
    assert exact == pytest.approx(3 / trials, rel=0.06)


@pytest.mark.parametrize(
    ("confidence", "reliability", "sizes"),
    # Smallest n that still shows the reliability with 0, 1, 2 and 3 failures; one-sided tolerance (Wilks)
    # tables, from memory; recomputed from the binomial.
    [
        (0.95, 0.95, (59, 93, 124, 153)),
        (0.95, 0.99, (299, 473, 628, 773)),
        (0.90, 0.90, (22, 38, 52, 65)),
        (0.95, 0.90, (29, 46, 61, 76)),
    ],
)
def test_clopper_pearson_shows_a_reliability_at_the_tabled_sizes(
    confidence: float, reliability: float, sizes: tuple[int, ...]
) -> None:
    for failures, size in enumerate(sizes):
        two_sided = 2 * confidence - 1
        assert clopper_pearson_interval(failures, size, two_sided)[1] <= 1 - reliability
        assert clopper_pearson_interval(failures, size - 1, two_sided)[1] > 1 - reliability


def test_clopper_pearson_decides_as_the_exact_test_of_one_share() -> None:
    """0.65 against 0.8 with 20 trials, one-sided 5 %: critical value, level and power.

    Source: G*Power 3.1 manual, chapter on one proportion against a constant.
    """
    rejected = [hits for hits in range(21) if clopper_pearson_interval(hits, 20, 0.90)[0] > 0.65]
    assert rejected == list(range(17, 21))
    assert binom.pmf(rejected, 20, 0.65).sum() == pytest.approx(0.044376, abs=1e-6)
    assert binom.pmf(rejected, 20, 0.80).sum() == pytest.approx(0.411449, abs=1e-6)


@pytest.mark.parametrize(
    ("share", "half_width", "trials"), [(0.5, 0.05, 385), (0.5, 0.03, 1068), (0.1, 0.03, 385)]
)
def test_wilson_is_as_narrow_as_the_sample_size_formula_promises(
    share: float, half_width: float, trials: int
) -> None:
    """Cochran WG, Sampling Techniques, chapter 4: n = z^2 p q / d^2 (from memory).

    Wilson's is narrower than that by about z^2 / 2n, half a percent here.
    """
    low, high = wilson_interval(share * trials, trials)
    assert (high - low) / 2 == pytest.approx(half_width, rel=0.01)


def test_wilson_finds_a_doubled_defect_rate_as_often_as_the_handbook_plans() -> None:
    """p = 0.10 against 0.20, one-sided 5 %, power 90 %: n = 102, or 112 with continuity correction.

    Source: NIST/SEMATECH e-Handbook, section 7.2.4.2 (from memory); exact power wavers around the plan.
    """
    power = {}
    for trials in (102, 112):
        found = [hits for hits in range(trials + 1) if wilson_interval(hits, trials, 0.90)[0] > 0.10]
        power[trials] = binom.pmf(found, trials, 0.20).sum()
    assert power[102] == pytest.approx(0.90, abs=0.02)
    assert power[112] >= 0.90


@pytest.mark.parametrize(("cells", "expected"), NEWCOMBE_PAIRED)
def test_paired_difference_gives_the_published_method_10(
    cells: Cells, expected: tuple[float, float, float]
) -> None:
    assert paired_difference_interval(*cells) == pytest.approx(expected, abs=1e-4)


def test_paired_difference_gives_the_airway_example() -> None:
    """Fagerland, Lydersen & Laake (2014) Statistics in Medicine 33:2850-2875, airway data."""
    _, low, high = paired_difference_interval(1, 1, 7, 12)
    assert (low, high) == pytest.approx((-0.507, -0.026), abs=6e-4)


def test_paired_difference_is_not_method_8() -> None:
    """Newcombe (1998) Stat Med 17:2635-2650, Table III: method 8, uncorrected, is narrower on 20/12/2/16."""
    difference, low, high = paired_difference_interval(20, 12, 2, 16)
    assert difference == pytest.approx(0.2)
    assert low < 0.0618 - FOUR_DECIMALS
    assert high > 0.3242 + FOUR_DECIMALS


@pytest.mark.parametrize(("cells", "confidence", "tango", "source"), TANGO)
def test_paired_difference_lies_near_tangos_interval(
    cells: Cells, confidence: float, tango: Limits, source: str
) -> None:
    _, low, high = paired_difference_interval(*cells, confidence)
    assert (low, high) == pytest.approx(tango, abs=0.03), source


def test_paired_difference_of_a_large_sample_nears_walds() -> None:
    """Approval of a prime minister, 794/150/86/570: difference 0.04, standard error 0.0095.

    Source: Agresti A, Categorical Data Analysis, chapter on matched pairs (from memory).
    """
    expected = (0.04, 0.0213, 0.0587)
    assert paired_difference_interval(794, 150, 86, 570) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("cells", [cells for cells, _ in NEWCOMBE_PAIRED] + [cells for cells, *_ in TANGO])
def test_paired_difference_turns_round_when_the_two_are_swapped(cells: Cells) -> None:
    both, first_only, second_only, neither = cells
    difference, low, high = paired_difference_interval(both, first_only, second_only, neither)
    swapped = paired_difference_interval(both, second_only, first_only, neither)
    assert swapped == pytest.approx((-difference, -high, -low), abs=1e-12)


def test_paired_difference_grows_with_each_sample_that_only_the_first_gets_right() -> None:
    found = [paired_difference_interval(50 - k, k, 5, 20) for k in range(50)]
    for before, after in pairwise(found):
        assert after[0] > before[0]
        assert after[1] > before[1]
        assert after[2] > before[2]


def test_paired_difference_closes_in_on_agreement_only_as_samples_grow() -> None:
    widths = []
    for samples in (1, 5, 50, 500, 5000):
        difference, low, high = paired_difference_interval(samples, 0, 0, 0)
        assert difference == 0
        widths.append(high - low)
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > 1
    assert 0 < widths[-1] < 0.002


@pytest.mark.parametrize(
    ("shares", "least", "most"),
    [
        ((0.70, 0.15, 0.05, 0.10), 0.94, 0.98),
        ((0.50, 0.20, 0.20, 0.10), 0.94, 0.98),
        ((0.25, 0.25, 0.25, 0.25), 0.94, 0.98),
        ((0.30, 0.30, 0.10, 0.30), 0.94, 0.98),
        ((0.90, 0.05, 0.03, 0.02), 0.95, 1.00),
    ],
)
def test_paired_difference_covers_the_truth_about_as_often_as_it_says(
    shares: tuple[float, ...], least: float, most: float
) -> None:
    """Exact coverage at 20 samples, over every possible outcome; with few disagreements it is cautious."""
    total = 20
    cells = [
        (both, first, second, total - both - first - second)
        for both in range(total + 1)
        for first in range(total + 1 - both)
        for second in range(total + 1 - both - first)
    ]
    probability = multinomial(total, shares).pmf(cells)
    truth = shares[1] - shares[2]
    covered = 0.0
    for cell, chance in zip(cells, probability, strict=True):
        if chance > 1e-7:
            _, low, high = paired_difference_interval(*cell)
            covered += chance * (low <= truth <= high)
    assert least <= covered <= most


def test_independent_difference_gives_the_published_hybrid_score_limits() -> None:
    """Newcombe RG (1998) Statistics in Medicine 17:873-890, Table II, example a, method 10."""
    expected = (0.2, 0.0524, 0.3339)
    assert independent_difference_interval(56, 70, 48, 80) == pytest.approx(expected, abs=FOUR_DECIMALS)


def test_independent_difference_squares_and_adds_wilson_limits() -> None:
    for hits, tries, other_hits, other_tries in [
        (9, 10, 3, 10),
        (0, 12, 5, 30),
        (7, 7, 0, 9),
        (1, 2, 40, 90),
    ]:
        difference, low, high = independent_difference_interval(hits, tries, other_hits, other_tries)
        share, other = hits / tries, other_hits / other_tries
        (low_1, high_1), (low_2, high_2) = (
            wilson_interval(hits, tries),
            wilson_interval(other_hits, other_tries),
        )
        assert difference == pytest.approx(share - other)
        assert low == pytest.approx(share - other - np.hypot(share - low_1, high_2 - other), abs=1e-12)
        assert high == pytest.approx(share - other + np.hypot(high_1 - share, other - low_2), abs=1e-12)
        swapped = independent_difference_interval(other_hits, other_tries, hits, tries)
        assert swapped == pytest.approx((-difference, -high, -low), abs=1e-12)


def test_answers_are_plain_floats() -> None:
    for answer in (
        wilson_interval(3, 9),
        clopper_pearson_interval(3, 9),
        paired_difference_interval(4, 3, 2, 1),
        independent_difference_interval(3, 9, 2, 8),
    ):
        assert isinstance(answer, tuple)
        assert [type(number) for number in answer] == [float] * len(answer)
