"""Weighing several people's answers: published values, hand-checked ones, and what weighing must never do."""

import csv
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tasks.statistics import weigh_answers
from tasks.statistics_answers import fit_accuracies, posterior_given
from tasks.statistics_confusions import AnswerConfusions, fit_confusions

Codes = NDArray[np.int64]
Row = tuple[str, str, str]

GRADES = ("1", "2", "3", "4")

# Which grade each of the 45 patients most likely has; their counts, 18, 19, 5 and 3, are as published, the list
# is recomputed, by plain loops as well (it is the same for both public copies of the data).
LIKELIEST = "142222132243121111222222112111131224233111212"


def read_patients(*, seventh: str = "122") -> list[Row]:
    """Dawid AP, Skene AM (1979) Applied Statistics 28:20-28, Table 1: (patient, observer, grade) rows.

    The first observer graded each patient three times. Public copies differ at patient 7: 1,2,2 or 1,1,2.
    """
    rows = []
    with Path(__file__).with_name("dawid_skene_1979.csv").open(encoding="utf-8", newline="") as lines:
        for line in csv.DictReader(lines):
            patient = line.pop("patient")
            if patient == "7":
                line["first"] = seventh
            rows += [(patient, observer, grade) for observer, grades in line.items() for grade in grades]
    return rows


def fit_patients(rows: list[Row], start: NDArray[np.float64] | None = None) -> AnswerConfusions:
    observers = ("first", "second", "third", "fourth", "fifth")
    items = np.array([int(patient) - 1 for patient, _, _ in rows])
    people = np.array([observers.index(observer) for _, observer, _ in rows])
    given = np.array([GRADES.index(grade) for _, _, grade in rows])
    return fit_confusions(items, people, given, label_count=4, start=start)


def start_from_majority(rows: list[Row]) -> NDArray[np.float64]:
    votes = np.zeros((45, 4))
    for patient, _, grade in rows:
        votes[int(patient) - 1, GRADES.index(grade)] += 1
    start: NDArray[np.float64] = np.eye(4)[votes.argmax(axis=1)]
    return start


def test_class_shares_of_the_anaesthetists() -> None:
    """Dawid & Skene 1979: printed 0.40, 0.42, 0.11, 0.07; log-likelihood recomputed by others."""
    fit = fit_patients(read_patients())
    assert fit.class_share == pytest.approx([0.3996, 0.4220, 0.1118, 0.0667], abs=1e-4)
    assert fit.log_likelihood == pytest.approx(-192.891, abs=1e-3)


def test_first_observers_errors() -> None:
    """Dawid & Skene 1979, first observer, all three readings in one matrix; 0.89 is printed (from memory)."""
    published = [
        [0.8895, 0.1105, 0, 0],
        [0.0706, 0.8764, 0.0530, 0],
        [0, 0.3388, 0.6612, 0],
        [0, 0, 0.5556, 0.4444],
    ]
    assert fit_patients(read_patients()).confusion[0] == pytest.approx(np.array(published), abs=1e-4)


@pytest.mark.parametrize(("seventh", "own_cell"), [("122", 0.8895), ("112", 0.9074)])
def test_grades_of_the_forty_five_patients(seventh: str, own_cell: float) -> None:
    """Dawid & Skene 1979: 18, 19, 5 and 3 patients of the four grades, in both public copies of the data."""
    rows = read_patients(seventh=seventh)
    chances, accuracy = weigh_answers(rows, GRADES, method="confusion")
    found = "".join(max(chances[str(patient)], key=chances[str(patient)].__getitem__) for patient in range(1, 46))
    assert [found.count(grade) for grade in GRADES] == [18, 19, 5, 3]
    assert found == LIKELIEST
    assert all(sum(row.values()) == pytest.approx(1) for row in chances.values())
    fit = fit_patients(rows)
    assert fit.confusion[0, 0, 0] == pytest.approx(own_cell, abs=1e-4)
    own_cells = fit.confusion[0].diagonal()
    assert accuracy["first"] == pytest.approx(float(own_cells @ fit.class_share), abs=1e-6)


@pytest.mark.parametrize(
    ("seventh", "published", "elsewhere"), [("122", -192.891, -193.975), ("112", -190.731, -191.808)]
)
def test_start_decides_which_maximum_is_found(seventh: str, published: float, elsewhere: float) -> None:
    """The published solution is that of vote shares; from hard majorities another one is reached (recomputed)."""
    rows = read_patients(seventh=seventh)
    assert fit_patients(rows).log_likelihood == pytest.approx(published, abs=2e-3)
    other = fit_patients(rows, start_from_majority(rows))
    assert other.log_likelihood == pytest.approx(elsewhere, abs=2e-3)
    if seventh == "122":
        assert other.class_share == pytest.approx([0.3997, 0.4670, 0.1111, 0.0222], abs=1e-3)


def draw_answers(
    rng: np.random.Generator, accuracy: list[float], item_count: int, answers_each: int, label_count: int
) -> tuple[Codes, Codes, Codes, Codes]:
    """Invented answers: items, people, given, truth; everyone errs towards any other label alike."""
    truth = rng.integers(0, label_count, item_count)
    order = np.argsort(rng.random((item_count, len(accuracy))), axis=1)[:, :answers_each]
    items = np.repeat(np.arange(item_count), answers_each)
    people = order.reshape(-1)
    is_right = rng.random(items.size) < np.array(accuracy)[people]
    wrong = (truth[items] + rng.integers(1, label_count, items.size)) % label_count
    return items, people, np.where(is_right, truth[items], wrong), truth


def weigh_slowly(
    items: Codes, people: Codes, given: Codes, label_count: int, sweeps: int
) -> tuple[dict[int, list[float]], dict[int, float]]:
    """The same model in plain loops: vote shares, then accuracies and chances by turns."""
    answers = defaultdict(list)
    for item, person, label in zip(items.tolist(), people.tolist(), given.tolist(), strict=True):
        answers[item].append((person, label))
    chances = {
        item: [sum(label == code for _, label in found) / len(found) for code in range(label_count)]
        for item, found in answers.items()
    }
    accuracy: dict[int, float] = {}
    for sweep in range(sweeps + 1):
        right: dict[int, float] = defaultdict(float)
        count: dict[int, int] = defaultdict(int)
        for item, found in answers.items():
            for person, label in found:
                right[person] += chances[item][label]
                count[person] += 1
        accuracy = {p: max(1 / label_count, min(0.999, (right[p] + 9) / (count[p] + 10))) for p in count}
        if sweep == sweeps:
            break
        for item, found in answers.items():
            products = []
            for code in range(label_count):
                product = 1.0
                for person, label in found:
                    a = accuracy[person]
                    product *= a if label == code else (1 - a) / (label_count - 1)
                products.append(product)
            chances[item] = [product / sum(products) for product in products]
    return chances, accuracy


@pytest.mark.parametrize("label_count", [2, 3, 5])
def test_fit_is_that_of_plain_loops(label_count: int) -> None:
    rng = np.random.default_rng(label_count)
    items, people, given, _ = draw_answers(rng, [0.95, 0.9, 0.7, 0.5, 0.85], 40, 3, label_count)
    items, people, given = (
        np.append(codes, extra) for codes, extra in ((items, 0), (people, people[0]), (given, 1))
    )
    found = fit_accuracies(items, people, given, label_count=label_count)
    chances, accuracy = weigh_slowly(items, people, given, label_count, sweeps=found.iterations)
    assert found.posterior == pytest.approx(np.array([chances[item] for item in range(40)]), abs=1e-9)
    assert found.accuracy == pytest.approx([accuracy[person] for person in range(5)], abs=1e-9)
    assert found.right_count == pytest.approx(found.accuracy * (found.answer_count + 10) - 9)


def test_known_accuracies_multiply_up_by_hand() -> None:
    """Two of 0.9 and 0.7 who differ: 0.9 x 0.3 against 0.1 x 0.7; with a third label 0.9 x 0.15 and so on."""
    two = posterior_given([0, 0], [0, 1], [0, 1], [0.9, 0.7], label_count=2)
    assert two[0] == pytest.approx([0.27 / 0.34, 0.07 / 0.34])
    three = posterior_given([0, 0], [0, 1], [0, 1], [0.9, 0.7], label_count=3)
    products = np.array([0.9 * 0.15, 0.05 * 0.7, 0.05 * 0.15])
    assert three[0] == pytest.approx(products / products.sum())
    prior = posterior_given([0], [0], [0], [0.9], label_count=2, class_share=[0.1, 0.9])
    assert prior[0] == pytest.approx([0.5, 0.5])


def test_nobodys_answer_counts_against_its_label() -> None:
    """Below chance an accuracy weighs nothing, and the surest person is not taken as certain."""
    useless = posterior_given([0, 1], [0, 1], [0, 0], [0.1, 1.0], label_count=2)
    assert useless[0] == pytest.approx([0.5, 0.5])
    assert useless[1] == pytest.approx([0.999, 0.001])


def test_accuracies_are_recovered_and_their_labels_with_them() -> None:
    truth_of = [0.97, 0.93, 0.9, 0.8, 0.65]
    items, people, given, truth = draw_answers(np.random.default_rng(5), truth_of, 4000, 3, 3)
    found = fit_accuracies(items, people, given, label_count=3)
    assert found.accuracy == pytest.approx(truth_of, abs=0.02)
    votes = np.zeros((4000, 3))
    np.add.at(votes, (items, given), 1)
    assert (found.posterior.argmax(axis=1) == truth).mean() > (votes.argmax(axis=1) == truth).mean() + 0.008


def test_known_labels_are_held_and_tell_who_is_right() -> None:
    """Twenty known items: one person right on all, one on none; their only other item goes to the first."""
    items = np.concatenate([np.repeat(np.arange(20), 2), [20, 20]])
    people = np.tile([0, 1], 21)
    given = np.concatenate([np.tile([1, 0], 20), [0, 1]])
    truths = np.append(np.ones(20, dtype=np.int64), [-1, -1])
    found = fit_accuracies(items, people, given, label_count=2, truths=truths)
    assert found.posterior[:20, 1].tolist() == [1.0] * 20
    assert found.accuracy == pytest.approx([30 / 31, 0.5], abs=0.002)
    assert found.posterior[20, 0] > 0.95
    assert found.posterior[21].tolist() == [0.5, 0.5], "an item that nobody answered says nothing"


def test_few_answers_make_nobody_perfect() -> None:
    """As if ten more answers had been given, nine of them right: 19 of 20 after ten right ones, by hand."""
    truths = np.zeros(10, dtype=np.int64)
    found = fit_accuracies(
        np.arange(10), np.zeros(10, dtype=int), np.zeros(10, dtype=int), label_count=2, truths=truths
    )
    assert found.accuracy == pytest.approx([19 / 20])
    assert found.right_count.tolist() == [10]


def test_two_people_who_differ_decide_nothing() -> None:
    rows = [("a", "ann", "yes"), ("a", "bob", "no"), ("b", "ann", "no"), ("b", "bob", "yes")]
    chances, accuracy = weigh_answers(rows, ["yes", "no"])
    assert chances["a"] == pytest.approx({"yes": 0.5, "no": 0.5})
    assert accuracy["ann"] == pytest.approx(accuracy["bob"])


@pytest.mark.parametrize("class_shares", ["uniform", "estimated"])
def test_order_and_names_of_answers_do_not_matter(class_shares: str) -> None:
    rng = np.random.default_rng(8)
    items, people, given, _ = draw_answers(rng, [0.95, 0.9, 0.7, 0.6], 60, 3, 3)
    rows = [(f"i{i}", f"p{p}", f"l{g}") for i, p, g in zip(items, people, given, strict=True)]
    labels = ["l0", "l1", "l2"]
    chances, accuracy = weigh_answers(rows, labels, class_shares=class_shares)
    rng.shuffle(rows)
    mixed_chances, mixed_accuracy = weigh_answers(iter(rows), labels[::-1], class_shares=class_shares)
    assert mixed_accuracy == pytest.approx(accuracy, abs=1e-5)
    for item, row in chances.items():
        assert mixed_chances[item] == pytest.approx(row, abs=1e-5)


def test_class_shares_are_uniform_or_those_of_the_items() -> None:
    """Nine items in ten are of one label; a person who differs from an equal is believed by the shares alone."""
    items = np.append(np.repeat(np.arange(90), 2), [90, 90])
    people = np.tile([0, 1], 91)
    given = np.concatenate([np.repeat(np.append(np.zeros(81, dtype=int), np.ones(9, dtype=int)), 2), [0, 1]])
    uniform = fit_accuracies(items, people, given, label_count=2)
    assert uniform.class_share.tolist() == [0.5, 0.5]
    assert uniform.posterior[90] == pytest.approx([0.5, 0.5], abs=1e-6)
    estimated = fit_accuracies(items, people, given, label_count=2, class_shares="estimated")
    assert estimated.class_share == pytest.approx([0.9, 0.1], abs=0.02)
    assert estimated.posterior[90, 0] > 0.9


def test_confusions_end_where_they_no_longer_move() -> None:
    """Started again from where it ended, the EM stays there; nothing moves any more."""
    rows = read_patients()
    fit = fit_patients(rows)
    again = fit_patients(rows, fit.posterior)
    assert again.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-6)
    assert again.iterations <= 3


def test_two_hundred_thousand_answers_are_weighed_in_seconds() -> None:
    rng = np.random.default_rng(1)
    accuracy = rng.uniform(0.6, 0.98, 100).tolist()
    items, people, given, truth = draw_answers(rng, accuracy, 50_000, 4, 5)
    started = time.perf_counter()
    found = fit_accuracies(items, people, given, label_count=5)
    assert time.perf_counter() - started < 10
    assert (found.posterior.argmax(axis=1) == truth).mean() > 0.9


BAD_CODES: list[tuple[dict[str, Any], str]] = [
    ({"items": [0, 1], "annotators": [0], "given": [0, 1]}, "items has 2, annotators has 1"),
    ({"items": [], "annotators": [], "given": []}, "items must not be empty"),
    ({"items": [-1], "annotators": [0], "given": [0]}, "every entry of items must be at least 0, but .* -1"),
    ({"items": [0], "annotators": [0], "given": [2]}, "every entry of given must be at least 0 and below 2"),
    ({"items": [0], "annotators": [0.5], "given": [1]}, "annotators must hold whole numbers"),
    ({"items": [[0]], "annotators": [0], "given": [1]}, "items must be a one-dimensional series"),
    ({"items": [0], "annotators": [0], "given": [0], "label_count": 1}, "label_count must be at least 2"),
]


@pytest.mark.parametrize(("codes", "message"), BAD_CODES)
def test_bad_codes_are_refused_by_name(codes: dict[str, Any], message: str) -> None:
    arguments: dict[str, Any] = {"label_count": 2, **codes}
    with pytest.raises(ValueError, match=message):
        fit_accuracies(**arguments)
    with pytest.raises(ValueError, match=message):
        fit_confusions(**arguments)
    with pytest.raises(ValueError, match=message):
        posterior_given(**arguments, accuracy=[0.9])


def test_bad_options_are_refused_by_name() -> None:
    good: dict[str, Any] = {"items": [0, 1], "annotators": [0, 1], "given": [0, 1], "label_count": 2}
    bad_fits: list[tuple[dict[str, Any], str]] = [
        ({"truths": [0]}, "truths must have an entry for each of 2 items, not 1"),
        ({"truths": [0, 2]}, "every entry of truths must be at least -1 and below 2"),
        ({"start": [[0.5, 0.5]]}, r"start must have a row an item and a column a label: \(2, 2\)"),
        ({"start": [[0.5, 0.5], [np.nan, 1]]}, "start must hold finite numbers"),
        ({"class_shares": "known"}, "class_shares must be uniform or estimated"),
    ]
    for option, message in bad_fits:
        with pytest.raises(ValueError, match=message):
            fit_accuracies(**good, **option)
    bad_weights: list[tuple[dict[str, Any], str]] = [
        ({"accuracy": [0.9]}, "accuracy must have an entry for each of 2 people, not 1"),
        ({"accuracy": [0.9, 1.2]}, "every entry of accuracy must be between 0 and 1"),
        ({"accuracy": [0.9, np.nan]}, "accuracy must hold finite numbers"),
        ({"accuracy": [0.9, 0.9], "class_share": [1]}, "class_share must have an entry for each of 2 labels"),
    ]
    for option, message in bad_weights:
        with pytest.raises(ValueError, match=message):
            posterior_given(**good, **option)
