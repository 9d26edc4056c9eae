"""Figures of a model on a hold-out: by hand, and against scikit-learn and numpy."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from sklearn.metrics import (
    brier_score_loss,
    confusion_matrix,
    mean_absolute_error,
    mean_squared_error,
    recall_score,
)

from tasks.measure import Measure
from tasks.measure_confusion import PAIRS_AT_MOST
from tasks.measure_models import measure_model
from tasks.measure_seeds import measure_seeds
from tasks.measure_slices import VALUES_AT_MOST
from tasks.measure_tracks import TrackAnswers, measure_stability
from tasks.read_outcomes import Outcomes
from tasks.statistics import wilson_interval

ROLE = "candidate"


def texts(values: Sequence[str | None]) -> Any:
    return np.array(values, dtype=object)


def make(
    truth: Sequence[str],
    called: Sequence[str | None],
    confidence: Sequence[float] | None = None,
    *,
    groups: Sequence[str] | None = None,
    weights: Sequence[float] | None = None,
    slices: dict[str, Sequence[str | None]] | None = None,
) -> Outcomes:
    """Outcomes of one model on a hold-out of classes."""
    names = [f"s{number:04d}" for number in range(len(truth))]
    told = [np.nan] * len(truth) if confidence is None else confidence
    return Outcomes(
        "h",
        texts(names),
        texts(groups or names),
        texts(truth),
        {ROLE: texts(called)},
        {ROLE: np.asarray(texts(called) == texts(truth), dtype=bool)},
        None if weights is None else np.asarray(weights, dtype=float),
        {ROLE: np.asarray(told, dtype=float)},
        {},
        {expression: texts(values) for expression, values in (slices or {}).items()},
    )


def find(outcomes: Outcomes, critical: Sequence[str] = ()) -> dict[tuple[str, str], Measure]:
    measures = list(measure_model(outcomes, ROLE, critical))
    found = {(one.slice, one.metric): one for one in measures}
    assert len(found) == len(measures), "a row of its own each"
    return found


def test_calibration_is_of_the_confidence_in_the_answer_given() -> None:
    """By hand: right at .9, right at .7, wrong at .6, wrong at .8: squares .01 .09 .36 .64, gaps of one each."""
    found = find(make(["a", "b", "a", "b"], ["a", "b", "b", "a"], [0.9, 0.7, 0.6, 0.8]))
    assert found["all", "brier_score"].value == pytest.approx((0.01 + 0.09 + 0.36 + 0.64) / 4)
    error = found["all", "expected_calibration_error"]
    assert error.value == pytest.approx((0.1 + 0.3 + 0.6 + 0.8) / 4)
    assert (error.low, error.high, error.n) == (None, None, 4)


def test_calibration_counts_the_draws_weights_and_groups() -> None:
    rng = np.random.default_rng(8)
    told, weights = rng.uniform(0.4, 1, 300), rng.uniform(1, 5, 300)
    called = ["a" if right else "b" for right in rng.random(300) < told]
    alone = make(["a"] * 300, called, told.tolist(), weights=weights.tolist())
    score = find(alone)["all", "brier_score"]
    hits = np.array([one == "a" for one in called])
    assert score.value == pytest.approx(brier_score_loss(hits, told, sample_weight=weights))
    assert score.low is not None and score.high is not None
    assert score.low < score.value < score.high
    together = [f"g{number // 30}" for number in range(300)]
    order = np.argsort(np.abs(told - hits))
    grouped = make(
        ["a"] * 300,
        [called[place] for place in order],
        told[order].tolist(),
        weights=weights[order].tolist(),
        groups=together,
    )
    wide = find(grouped)["all", "brier_score"]
    assert wide.value == pytest.approx(score.value)
    assert wide.low is not None and wide.high is not None
    assert wide.high - wide.low > 2 * (score.high - score.low), "samples of a group say the same"


def test_without_every_confidence_there_is_no_calibration() -> None:
    found = find(make(["a", "b", "b"], ["a", "b", "a"], [0.9, np.nan, 0.8]))
    assert {metric for _, metric in found} & {"brier_score", "expected_calibration_error"} == set()
    assert ("all", "accuracy") in found
    unanswered = find(make(["a", "b", "b"], ["a", None, "a"], [0.9, np.nan, 0.8]))
    assert unanswered["all", "brier_score"].n == 2, "no answer is no missing confidence"


def test_the_confusion_is_scikit_learns() -> None:
    rng = np.random.default_rng(6)
    labels = ["a", "b", "c"]
    truth, called = [rng.choice(labels, 200).tolist() for _ in range(2)]
    found = find(make(truth, called))
    matrix = confusion_matrix(truth, called, labels=labels)
    for row, is_label in enumerate(labels):
        for column, called_label in enumerate(labels):
            one = found[f"truth={is_label}", f"called={called_label}"]
            assert (one.value, one.n, one.low) == (matrix[row, column], matrix[row].sum(), None)
    for label, recall in zip(labels, recall_score(truth, called, average=None, labels=labels), strict=True):
        cell = found[f"truth={label}", f"called={label}"]
        assert cell.value / cell.n == pytest.approx(recall) == found[f"truth={label}", "recall"].value


def test_a_confusion_of_many_classes_keeps_the_most_frequent_pairs() -> None:
    truth = [f"t{number:04d}" for number in range(PAIRS_AT_MOST + 20)]
    called = [*truth[:-1], truth[0]]
    found = find(make([*truth, "t0005"], [*called, "t0005"]))
    cells = {key: one for key, one in found.items() if key[1].startswith("called=")}
    assert len(cells) == PAIRS_AT_MOST
    assert cells["truth=t0005", "called=t0005"].value == 2


def test_slices_have_accuracy_and_the_recall_of_critical_classes() -> None:
    truth = ["person", "person", "crate", "crate", "person", "crate"]
    called = ["person", "crate", "crate", "crate", "person", None]
    light = ["dusk", "dusk", "dusk", "noon", None, "noon"]
    found = find(make(truth, called, slices={"light": light}), ["person"])
    shown = {key: (one.value, one.n) for key, one in found.items() if key[0].startswith("light")}
    assert shown == {
        ("light=dusk", "accuracy"): (pytest.approx(2 / 3), 3),
        ("light=dusk, truth=person", "recall"): (0.5, 2),
        ("light=noon", "accuracy"): (1.0, 1),
        ("light is null", "accuracy"): (1.0, 1),
        ("light is null, truth=person", "recall"): (1.0, 1),
    }
    dusk = found["light=dusk", "accuracy"]
    assert (dusk.low, dusk.high) == pytest.approx(wilson_interval(2, 3))


def test_of_many_values_the_rarest_are_one_slice() -> None:
    values = [f"v{number:03d}" for number in range(VALUES_AT_MOST + 10)] + ["v055", "other values", None]
    found = find(make(["a"] * len(values), ["a"] * (len(values) - 3) + ["b"] * 3, slices={"unit_id": values}))
    names = [name for name, metric in found if name.startswith("unit_id") and metric == "accuracy"]
    assert len(names) == VALUES_AT_MOST + 2
    rest = found["unit_id: other values", "accuracy"]
    assert rest.n == VALUES_AT_MOST + 11 - VALUES_AT_MOST
    assert (found["unit_id=v055", "accuracy"].value, found["unit_id=v055", "accuracy"].n) == (0.5, 2)
    assert found["unit_id is null", "accuracy"].value == 0


def make_numbers(
    truth: Any, predicted: Any, groups: Sequence[str] | None = None, weights: Any | None = None
) -> Outcomes:
    count = len(truth)
    names = [f"s{number:04d}" for number in range(count)]
    error = np.asarray(predicted, dtype=float) - np.asarray(truth, dtype=float)
    return Outcomes(
        "h",
        texts(names),
        texts(groups or names),
        texts([None] * count),
        {ROLE: np.array(predicted, dtype=object)},
        {ROLE: np.abs(error) <= 0.5},
        weights,
        {ROLE: np.full(count, np.nan)},
        {ROLE: error},
    )


def test_errors_of_numbers_by_hand_and_by_libraries() -> None:
    """By hand: errors 1, -1, 3, 0, 2: mean 1, mean absolute 1.4, root of 15 / 5, nine tenths of them at most 3."""
    found = find(make_numbers([0, 1, 2, 3, 4], [1, 0, 5, 3, 6]))
    assert found["all", "mean_error"].value == pytest.approx(1)
    assert found["all", "mean_absolute_error"].value == pytest.approx(1.4)
    assert found["all", "root_mean_squared_error"].value == pytest.approx(np.sqrt(3))
    assert found["all", "absolute_error_90th_percentile"].value == 3
    assert {metric for _, metric in found} == {
        "accuracy",
        "mean_error",
        "mean_absolute_error",
        "root_mean_squared_error",
        "absolute_error_90th_percentile",
    }
    rng = np.random.default_rng(4)
    truth, weights = rng.normal(size=200), rng.uniform(1, 3, 200)
    predicted = truth + rng.normal(0.3, 1, 200)
    drawn = find(make_numbers(truth, predicted, [f"g{number // 4}" for number in range(200)], weights))
    wanted = {
        "mean_error": np.average(predicted - truth, weights=weights),
        "mean_absolute_error": mean_absolute_error(truth, predicted, sample_weight=weights),
        "root_mean_squared_error": np.sqrt(mean_squared_error(truth, predicted, sample_weight=weights)),
        "absolute_error_90th_percentile": np.quantile(
            np.abs(predicted - truth), 0.9, method="inverted_cdf", weights=weights
        ),
    }
    for metric, value in wanted.items():
        one = drawn["all", metric]
        assert one.value == pytest.approx(value), metric
        assert one.low is not None and one.high is not None
        assert one.low < one.value < one.high


def test_stability_of_tracks_by_hand() -> None:
    """Answers a b a a (2 flips of 3, settled after 2 steps) and c c (none, 0): means 33.3 and 1."""
    tracks = [TrackAnswers("g1", None, 4, 2, 2), TrackAnswers("g2", None, 2, 0, 0)]
    flips, lasting = measure_stability("h", tracks)
    assert (flips.metric, flips.value, flips.n) == ("flips_per_hundred_steps", pytest.approx(100 / 3), 2)
    assert (lasting.metric, lasting.value) == ("steps_to_lasting_answer", 1)
    weighted = [TrackAnswers("g1", 0.25, 4, 2, 2), TrackAnswers("g2", 1.0, 2, 0, 0)]
    flips, lasting = measure_stability("h", weighted)
    assert (flips.value, lasting.value) == (pytest.approx((4 * 200 / 3) / 5), pytest.approx(4 * 2 / 5))
    steady = list(measure_stability("h", [TrackAnswers(f"g{number}", None, 5, 0, 0) for number in range(9)]))
    assert [(one.value, one.low, one.high) for one in steady] == [(0, None, None)] * 2


def test_seeds_are_told_one_by_one_and_by_how_far_apart_they_lie() -> None:
    truth = ["person"] * 4 + ["crate"] * 4
    judged = {"case": make(truth, ["person"] * 4 + ["crate"] * 4)}
    worse = make(truth, ["person", "crate", "crate", "crate", *["crate"] * 4])
    other = make(truth, ["person", "person", "crate", "crate", *["crate"] * 4])
    found = {
        (one.slice, one.metric): one
        for one in measure_seeds(judged, {2: {"case": worse}, 3: {"case": other}}, ROLE)
    }
    assert {key: (one.value, one.n) for key, one in found.items()} == {
        ("seed=2", "accuracy"): (5 / 8, 8),
        ("seed=2, truth=person", "recall"): (0.25, 4),
        ("seed=2, truth=crate", "recall"): (1, 4),
        ("seed=3", "accuracy"): (6 / 8, 8),
        ("seed=3, truth=person", "recall"): (0.5, 4),
        ("seed=3, truth=crate", "recall"): (1, 4),
        ("all", "seed_spread"): (3 / 8, 3),
        ("truth=person", "seed_spread"): (0.75, 3),
        ("truth=crate", "seed_spread"): (0, 3),
    }
    assert list(measure_seeds(judged, {}, ROLE)) == []
