"""Intervals by redrawn clusters, and weighted quantiles, against statsmodels, numpy and hand-made numbers."""

import numpy as np
import pytest
import statsmodels.api as sm

from tasks.statistics_resampling import find_quantile, quantile_interval, redraw_sums, take_limits


def make_clusters(count: int, size: int) -> tuple[np.ndarray, list[str]]:
    """Values that vary between clusters as much as within."""
    rng = np.random.default_rng(5)
    values = np.repeat(rng.normal(size=count), size) + rng.normal(size=count * size)
    return values, [f"g{number // size}" for number in range(count * size)]


def test_the_interval_of_a_mean_is_that_of_cluster_robust_errors() -> None:
    """statsmodels, OLS on a constant with cov_type `cluster`, its t interval over 60 clusters of 5 and of 1."""
    for size in (5, 1):
        values, clusters = make_clusters(60, size)
        fit = sm.OLS(values, np.ones((len(values), 1))).fit(
            cov_type="cluster", cov_kwds={"groups": np.repeat(np.arange(60), size)}, use_t=True
        )
        redrawn = redraw_sums([values, np.ones(len(values))], clusters, draws=20_000)
        limits = take_limits(redrawn.sums[0] / redrawn.sums[1], redrawn.cluster_count)
        assert limits is not None
        assert limits == pytest.approx(tuple(fit.conf_int()[0]), abs=0.1 * float(fit.bse[0]))


def test_equal_input_gives_equal_limits_in_any_order_of_samples() -> None:
    values, clusters = make_clusters(20, 3)
    order = np.random.default_rng(1).permutation(len(values))
    first = redraw_sums([values], clusters, seed=3)
    second = redraw_sums([values[order]], [clusters[place] for place in order], seed=3)
    assert np.allclose(first.sums, second.sums, rtol=0, atol=1e-9)
    assert not np.allclose(first.sums, redraw_sums([values], clusters, seed=4).sums)


def test_there_are_no_limits_where_redrawing_cannot_see_any() -> None:
    one = redraw_sums([[1.0, 2.0]], ["g", "g"])
    assert take_limits(one.sums[0], one.cluster_count) is None
    same = redraw_sums([[0.0] * 8], list("abcdefgh"))
    assert take_limits(same.sums[0], same.cluster_count) is None
    assert quantile_interval([1.0] * 8, 0.9, list("abcdefgh")) is None


def test_a_quantile_is_numpys_inverted_distribution() -> None:
    """numpy.quantile, method `inverted_cdf`, which takes weights; the nine tenths of 1 to 10 is 9 by hand."""
    assert find_quantile(range(1, 11), 0.9) == 9
    assert find_quantile([3.0, 1.0], 0.5, [1, 9]) == 1
    rng = np.random.default_rng(2)
    for count in (1, 7, 50):
        values, weights = rng.normal(size=count), rng.uniform(0.1, 5, count)
        for share in (0.1, 0.5, 0.9):
            wanted = np.quantile(values, share, method="inverted_cdf", weights=weights)
            assert find_quantile(values, share, weights) == wanted
            assert find_quantile(values, share) == np.quantile(values, share, method="inverted_cdf")


def test_the_interval_of_a_quantile_covers_it_about_as_often_as_it_says() -> None:
    """The nine tenths of a standard exponential is ln 10; 100 samples, one a cluster, 200 repeats: about 95 %."""
    rng = np.random.default_rng(9)
    names = [str(number) for number in range(100)]
    held = 0
    for _ in range(200):
        limits = quantile_interval(rng.exponential(size=100), 0.9, names, draws=400)
        assert limits is not None
        held += limits[0] <= np.log(10) <= limits[1]
    assert 180 <= held <= 199


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: redraw_sums([[1.0, np.nan]], ["a", "b"]), "columns must hold finite numbers"),
        (lambda: redraw_sums([[1.0]], ["a", "b"]), "equally many entries"),
        (lambda: redraw_sums([[1.0]], [None]), "clusters must name a cluster"),
        (lambda: redraw_sums([[1.0]], ["a"], draws=0), "draws must be at least 1"),
        (lambda: find_quantile([], 0.9), "values must not be empty"),
        (lambda: find_quantile([1.0], 0.9, [-1]), "weights must be at least 0"),
        (lambda: quantile_interval([1.0], 1.0, ["a"]), "share must lie between"),
    ],
)
def test_bad_input_is_named(call: object, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        call()  # type: ignore[operator]
