"""The clustered difference: what it must agree with, and how often it covers the truth."""

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t as student

from tasks.statistics import (
    clustered_difference_interval,
    effective_sample_size,
    independent_difference_interval,
    paired_difference_interval,
    wilson_interval,
)

Flags = NDArray[np.bool_]
Numbers = NDArray[np.intp]


def count_cells(first: ArrayLike, second: ArrayLike) -> tuple[int, int, int, int]:
    first, second = np.asarray(first, dtype=bool), np.asarray(second, dtype=bool)
    return (
        int((first & second).sum()),
        int((first & ~second).sum()),
        int((~first & second).sum()),
        int((~first & ~second).sum()),
    )


def draw_groups(rng: np.random.Generator, groups: int, size: int = 8) -> tuple[Flags, Flags, Numbers]:
    """Two equally good models whose errors belong to the group: invented."""
    ease, lean = rng.beta(4, 1, (groups, 1)), rng.normal(0, 0.8, (groups, 1))
    logit = np.log(ease / (1 - ease))
    first = rng.random((groups, size)) < 1 / (1 + np.exp(-logit - lean))
    second = rng.random((groups, size)) < 1 / (1 + np.exp(-logit + lean))
    return first.ravel(), second.ravel(), np.repeat(np.arange(groups), size)


def test_effective_size_counts_equal_weights_and_discounts_others() -> None:
    """Kish L (1965) Survey Sampling (from memory): (1 + 1 + 2)^2 / (1 + 1 + 4) = 16/6, by hand."""
    assert effective_sample_size([1, 1, 2]) == pytest.approx(16 / 6)
    assert effective_sample_size([0.3] * 12) == pytest.approx(12)
    assert effective_sample_size([5, 0, 0]) == pytest.approx(1)
    assert effective_sample_size([1e300, 1e300]) == pytest.approx(2)


def test_the_difference_is_that_of_the_weighted_shares() -> None:
    """Weights 1, 1, 2, 4: first right with 1 + 4 of 8, second with 1 + 2 of 8; by hand."""
    difference, low, high = clustered_difference_interval(
        [1, 0, 0, 1], [0, 1, 1, 0], ["a", "a", "b", "c"], 0.9, weights=[1, 1, 2, 4]
    )
    assert difference == pytest.approx(0.25)
    assert low < difference < high


def test_limits_match_a_t_interval_where_clusters_are_alike() -> None:
    """Equal clusters: the mean of cluster differences, whose t limits expanded percentiles stand in for."""
    rng = np.random.default_rng(8)
    first, second, clusters = draw_groups(rng, 30)
    gains = (first.astype(float) - second).reshape(30, 8).mean(axis=1)
    reach = student.ppf(0.975, 29) * gains.std(ddof=1) / np.sqrt(30)
    difference, low, high = clustered_difference_interval(first, second, clusters, 0.95, draws=20_000)
    assert difference == pytest.approx(gains.mean())
    assert (difference - low, high - difference) == pytest.approx((reach, reach), rel=0.06)


def test_equal_input_and_seed_give_equal_output_whatever_the_order_and_names() -> None:
    first, second, clusters = draw_groups(np.random.default_rng(9), 25)
    expected = clustered_difference_interval(first, second, clusters, 0.9, seed=3)
    assert clustered_difference_interval(first, second, clusters, 0.9, seed=3) == expected
    order = np.random.default_rng(1).permutation(len(first))
    names = [f"row-{24 - cluster}" for cluster in clusters[order]]
    assert clustered_difference_interval(first[order], second[order], names, 0.9, seed=3) == expected
    assert clustered_difference_interval(first, second, clusters, 0.9, seed=4) != expected


def test_swapping_the_two_turns_the_interval_round() -> None:
    first, second, clusters = draw_groups(np.random.default_rng(10), 30)
    weights = np.random.default_rng(2).uniform(1, 4, len(first))
    difference, low, high = clustered_difference_interval(
        first, second, clusters, 0.9, weights=weights, draws=20_000
    )
    swapped = clustered_difference_interval(second, first, clusters, 0.9, weights=weights, draws=20_000)
    assert swapped[0] == pytest.approx(-difference)
    assert swapped[1:] == pytest.approx((-high, -low), abs=0.05 * (high - low))


def test_scaling_all_weights_changes_nothing() -> None:
    first, second, clusters = draw_groups(np.random.default_rng(11), 20)
    weights = np.random.default_rng(3).uniform(1, 4, len(first))
    expected = clustered_difference_interval(first, second, clusters, 0.9, weights=weights)
    scaled = clustered_difference_interval(first, second, clusters, 0.9, weights=1000 * weights)
    assert scaled == pytest.approx(expected, abs=1e-9)


def test_more_confidence_is_a_wider_interval() -> None:
    first, second, clusters = draw_groups(np.random.default_rng(12), 30)
    limits = [clustered_difference_interval(first, second, clusters, level)[1:] for level in (0.8, 0.9, 0.99)]
    assert limits[2][0] < limits[1][0] < limits[0][0]
    assert limits[0][1] < limits[1][1] < limits[2][1]


@pytest.mark.parametrize("groups", [4, 40])
def test_agreement_throughout_is_no_certainty(groups: int) -> None:
    """No redrawn difference varies here; the limits are those of Newcombe's method 10 instead."""
    right = [1] * (groups * 5)
    clusters = np.repeat(np.arange(groups), 5)
    found = clustered_difference_interval(right, right, clusters, 0.95)
    assert found == pytest.approx(paired_difference_interval(groups * 5, 0, 0, 0), abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_limits_are_never_inside_those_of_independent_samples(seed: int) -> None:
    first, second, clusters = draw_groups(np.random.default_rng(seed), 15)
    _, low, high = clustered_difference_interval(first, second, clusters, 0.9)
    _, least_low, least_high = paired_difference_interval(*count_cells(first, second), 0.9)
    assert low <= least_low + 1e-12
    assert high >= least_high - 1e-12


def test_weights_make_the_least_interval_wider() -> None:
    right = [1] * 40
    _, low, _ = clustered_difference_interval(right, right, range(40), 0.95, weights=[1] * 39 + [39])
    effective = effective_sample_size([1] * 39 + [39])
    assert effective == pytest.approx(78**2 / (39 + 39**2))
    _, equal_low, _ = clustered_difference_interval(right, right, range(40), 0.95)
    assert low == pytest.approx(wilson_interval(effective, effective)[0] - 1, abs=1e-12)
    assert low < 4 * equal_low


def test_one_cluster_shows_nothing() -> None:
    found = clustered_difference_interval([1, 1, 0], [0, 1, 0], ["a"] * 3, 0.95)
    assert found == pytest.approx((1 / 3, -1.0, 1.0))
    weighted = clustered_difference_interval([1, 0], [0, 0], ["a", "b"], 0.95, weights=[1, 0])
    assert weighted == (1.0, -1.0, 1.0)


def test_shares_may_be_over_different_samples() -> None:
    """Precision of one class: 3 of 4 called by the first are right, 2 of 4 by the second; by hand."""
    truth = [1, 1, 1, 0, 0, 0, 1, 0]
    first_called = [1, 1, 1, 1, 0, 0, 0, 0]
    second_called = [0, 1, 1, 1, 1, 0, 0, 0]
    difference, low, high = clustered_difference_interval(
        truth, truth, range(8), 0.9, first_counted=first_called, second_counted=second_called
    )
    assert difference == pytest.approx(0.75 - 0.5)
    assert low < difference < high
    everything = [1] * 8
    assert clustered_difference_interval(
        first_called, second_called, range(8), 0.9, first_counted=everything, second_counted=everything
    ) == clustered_difference_interval(first_called, second_called, range(8), 0.9)


def test_shares_over_wholly_different_samples_are_independent() -> None:
    first_counted = np.repeat([1, 0], 60)
    correct = np.tile([1, 1, 1, 0, 0, 1], 20)
    found = clustered_difference_interval(
        correct, correct, range(120), 0.95, first_counted=first_counted, second_counted=1 - first_counted
    )
    least = independent_difference_interval(40, 60, 40, 60)
    assert found[0] == pytest.approx(0)
    assert found[1] <= least[1] + 1e-12
    assert found[1:] == pytest.approx(least[1:], rel=0.12)


@pytest.mark.parametrize("groups", [12, 40])
def test_the_interval_covers_as_it_says_where_independence_does_not(groups: int) -> None:
    """Three hundred invented hold-outs in groups of eight: 95 % covers 95 %, Newcombe's alone some 82 %."""
    rng = np.random.default_rng(1)
    repeats, clustered, independent = 300, 0, 0
    for _ in range(repeats):
        first, second, clusters = draw_groups(rng, groups)
        _, low, high = clustered_difference_interval(first, second, clusters, 0.95, draws=400)
        clustered += low <= 0 <= high
        _, low, high = paired_difference_interval(*count_cells(first, second))
        independent += low <= 0 <= high
    assert 0.92 <= clustered / repeats <= 0.985
    assert independent / repeats < 0.88


def test_answers_are_plain_floats() -> None:
    found = clustered_difference_interval([1, 0, 1], [0, 0, 1], np.array(["a", "b", "c"]), 0.9)
    assert [type(number) for number in found] == [float] * 3
    assert type(effective_sample_size(np.array([1, 2]))) is float


@pytest.mark.parametrize("groups", [3, 30])
def test_clusters_exactly_alike_give_the_limits_of_method_10(groups: int) -> None:
    """Nothing varies between clusters of 5 both, 2 first only, 1 second only, 2 neither."""
    first = [1] * 5 + [1] * 2 + [0] * 1 + [0] * 2
    second = [1] * 5 + [0] * 2 + [1] * 1 + [0] * 2
    clusters = np.repeat(np.arange(groups), 10)
    found = clustered_difference_interval(
        first * groups, second * groups, clusters, 0.9, weights=[7.0] * len(clusters)
    )
    expected = paired_difference_interval(5 * groups, 2 * groups, 1 * groups, 2 * groups, 0.9)
    assert found == pytest.approx(expected, abs=1e-12)


def test_draws_without_a_sample_of_a_share_are_left_out() -> None:
    """The second share is over two of twelve clusters, which every seventh draw misses."""
    counted = [1, 1] + [0] * 10
    correct = [1, 0] + [1, 0] * 5
    difference, low, high = clustered_difference_interval(correct, correct, range(12), 0.9, second_counted=counted)
    assert difference == pytest.approx(0)
    assert -1 <= low < difference < high <= 1
