"""Drift and calibration figures, against published values."""

import numpy as np
import pytest
from scipy.spatial.distance import jensenshannon
from sklearn.metrics import brier_score_loss

from tasks.statistics import brier_score, expected_calibration_error, population_stability_index


def test_stability_index_of_three_bins() -> None:
    """Hand-checkable numbers of our own; definition: Jeffreys' divergence, sum of (a - e) ln(a / e)."""
    expected, actual = [0.5, 0.3, 0.2], [0.4, 0.35, 0.25]
    terms = [0.0223144, 0.0077075, 0.0111572]
    assert population_stability_index(expected, actual) == pytest.approx(0.0411791, abs=1e-6)
    assert population_stability_index(expected, actual) == pytest.approx(sum(terms), abs=1e-6)


def test_stability_index_of_equal_distributions_is_nothing() -> None:
    assert population_stability_index([0.25] * 4, [0.25] * 4) == pytest.approx(0, abs=1e-12)
    assert population_stability_index([10, 20, 0], [1, 2, 0]) == pytest.approx(0, abs=1e-12)


def test_stability_index_is_symmetric_and_takes_counts_or_shares() -> None:
    counts, other = [50, 30, 20], [80, 70, 50]
    found = population_stability_index(counts, other)
    assert found == pytest.approx(0.0411791, abs=1e-6)
    assert population_stability_index(other, counts) == pytest.approx(found, abs=1e-15)


def test_stability_index_stays_finite_at_an_empty_bin_and_grows_with_what_moved_there() -> None:
    found = [population_stability_index([100, 0], [100 - moved, moved]) for moved in (0, 1, 10, 50, 100)]
    assert found == sorted(found)
    assert found[0] == 0
    # (1 - 0.0001) ln(1 / 0.0001), once a bin: the floor of 0.0001 on both sides, by hand.
    assert found[-1] == pytest.approx(2 * 0.9999 * np.log(10_000))


def test_stability_index_varies_by_chance_as_published() -> None:
    """Ten bins, 1000 samples a side: 5 % of indices lie above 0.033838 though nothing moved.

    Source: Yurdakul B (2018), dissertation 3208, Western Michigan University; two thousand draws of ours.
    """
    rng = np.random.default_rng(3)
    pairs = rng.multinomial(1000, [0.1] * 10, size=(2000, 2))
    found = [population_stability_index(before, after) for before, after in pairs]
    assert np.quantile(found, 0.95) == pytest.approx(0.033838, rel=0.06)


def test_stability_index_is_near_chi_square_over_its_sample_sizes() -> None:
    """Five lots of 300 with 36, 46, 42, 63 and 38 defects: chi-square of homogeneity 12.131.

    Source: NIST/SEMATECH e-Handbook, section 7.4.6 (from memory). Good and bad parts compared over the lots.
    """
    bad = np.array([36, 46, 42, 63, 38])
    good = 300 - bad
    scaled = population_stability_index(bad, good) / (1 / bad.sum() + 1 / good.sum())
    assert scaled == pytest.approx(12.131, rel=0.08)


def test_stability_index_is_at_least_four_jensen_shannon_divergences() -> None:
    """Lin J (1991) IEEE Trans Inf Theory 37:145-151, base e: of (1, 0) and (1/2, 1/2) it is 0.2158.

    The distance, 0.4645, is its square root (scipy's reference page).
    """
    assert jensenshannon([1, 0], [0.5, 0.5]) == pytest.approx(0.46450140402245893, abs=1e-9)
    assert population_stability_index([1, 0], [0.5, 0.5]) > 4 * 0.21576155433883568
    assert population_stability_index([1, 0, 0], [0, 1, 0]) > 4 * np.log(2)
    expected, actual = [0.5, 0.3, 0.2], [0.4, 0.35, 0.25]
    assert population_stability_index(expected, actual) >= 4 * jensenshannon(expected, actual) ** 2


def test_brier_score_of_four_forecasts() -> None:
    """Brier GW (1950) Monthly Weather Review 78:1-3, binary form; example of scikit-learn's reference."""
    assert brier_score([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]) == pytest.approx(0.0375, abs=1e-12)
    assert 2 * brier_score([0.1, 0.9, 0.8, 0.3], [0, 1, 1, 0]) == pytest.approx(0.075, abs=1e-12)


def test_brier_score_knows_which_argument_is_which() -> None:
    assert brier_score([1.0, 1.0], [1, 1]) == 0
    assert brier_score([0.0, 0.25], [1, 1]) == pytest.approx((1 + 0.5625) / 2)
    assert brier_score([0.1, 0.2], [False, False]) == pytest.approx(0.025)
    probability = np.random.default_rng(1).random(50)
    outcome = probability > 0.4
    expected = np.mean((probability - outcome) ** 2)
    assert brier_score(probability, outcome) == pytest.approx(expected, abs=1e-12)
    assert brier_score_loss(outcome, probability) == pytest.approx(expected, abs=1e-12)


def test_calibration_error_of_ten_samples() -> None:
    """Guo C et al. (2017) PMLR 70:1321-1330, definition; the numbers are our own, by hand.

    At 0.9: 3 of 4 right, gap 0.15; at 0.6: 3 of 6 right, gap 0.1; 0.4 x 0.15 + 0.6 x 0.1 = 0.12.
    """
    confidence = [0.9] * 4 + [0.6] * 6
    correct = [1, 1, 1, 0, 1, 1, 1, 0, 0, 0]
    assert expected_calibration_error(confidence, correct, bins=10) == pytest.approx(0.12, abs=1e-12)
    assert expected_calibration_error(confidence, correct) == pytest.approx(0.12, abs=1e-12)


@pytest.mark.parametrize("bins", [3, 7, 10, 100])
def test_calibration_bins_include_their_upper_edge(bins: int) -> None:
    """A sample on an edge is in the bin below it: the two gaps cancel there, and do not one bin apart."""
    for edge in range(1, bins):
        confidence = edge / bins
        inside = confidence - 0.5 / bins
        together = expected_calibration_error([confidence, inside], [0, 1], bins)
        assert together == pytest.approx(abs(confidence + inside - 1) / 2, abs=1e-12)
        above = confidence + 0.5 / bins
        apart = expected_calibration_error([confidence, above], [0, 1], bins)
        assert apart == pytest.approx((confidence + 1 - above) / 2, abs=1e-12)


def test_calibration_takes_the_ends_of_the_scale() -> None:
    assert expected_calibration_error([0.0, 1.0], [0, 1]) == 0
    assert expected_calibration_error([0.0, 1.0], [1, 0]) == 1
    assert expected_calibration_error([0.2, 0.9], [0, 1], bins=1) == pytest.approx(0.05)


def test_calibration_error_of_a_calibrated_model_is_small_and_of_a_boaster_is_not() -> None:
    rng = np.random.default_rng(4)
    confidence = rng.uniform(0.5, 1, 20_000)
    assert expected_calibration_error(confidence, rng.random(20_000) < confidence) < 0.02
    boasting = expected_calibration_error(confidence, rng.random(20_000) < confidence - 0.2)
    assert boasting == pytest.approx(0.2, abs=0.02)
