"""Figures from service against published values, libraries, and a population whose share is known."""

import math

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable, Table2x2

from tasks.statistics import (
    dispersion_scale,
    overdispersion_test,
    pooled_risk_ratio,
    sampled_share_interval,
)

# Thirteen trials of a vaccine against tuberculosis: cases and people, vaccinated and not. Colditz GA et al. (1994)
# JAMA 271:698-702; Mantel-Haenszel risk ratio on the log scale -0.4537 (-0.5308 to -0.3766) as printed in the
# documentation of the R package metafor, rma.mh (from memory).
VACCINE = [
    (4, 123, 11, 139),
    (6, 306, 29, 303),
    (3, 231, 11, 220),
    (62, 13598, 248, 12867),
    (33, 5069, 47, 5808),
    (180, 1541, 372, 1451),
    (8, 2545, 10, 629),
    (505, 88391, 499, 88391),
    (29, 7499, 45, 7277),
    (17, 1716, 65, 1665),
    (186, 50634, 141, 27338),
    (5, 2498, 3, 2341),
    (27, 16913, 29, 17854),
]


def test_the_pooled_ratio_is_the_published_one() -> None:
    logs = [math.log(value) for value in pooled_risk_ratio(VACCINE)]
    assert [round(value, 4) for value in logs] == [-0.4537, -0.5308, -0.3766]


def test_the_pooled_ratio_is_statsmodels_own_and_of_one_stratum_the_plain_one() -> None:
    """Deaths under tolbutamide and placebo by age: Rothman KJ, Epidemiology: An Introduction, table 10-3."""
    deaths = [(8, 106, 5, 120), (22, 98, 16, 85)]
    tables = [[[a, n - a], [b, m - b]] for a, n, b, m in deaths]
    ratio, low, high = pooled_risk_ratio(deaths, 0.90)
    assert ratio == pytest.approx(StratifiedTable([np.array(table) for table in tables]).riskratio_pooled)
    assert (round(ratio, 2), round(low, 2), round(high, 2)) == (1.33, 0.87, 2.03)
    plain = Table2x2(np.array(tables[1]))
    assert pooled_risk_ratio(deaths[1:]) == pytest.approx((plain.riskratio, *plain.riskratio_confint()))
    wider = pooled_risk_ratio(deaths, 0.90, scale=4.0)
    assert math.log(wider[2] / wider[1]) == pytest.approx(2 * math.log(high / low))


def test_a_side_without_errors_has_an_open_end() -> None:
    ratio, low, high = pooled_risk_ratio([(0, 40, 6, 40), (0, 10, 1, 10), (3, 9, 0, 0)])
    assert (ratio, low) == (0.0, 0.0) and 0.05 < high < 1.0
    assert pooled_risk_ratio([(6, 40, 0, 40)])[::2] == (math.inf, math.inf)
    with pytest.raises(ValueError, match="without one there is no ratio"):
        pooled_risk_ratio([(0, 4, 0, 4)])
    with pytest.raises(ValueError, match="both sides have tracks"):
        pooled_risk_ratio([(1, 4, 0, 0)])


def test_over_dispersion_is_tested_and_measured_as_published() -> None:
    """Tarone's z as `Tarone.test` of the R package stackoverflow prints it for its own example (2.5988).

    The ratio of variances from Wetherill GB, Brown DW (1991) Statistical Process Control, pp. 212-213, as
    printed in the documentation of the R package qcc, qccOverdispersionTest (0.7644566; the last digits
    rounded).
    """
    trials = (30, 32, 40, 28, 29, 35, 30, 34, 31, 39)
    counts = (9, 10, 22, 15, 8, 19, 16, 19, 15, 10)
    z, p = overdispersion_test(list(zip(counts, trials, strict=True)))
    assert (round(z, 4), round(p, 4)) == (2.5988, 0.0047)
    faulty = [12, 11, 18, 11, 10, 16, 9, 11, 14, 15, 11, 9, 10, 13, 12]
    faulty += [8, 12, 13, 10, 12, 13, 16, 12, 18, 16, 10, 16, 10, 12, 14]
    assert dispersion_scale([(x, 50) for x in faulty]) == pytest.approx(0.7644566, abs=1e-6)
    with pytest.raises(ValueError, match="two tracks"):
        overdispersion_test([(0, 1), (1, 1)])
    with pytest.raises(ValueError, match="two clusters"):
        dispersion_scale([(0, 3), (0, 2)], [(1, 3)])


def test_the_watch_estimates_the_field_without_bias_and_covers_as_it_says() -> None:
    """Tracks of 120 recordings with errors that cluster, drawn with two probabilities; late logs are worse.

    95 % intervals of 600 draws: within 4 standard errors of a share of .95 (0.0089) at the lower end; they may
    cover more. Each draw has a field of its own, since what is estimated is the share that recordings like
    these have.
    """
    rng = np.random.default_rng(7)
    hits, errors, plain = 0, [], []
    for _ in range(600):
        recording = np.repeat(np.arange(120), 20)
        is_late = np.repeat(rng.random(120) < 0.3, 20)
        chance = np.repeat(rng.beta(2, 18, 120), 20) + 0.2 * is_late
        wrong = rng.random(2400) < chance
        probability = np.where(is_late, 0.05, 0.2)
        drawn = rng.random(2400) < probability
        share, low, high, _ = sampled_share_interval(
            wrong[drawn], 1 / probability[drawn], recording[drawn].tolist()
        )
        hits += low <= 0.16 <= high
        errors.append(share - 0.16)
        plain.append(wrong[drawn].mean() - 0.16)
    assert abs(np.mean(errors)) < 4 * np.std(errors) / math.sqrt(600)
    assert np.mean(plain) < -0.02  # unweighted it would be biased
    assert 0.95 - 4 * 0.0089 < hits / 600 <= 1.0, hits


def test_a_share_without_errors_has_room_for_some() -> None:
    share, low, high, number = sampled_share_interval([0] * 40, [1.0] * 40, [n % 10 for n in range(40)])
    assert (share, low, number) == (0.0, 0.0, 10.0) and high > 0.2
    assert sampled_share_interval([1, 0], [1.0, 1.0], ["a", "a"]) == (0.5, 0.0, 1.0, 1.0)
