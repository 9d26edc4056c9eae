"""Tests of paired differences and corrections for several of them, against published values."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom
from statsmodels.stats.contingency_tables import mcnemar
from statsmodels.stats.multitest import multipletests

from tasks.statistics import clustered_paired_test, holm, mcnemar_exact

Numbers = NDArray[np.intp]

METHODS = ["obuchowski", "durkalski", "yang"]

# Donner & Petryshen (1989) Psychiatry Research 28:41-46, via Eliasziw & Donner (1991) Statistics in Medicine
# 10:1981-1991: one row a psychiatrist; pairs of answers (patient, psychiatrist): both yes, only the
# patient's, only the psychiatrist's, both no.
PSYCHIATRISTS = [
    (1, 0, 4, 2), (1, 1, 2, 2), (3, 1, 3, 0), (2, 1, 2, 1), (2, 0, 1, 1), (0, 3, 3, 0), (0, 3, 0, 2),
    (0, 3, 2, 3), (0, 1, 2, 1), (0, 0, 4, 3), (1, 0, 2, 0), (1, 1, 4, 0), (1, 0, 3, 3), (2, 0, 2, 2),
    (2, 0, 1, 2), (1, 0, 3, 0), (2, 0, 1, 3), (1, 0, 2, 2), (0, 3, 0, 1), (2, 1, 0, 0), (1, 1, 0, 3),
    (0, 2, 2, 0), (1, 0, 1, 2), (0, 0, 2, 0), (0, 0, 2, 1), (0, 0, 0, 2), (0, 0, 0, 2), (1, 0, 1, 1),
    (0, 0, 1, 0),
]  # fmt: skip

# Benjamini Y, Hochberg Y (1995) Journal of the Royal Statistical Society B 57:289-300, section 3.2:
# fifteen p-values, and what each correction makes of them.
FIFTEEN = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.324, 0.4262, 0.5719, 0.6528,
    0.759, 1.0,
]  # fmt: skip
BENJAMINI_HOCHBERG = [
    0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486, 0.581182, 0.714875,
    0.753231, 0.813214, 1.0,
]  # fmt: skip
HOLM = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
BONFERRONI = [
    0.0015,
    0.006,
    0.0285,
    0.1425,
    0.3015,
    0.417,
    0.447,
    0.516,
    0.6885,
    1.0,
    1.0,
    1.0,
    1.0,
    1.0,
    1.0,
]


def read_psychiatrists() -> tuple[Numbers, Numbers, Numbers]:
    cells = np.array(PSYCHIATRISTS)
    return cells[:, 1], cells[:, 2], cells.sum(axis=1)


def test_mcnemar_gives_the_exact_p_of_the_approval_data() -> None:
    """McNemar (1947) Psychometrika 12:153-157, binomial form; data: Agresti, Categorical Data Analysis."""
    assert mcnemar_exact(150, 86) == pytest.approx(3.7159e-05, abs=1e-8)


def test_mcnemar_lies_between_its_two_chi_square_approximations() -> None:
    """Uncorrected p (Agresti, as above) and Edwards' corrected p (1948) Psychometrika 13:185-187."""
    assert 3.0993e-05 < mcnemar_exact(150, 86) < 4.1146e-05


def test_mcnemar_agrees_with_a_second_library_and_when_swapped() -> None:
    for first_only in range(0, 30, 3):
        for second_only in range(1, 30, 4):
            other = mcnemar([[5, first_only], [second_only, 7]], exact=True).pvalue
            assert mcnemar_exact(first_only, second_only) == pytest.approx(other, abs=1e-12)
            assert mcnemar_exact(second_only, first_only) == mcnemar_exact(first_only, second_only)


def test_mcnemar_says_one_without_a_disagreement_and_at_a_tie() -> None:
    assert mcnemar_exact(0, 0) == 1.0
    assert mcnemar_exact(7, 7) == 1.0
    assert mcnemar_exact(0, 1) == 1.0


def test_mcnemar_falls_as_the_two_part() -> None:
    found = [mcnemar_exact(20 + step, 20 - step) for step in range(21)]
    assert found == sorted(found, reverse=True)
    assert found[-1] == pytest.approx(2 * 0.5**40)


def test_mcnemar_has_the_published_level_and_power() -> None:
    """Shares 0.32 and 0.08 of 50 pairs, one-sided 5 %: the exact unconditional power of the exact test.

    Source: G*Power 3.1 manual, McNemar chapter, after O'Brien (2002). It leaves out the tails of the outer
    sum, so its power is 1.4e-5 below the full sum, which we reach.
    """
    power = level = 0.0
    for discordant in range(1, 51):
        chance = binom.pmf(discordant, 50, 0.4)
        for smaller in range(discordant // 2 + 1):
            if 2 * smaller < discordant and mcnemar_exact(discordant - smaller, smaller) <= 0.10:
                power += chance * binom.pmf(smaller, discordant, 0.2)
                level += chance * binom.pmf(smaller, discordant, 0.5)
    assert power == pytest.approx(0.839343, abs=2e-5)
    assert power == pytest.approx(0.839357, abs=1e-6)
    assert level == pytest.approx(0.032578, abs=2e-5)


@pytest.mark.parametrize(
    ("method", "statistic"),
    # Durkalski et al. (2003) Stat Med 22:2417-2428; Obuchowski (1998) Stat Med 17:1495-1507; Yang, Sun &
    # Hardin (2010) Biometrical Journal, who print all three for these data.
    [("obuchowski", 7.19), ("durkalski", 7.542), ("yang", 8.43)],
)
def test_clustered_test_gives_the_published_statistic(method: str, statistic: float) -> None:
    first_only, second_only, sizes = read_psychiatrists()
    assert (len(sizes), sizes.sum(), first_only.sum(), second_only.sum()) == (29, 135, 21, 50)
    found, p_value = clustered_paired_test(first_only, second_only, sizes, method=method)
    assert found == pytest.approx(statistic, abs=0.006)
    assert 0.003 < p_value < 0.008


def test_clustered_test_is_obuchowskis_unless_told() -> None:
    clusters = read_psychiatrists()
    assert clustered_paired_test(*clusters) == clustered_paired_test(*clusters, method="obuchowski")


def test_ignoring_the_clusters_overstates_the_same_data() -> None:
    """McNemar's chi-square on the pooled pairs is 11.8451; every clustered statistic is below it."""
    first_only, second_only, sizes = read_psychiatrists()
    pooled = (second_only.sum() - first_only.sum()) ** 2 / (first_only.sum() + second_only.sum())
    assert pooled == pytest.approx(11.8451, abs=5e-5)
    assert all(clustered_paired_test(first_only, second_only, sizes, method)[0] < pooled for method in METHODS)


def test_clusters_of_one_pair_give_mcnemars_chi_square() -> None:
    """Agresti, Categorical Data Analysis, matched pairs: 17.3559, p 3.0993e-05 for 794/150/86/570.

    Durkalski's statistic is then McNemar's; Obuchowski's is it times (K - 1) / K.
    """
    first_only = np.repeat([0, 1, 0, 0], [794, 150, 86, 570])
    second_only = np.repeat([0, 0, 1, 0], [794, 150, 86, 570])
    sizes = np.ones(1600)
    statistic, p_value = clustered_paired_test(first_only, second_only, sizes, "durkalski")
    assert statistic == pytest.approx(17.3559, abs=5e-5)
    assert p_value == pytest.approx(3.0993e-05, abs=5e-9)
    obuchowski, _ = clustered_paired_test(first_only, second_only, sizes, "obuchowski")
    assert obuchowski == pytest.approx(statistic * 1599 / 1600)
    yang, _ = clustered_paired_test(first_only, second_only, sizes, "yang")
    assert yang == pytest.approx(obuchowski, rel=0.01)


@pytest.mark.parametrize("method", METHODS)
def test_clustered_test_does_not_care_which_is_first_or_how_clusters_are_ordered(method: str) -> None:
    first_only, second_only, sizes = read_psychiatrists()
    expected = clustered_paired_test(first_only, second_only, sizes, method)
    assert clustered_paired_test(second_only, first_only, sizes, method) == pytest.approx(expected)
    turned = clustered_paired_test(first_only[::-1].tolist(), second_only[::-1], sizes[::-1], method)
    assert turned == pytest.approx(expected)


@pytest.mark.parametrize("method", METHODS)
def test_clustered_test_leaves_out_clusters_without_pairs(method: str) -> None:
    first_only, second_only, sizes = read_psychiatrists()
    padded_first, padded_second = np.append(first_only, [0, 0]), np.append(second_only, [0, 0])
    padded_sizes = np.append(sizes, [0, 0])
    expected = clustered_paired_test(first_only, second_only, sizes, method)
    found = clustered_paired_test(padded_first, padded_second, padded_sizes, method)
    assert found == pytest.approx(expected)


@pytest.mark.parametrize("method", METHODS)
def test_clustered_test_finds_nothing_where_nothing_can_be_found(method: str) -> None:
    assert clustered_paired_test([0, 0], [0, 0], [8, 8], method) == (0.0, 1.0)
    assert clustered_paired_test([2, 3], [2, 3], [8, 8], method) == (0.0, 1.0)
    assert clustered_paired_test([7], [0], [8], method) == (0.0, 1.0)
    assert clustered_paired_test([0, 7], [0, 0], [0, 8], method) == (0.0, 1.0)


@pytest.mark.parametrize("method", METHODS)
def test_clustered_test_answers_in_plain_floats(method: str) -> None:
    statistic, p_value = clustered_paired_test(*read_psychiatrists(), method)
    assert (type(statistic), type(p_value)) == (float, float)


def test_clustered_tests_hold_their_level_where_mcnemar_does_not() -> None:
    """Forty groups of eight correlated samples, two equally good models, a thousand times at 5 %.

    In each group the disagreements lean one way or the other. The clustered tests are wrong about as often
    as they say (the standard error is 0.7 %); McNemar, which takes samples for independent, three times as
    often.
    """
    rng = np.random.default_rng(5)
    repeats, groups, size = 1000, 40, 8
    wrong = dict.fromkeys([*METHODS, "mcnemar"], 0)
    for _ in range(repeats):
        disagreements = rng.binomial(size, 0.3, groups)
        first_only = rng.binomial(disagreements, rng.beta(0.5, 0.5, groups))
        second_only = disagreements - first_only
        for method in METHODS:
            wrong[method] += clustered_paired_test(first_only, second_only, [size] * groups, method)[1] < 0.05
        wrong["mcnemar"] += mcnemar_exact(first_only.sum(), second_only.sum()) < 0.05
    assert all(0.03 <= wrong[method] / repeats <= 0.07 for method in METHODS), wrong
    assert wrong["mcnemar"] / repeats > 0.12


def test_clustered_tests_find_a_real_difference() -> None:
    rng = np.random.default_rng(6)
    disagreements = rng.binomial(8, 0.3, 40)
    first_only = rng.binomial(disagreements, rng.beta(1.5, 0.5, 40))
    for method in METHODS:
        assert clustered_paired_test(first_only, disagreements - first_only, [8] * 40, method)[1] < 0.01


def test_holm_gives_the_adjusted_values_of_the_worked_example() -> None:
    """Data: Benjamini & Hochberg (1995), above; method: Holm (1979) Scand J Statist 6:65-70."""
    adjusted = holm(FIFTEEN)
    assert adjusted == pytest.approx(HOLM, abs=1e-6)
    assert sum(p_value <= 0.05 for p_value in adjusted) == 3


def test_holm_lies_between_benjamini_hochberg_and_bonferroni() -> None:
    """The published adjusted values of the other two bracket it; both as statsmodels gives them too."""
    for low, found, high in zip(BENJAMINI_HOCHBERG, holm(FIFTEEN), BONFERRONI, strict=True):
        assert low - 1e-6 <= found <= high + 1e-6
    assert multipletests(FIFTEEN, method="fdr_bh")[1] == pytest.approx(BENJAMINI_HOCHBERG, abs=1e-6)
    assert multipletests(FIFTEEN, method="bonferroni")[1] == pytest.approx(BONFERRONI, abs=1e-6)


def test_holm_keeps_the_order_it_was_given() -> None:
    order = np.random.default_rng(2).permutation(15)
    shuffled = holm([FIFTEEN[place] for place in order])
    assert shuffled == pytest.approx([HOLM[place] for place in order], abs=1e-6)


def test_holm_gives_what_statsmodels_gives() -> None:
    drawn = np.random.default_rng(6).uniform(size=(200, 9)).round(2)  # rounded, so that some are equal
    for p_values in (*drawn, *(drawn / 20), [0.0, 1.0, 1.0], [1.0]):
        assert holm(p_values) == tuple(multipletests(p_values, method="holm")[1].tolist())


def test_holm_by_hand() -> None:
    """Three values: 0.01 x 3, then max with 0.03 x 2, then max with 0.04 x 1; own arithmetic."""
    assert holm([0.04, 0.01, 0.03]) == pytest.approx((0.06, 0.03, 0.06))
    assert holm([0.2]) == pytest.approx((0.2,))
    assert holm([]) == ()
    assert holm([0.9, 0.8]) == (1.0, 1.0)
    assert all(type(p_value) is float for p_value in holm([0.04, 0.01]))
