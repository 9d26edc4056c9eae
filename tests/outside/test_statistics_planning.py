"""Sample sizes, against published values."""

import math
from statistics import NormalDist

import numpy as np
import pytest

from tasks.statistics import (
    clopper_pearson_interval,
    paired_difference_interval,
    pairs_needed,
    zero_failure_sample_size,
)
from tasks.statistics_planning import noninferior_pairs_needed


@pytest.mark.parametrize(
    ("confidence", "reliability", "size"),
    # Success-run theorem, n = ln(1 - C) / ln(R) rounded up; O'Connor & Kleyner, Practical Reliability
    # Engineering (from memory). 22 for 0.90 and 0.90: one-sided tolerance tables (from memory).
    [
        (0.95, 0.95, 59),
        (0.95, 0.99, 299),
        (0.95, 0.90, 29),
        (0.90, 0.95, 45),
        (0.95, 0.999, 2995),
        (0.90, 0.90, 22),
    ],
)
def test_zero_failure_size_gives_the_published_value(confidence: float, reliability: float, size: int) -> None:
    assert zero_failure_sample_size(confidence, reliability) == size


def test_zero_failure_size_is_the_smallest_that_suffices() -> None:
    for confidence in (0.5, 0.8, 0.9, 0.99, 0.999):
        for reliability in (0.1, 0.5, 0.8, 0.95, 0.995):
            size = zero_failure_sample_size(confidence, reliability)
            assert reliability**size <= (1 - confidence) * (1 + 1e-9)
            assert size == 1 or reliability ** (size - 1) > 1 - confidence


@pytest.mark.parametrize(
    ("confidence", "reliability", "size"), [(0.75, 0.5, 2), (0.875, 0.5, 3), (0.19, 0.9, 2), (0.271, 0.9, 3)]
)
def test_zero_failure_size_is_not_raised_by_rounding_error(
    confidence: float, reliability: float, size: int
) -> None:
    """1 - R^n is C exactly, by hand."""
    assert zero_failure_sample_size(confidence, reliability) == size


def test_zero_failure_size_agrees_with_the_exact_interval() -> None:
    for confidence, reliability in ((0.95, 0.95), (0.9, 0.97), (0.8, 0.99)):
        size = zero_failure_sample_size(confidence, reliability)
        assert clopper_pearson_interval(size, size, 2 * confidence - 1)[0] >= reliability
        assert clopper_pearson_interval(size - 1, size - 1, 2 * confidence - 1)[0] < reliability


def compute_connor(first_only_share: float, second_only_share: float) -> float:
    """Work Connor's formula out by itself, before rounding, for alpha 0.05 two-sided and power 0.8."""
    total, difference = first_only_share + second_only_share, first_only_share - second_only_share
    level, power = NormalDist().inv_cdf(0.975), NormalDist().inv_cdf(0.8)
    return ((level * math.sqrt(total) + power * math.sqrt(total - difference**2)) / difference) ** 2


@pytest.mark.parametrize(
    ("first_only_share", "second_only_share", "raw", "size"),
    # Connor RJ (1987) Biometrics 43:207-211, formula p. 209. The values are the formula's, worked out with
    # other libraries; Connor's own table was not at hand.
    [(0.2, 0.1, 233.0945, 234), (0.1, 0.05, 468.568, 469)],
)
def test_pairs_needed_gives_connors_number(
    first_only_share: float, second_only_share: float, raw: float, size: int
) -> None:
    assert pairs_needed(first_only_share, second_only_share) == size
    assert compute_connor(first_only_share, second_only_share) == pytest.approx(raw, abs=1e-3)


@pytest.mark.parametrize("shares", [(0.32, 0.0), (0.45, 0.05), (0.60, 0.12)])
def test_pairs_needed_rounds_up_even_a_small_remainder(shares: tuple[float, ...]) -> None:
    assert compute_connor(*shares) == pytest.approx(22.0113, abs=1e-4)
    assert pairs_needed(*shares) == 23


def test_pairs_needed_does_not_care_which_is_first() -> None:
    assert pairs_needed(0.05, 0.12) == pairs_needed(0.12, 0.05)


def test_pairs_needed_grows_with_what_is_asked() -> None:
    assert pairs_needed(0.2, 0.1, power=0.9) > pairs_needed(0.2, 0.1)
    assert pairs_needed(0.2, 0.1, alpha=0.01) > pairs_needed(0.2, 0.1)
    sizes = [pairs_needed(0.1 + gap, 0.1) for gap in (0.01, 0.02, 0.05, 0.1, 0.3)]
    assert sizes == sorted(sizes, reverse=True)


def test_pairs_needed_counts_at_least_one() -> None:
    assert pairs_needed(1.0, 0.0, alpha=0.9, power=0.1) == 1
    assert pairs_needed(1.0, 0.0) == 4
    assert type(pairs_needed(0.2, 0.1)) is int


def test_pairs_for_no_loss_follow_the_normal_approximation_and_find_it_as_often_as_planned() -> None:
    """By hand: (1.6449 + 0.8416)^2 0.1 / 0.05^2 = 247.3; and 2,000 draws of equally good models pass 80 %.

    The limit is the one that the gate looks at: the lower end of Newcombe's paired 90 % interval.
    """
    size = noninferior_pairs_needed(0.1, 0.05)
    assert size == 248
    cells = np.random.default_rng(7).multinomial(size, [0.9, 0.05, 0.05], size=2000)
    passed = [paired_difference_interval(int(a), int(b), int(c), 0, 0.9)[1] > -0.05 for a, b, c in cells]
    assert sum(passed) / len(passed) == pytest.approx(0.8, abs=0.03)
    assert noninferior_pairs_needed(0.1, 0.025) == pytest.approx(4 * size, abs=4)
    with pytest.raises(ValueError, match="margin"):
        noninferior_pairs_needed(0.1, 0.0)
