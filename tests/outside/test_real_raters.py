"""Weighing answers, on real people's ratings of sentences from film reviews (`movie_ratings.md`: source, licence).

Hutto CJ, Gilbert E (2014), Eighth International Conference on Weblogs and Social Media. Labels are the ratings'
signs. A few people of each batch of 30 sentences are asked; the truth is the majority of all the others, and a
sentence on which the others have no single majority (about 1 %) is left out.
"""

import csv
import gzip
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tasks.statistics import weigh_answers
from tasks.statistics_answers import fit_accuracies

SIGNS = ("negative", "neutral", "positive")
BATCH_SIZE = 30
SEEDS = (0, 1, 2)

Codes = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Asked:
    """The answers of the people asked, coded; the truth by all others; who of them is right too seldom."""

    items: Codes
    people: Codes
    given: Codes
    truth: Codes
    is_clear: Flags
    is_poor: Flags

    def share_wrong(self, found: Codes) -> float:
        return float((found != self.truth)[self.is_clear].mean())


@cache
def read_batches() -> list[Codes]:
    """One array a batch, a row a sentence, a column a person: the sign's place in SIGNS."""
    with gzip.open(Path(__file__).with_name("movie_ratings.csv.gz"), "rt", encoding="ascii") as lines:
        rows = list(csv.DictReader(lines))
    ratings = [np.array([int(digit) - 4 for digit in row["ratings"]]) for row in rows]
    starts = range(0, len(ratings), BATCH_SIZE)
    return [np.sign(np.stack(ratings[start : start + BATCH_SIZE])) + 1 for start in starts]


def find_majority(votes: Codes) -> tuple[Codes, Flags]:
    """The most frequent code of each row, and whether it is the only one."""
    counts = np.stack([(votes == code).sum(axis=1) for code in range(len(SIGNS))], axis=1)
    return counts.argmax(axis=1), (counts == counts.max(axis=1, keepdims=True)).sum(axis=1) == 1


@cache
def ask(asked_count: int, seed: int) -> Asked:
    rng = np.random.default_rng(seed)
    given, truths, clear, poor = [], [], [], []
    for votes in read_batches():
        asked = rng.choice(votes.shape[1], asked_count, replace=False)
        truth, is_clear = find_majority(np.delete(votes, asked, axis=1))
        truths.append(truth)
        clear.append(is_clear)
        given.append(votes[:, asked])
        for person in asked:
            others, is_sure = find_majority(np.delete(votes, person, axis=1))
            poor.append((votes[:, person] == others)[is_sure].mean() < 0.75)
    items = np.repeat(np.arange(len(given) * BATCH_SIZE), asked_count)
    people = items // BATCH_SIZE * asked_count + np.arange(items.size) % asked_count
    answers = np.concatenate(given).reshape(-1)
    return Asked(items, people, answers, np.concatenate(truths), np.concatenate(clear), np.array(poor))


def find_plain_majority(asked: Asked, seed: int) -> Codes:
    """The label with most votes, one of them at random where several have as many."""
    counts = np.zeros((asked.truth.size, len(SIGNS)))
    np.add.at(counts, (asked.items, asked.given), 1)
    counts += np.random.default_rng(seed).random(counts.shape) / 2
    best: Codes = counts.argmax(axis=1)
    return best


def weigh(
    asked: Asked, method: str = "accuracy", class_shares: str = "estimated"
) -> tuple[Codes, NDArray[np.float64]]:
    rows = zip(asked.items.tolist(), asked.people.tolist(), (SIGNS[code] for code in asked.given), strict=True)
    chances, accuracy = weigh_answers(rows, SIGNS, method, class_shares=class_shares)
    best = [
        max(range(len(SIGNS)), key=lambda code: chances[item][SIGNS[code]]) for item in range(asked.truth.size)
    ]
    return np.array(best), np.array([accuracy[person] for person in range(asked.is_poor.size)])


def test_the_ratings_are_those_of_the_source() -> None:
    """353 whole batches, 198,570 ratings by 15 to 29 people: counted in the source file."""
    batches = read_batches()
    assert len(batches) == 353
    assert sum(votes.size for votes in batches) == 198_570
    assert {len(votes) for votes in batches} == {BATCH_SIZE}
    assert (min(votes.shape[1] for votes in batches), max(votes.shape[1] for votes in batches)) == (15, 29)


def test_three_raters_weighed_err_less_than_their_majority() -> None:
    """At most 4.3 % wrong, and less than the majority's 5 %, for every draw of raters."""
    for seed in SEEDS:
        asked = ask(3, seed)
        weighed = asked.share_wrong(weigh(asked)[0])
        majority = asked.share_wrong(find_plain_majority(asked, seed))
        assert 0.045 < majority < 0.056
        assert weighed <= 0.043
        assert weighed < majority - 0.005


@pytest.mark.parametrize("asked_count", [5, 7])
def test_more_raters_weighed_err_less_than_their_majority(asked_count: int) -> None:
    for seed in SEEDS:
        asked = ask(asked_count, seed)
        assert asked.share_wrong(weigh(asked)[0]) < asked.share_wrong(find_plain_majority(asked, seed)) - 0.002


def test_uniform_class_shares_err_no_more_than_the_majority() -> None:
    """As inside a case. Neutral is rarely true here (1 %) but often said, so the shares matter more than usual."""
    errors = []
    for seed in SEEDS:
        asked = ask(3, seed)
        found = fit_accuracies(asked.items, asked.people, asked.given, label_count=len(SIGNS))
        majority = find_plain_majority(asked, seed)
        errors.append((asked.share_wrong(found.posterior.argmax(axis=1)), asked.share_wrong(majority)))
    assert np.mean([weighed for weighed, _ in errors]) < np.mean([majority for _, majority in errors])


def test_full_matrices_need_more_than_thirty_answers_a_person() -> None:
    asked = ask(3, 0)
    assert asked.share_wrong(weigh(asked)[0]) < asked.share_wrong(weigh(asked, "confusion")[0])


@pytest.mark.parametrize("class_shares", ["estimated", "uniform"])
def test_seven_raters_tell_who_of_them_is_poor(class_shares: str) -> None:
    """Right less than 75 % of the time by all others; found by an estimated accuracy below 0.8."""
    for seed in SEEDS:
        asked = ask(7, seed)
        assert 0.05 < asked.is_poor.mean() < 0.09
        is_flagged = weigh(asked, class_shares=class_shares)[1] < 0.8
        found = (is_flagged & asked.is_poor).sum()
        assert found / is_flagged.sum() >= 0.7
        assert found / asked.is_poor.sum() >= 0.9
