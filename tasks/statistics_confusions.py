"""Full confusion matrices of people and the class shares, estimated from their answers. Loads numpy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tasks.statistics_answer_codes import CodedAnswers, Floats, read_answers, scale_scores, start_posterior

_MOST_SWEEPS = 1000
_SMALLEST_CHANGE = 1e-9


@dataclass(frozen=True)
class AnswerConfusions:
    """What a confusion matrix a person makes of their answers.

    `confusion`: person x true label x given label, each row sums to 1. `class_share`: an entry a label.
    `posterior`: a row an item, a column a label. `accuracy`: an entry a person, the chance to be right about an
    item drawn at the class shares. `log_likelihood`: of all the answers under these estimates.
    """

    confusion: Floats
    class_share: Floats
    posterior: Floats
    accuracy: Floats
    log_likelihood: float
    iterations: int


def fit_confusions(
    items: ArrayLike,
    annotators: ArrayLike,
    given: ArrayLike,
    *,
    label_count: int,
    start: ArrayLike | None = None,
) -> AnswerConfusions:
    """Estimate a confusion matrix a person and the class shares by EM.

    Source: Dawid AP, Skene AM (1979) Applied Statistics 28:20-28. One entry an answer, coded from 0: `items`,
    `annotators`, and `given`, the label, below `label_count`; all answers of a person, repeated ones too, count
    in one matrix. Nothing is smoothed, as published, so it takes many answers a person. The likelihood has
    several maxima: the start is the share of votes each label got on an item, or `start` (a row an item, a
    column a label). Sweeps end when no probability moves by more than 1e-9, or after 1,000. Where a person met
    no item of a true label, any answer is taken as equally likely. Raises ValueError naming the argument for
    codes outside their range, no answers, or different lengths.
    """
    answers = read_answers(items, annotators, given, label_count)
    posterior = start_posterior(answers, start)
    iterations, change = 0, np.inf
    while change > _SMALLEST_CHANGE and iterations < _MOST_SWEEPS:
        shares, confusion = posterior.mean(axis=0), _count_confusions(answers, posterior)
        found, log_likelihood = _weigh(answers, shares, confusion)
        change = float(np.abs(found - posterior).max())
        posterior, iterations = found, iterations + 1
    accuracy = np.diagonal(confusion, axis1=1, axis2=2) @ shares
    return AnswerConfusions(confusion, shares, posterior, accuracy, log_likelihood, iterations)


def _count_confusions(answers: CodedAnswers, posterior: Floats) -> Floats:
    """Share out each answer over the true labels it may be about; rows then sum to 1 a person and true label."""
    labels, people = answers.label_count, answers.annotator_count
    cells = answers.annotators * labels + answers.given
    columns = [
        np.bincount(cells, weights=posterior[answers.items, true], minlength=people * labels)
        for true in range(labels)
    ]
    counts = np.stack(columns).reshape(labels, people, labels).transpose(1, 0, 2)
    sums = counts.sum(axis=2, keepdims=True)
    scaled = np.full(counts.shape, 1 / labels)
    np.divide(counts, sums, out=scaled, where=sums > 0)
    return scaled


def _weigh(answers: CodedAnswers, shares: Floats, confusion: Floats) -> tuple[Floats, float]:
    """Multiply up, in logs, each label's share and every answer's chance under it; also the log likelihood."""
    with np.errstate(divide="ignore"):
        log_shares, log_confusion = np.log(shares), np.log(confusion)
    columns = [
        np.bincount(
            answers.items,
            weights=log_confusion[answers.annotators, true, answers.given],
            minlength=answers.item_count,
        )
        for true in range(answers.label_count)
    ]
    scores = np.stack(columns, axis=1).astype(np.float64) + log_shares
    posterior, log_sums = scale_scores(scores)
    return posterior, float(log_sums.sum())
