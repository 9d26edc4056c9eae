"""Weighing the answers of several people to one question by how often each of them is right.

One accuracy a person, fitted by EM: the model of Dawid AP, Skene AM (1979) Applied Statistics 28:20-28, with each
person's errors tied to one number, which few answers can tell. The likelihood can have several maxima, so the
start is fixed: the share of votes that each label got on an item. Then the same answers always give the same
weights. Loads numpy; import it where it is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tasks.statistics_answer_codes import (
    CodedAnswers,
    Floats,
    Places,
    read_answers,
    read_codes,
    scale_scores,
    start_posterior,
    sum_votes,
)
from tasks.statistics_arguments import read_amounts, read_shares

_CLASS_SHARES = ("uniform", "estimated")
_MOST_SWEEPS = 1000
_SMALLEST_CHANGE = 1e-6
_PRIOR_RIGHT = 9.0
_PRIOR_WRONG = 1.0
_LARGEST_ACCURACY = 0.999


@dataclass(frozen=True)
class AnswerWeights:
    """What one accuracy a person makes of their answers.

    `accuracy`: an entry a person, smoothed, the one that the answers are weighed with. `posterior`: a row an
    item, a column a label, rows sum to 1. `class_share`: an entry a label, what was taken beforehand.
    `iterations`: sweeps of the EM. `right_count`: an entry a person, how many of their `answer_count` answers
    are expected to be right (their ratio is the accuracy before smoothing, for an interval).
    """

    accuracy: Floats
    posterior: Floats
    class_share: Floats
    iterations: int
    right_count: Floats
    answer_count: Places


def fit_accuracies(
    items: ArrayLike,
    annotators: ArrayLike,
    given: ArrayLike,
    *,
    label_count: int,
    truths: ArrayLike | None = None,
    start: ArrayLike | None = None,
    class_shares: str = "uniform",
) -> AnswerWeights:
    """Estimate one accuracy a person, and from those each label's probability on each item, by EM.

    One entry an answer, coded from 0: `items`, `annotators`, and `given`, the label, below `label_count`; a
    person who answers an item twice gave two answers. `truths` holds, an entry an item, the code of a label that
    is known and stays so, or -1. A person is right with their accuracy, and otherwise gives any other label alike.
    `class_shares`: "uniform" takes all labels as equally likely beforehand, so that a rare label is not lost to
    a common one where errors were sought out; "estimated" takes their mean posterior over the items, one item
    a label added, which is better where the items are an ordinary draw.

    The start is the share of votes, or `start` (a row an item, a column a label). Sweeps end when no probability
    moves by more than 1e-6, or after 1,000. Each accuracy is smoothed as if the person had given ten more answers,
    nine of them right, so that few answers make nobody perfect or useless (chosen on the real raters of
    the tests); it is at least one over `label_count`, where an answer weighs nothing, and at most 0.999.
    Raises ValueError naming the argument for codes outside their range, no answers, or different lengths.
    """
    if class_shares not in _CLASS_SHARES:
        raise ValueError(f"class_shares must be uniform or estimated, not {class_shares!r}")
    answers = read_answers(
        items, annotators, given, label_count, item_count=0 if truths is None else np.size(truths)
    )
    known = _read_truths(truths, answers)
    posterior = _keep_known(start_posterior(answers, start), known)
    iterations, change = 0, np.inf
    while change > _SMALLEST_CHANGE and iterations < _MOST_SWEEPS:
        accuracy = _smooth(_count_right(answers, posterior), answers)
        shares = _share_classes(posterior, class_shares)
        found = _keep_known(_weigh(answers, accuracy, shares), known)
        change = float(np.abs(found - posterior).max())
        posterior, iterations = found, iterations + 1
    right, counts = _count_right(answers, posterior), _count_answers(answers)
    return AnswerWeights(_smooth(right, answers), posterior, shares, iterations, right, counts)


def posterior_given(
    items: ArrayLike,
    annotators: ArrayLike,
    given: ArrayLike,
    accuracy: ArrayLike,
    *,
    label_count: int,
    class_share: ArrayLike | None = None,
) -> Floats:
    """Give each label's probability on each item where every person's accuracy is already known.

    Codes as in `fit_accuracies`; `accuracy` has an entry a person, 0 to 1, and is taken as at least one over
    `label_count` and at most 0.999. `class_share` has an entry a label, all alike without it. The result has
    a row an item and a column a label. Raises ValueError naming the argument for a person without accuracy and
    for bad codes.
    """
    answers = read_answers(items, annotators, given, label_count)
    known = read_shares("accuracy", accuracy)
    if known.size < answers.annotator_count:
        raise ValueError(
            f"accuracy must have an entry for each of {answers.annotator_count} people, not {known.size}"
        )
    shares = read_amounts("class_share", np.ones(label_count) if class_share is None else class_share)
    if shares.size != label_count:
        raise ValueError(f"class_share must have an entry for each of {label_count} labels, not {shares.size}")
    return _weigh(answers, _bound(known, label_count), shares / shares.sum())


def _weigh(answers: CodedAnswers, accuracy: Floats, shares: Floats) -> Floats:
    """Add up the log odds of each answer's being right against any one other label, on top of the class shares."""
    log_odds = np.log(accuracy * (answers.label_count - 1)) - np.log1p(-accuracy)
    scores = sum_votes(answers, log_odds[answers.annotators])
    with np.errstate(divide="ignore"):
        return scale_scores(scores + np.log(shares))[0]


def _share_classes(posterior: Floats, class_shares: str) -> Floats:
    item_count, label_count = posterior.shape
    if class_shares == "uniform":
        return np.full(label_count, 1 / label_count)
    shares: Floats = (posterior.sum(axis=0) + 1) / (item_count + label_count)
    return shares


def _count_right(answers: CodedAnswers, posterior: Floats) -> Floats:
    chances = posterior[answers.items, answers.given]
    right = np.bincount(answers.annotators, weights=chances, minlength=answers.annotator_count)
    return right.astype(np.float64)


def _count_answers(answers: CodedAnswers) -> Places:
    return np.bincount(answers.annotators, minlength=answers.annotator_count).astype(np.int64)


def _smooth(right: Floats, answers: CodedAnswers) -> Floats:
    smoothed = (right + _PRIOR_RIGHT) / (_count_answers(answers) + _PRIOR_RIGHT + _PRIOR_WRONG)
    return _bound(smoothed, answers.label_count)


def _bound(accuracy: Floats, label_count: int) -> Floats:
    return np.clip(accuracy, 1 / label_count, _LARGEST_ACCURACY)


def _keep_known(posterior: Floats, known: Places) -> Floats:
    """Put the known labels in place of what was estimated for their items."""
    places = np.flatnonzero(known >= 0)
    posterior[places] = 0.0
    posterior[places, known[places]] = 1.0
    return posterior


def _read_truths(truths: ArrayLike | None, answers: CodedAnswers) -> Places:
    if truths is None:
        return np.full(answers.item_count, -1)
    known = read_codes("truths", truths, least=-1, below=answers.label_count)
    if known.size < answers.item_count:
        raise ValueError(f"truths must have an entry for each of {answers.item_count} items, not {known.size}")
    return known
