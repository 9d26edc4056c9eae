"""What a model says of rows that it never saw, nor any of their group: the first half of a label's doubt.

Numpy stands at the top: only the search for suspected labels imports this module.
"""

import heapq
import math

import numpy as np
from numpy.typing import NDArray

from tasks.errors import TrainerError
from tasks.read_trainer_request import PerceptronSettings
from tasks.store_perceptron import compute_probabilities
from tasks.stream_vectors import Matrix
from tasks.train_perceptron import fit_perceptron

Codes = NDArray[np.int64]
_ROWS_AT_ONCE = 20_000


def deal_folds(groups: Codes, count: int) -> Codes:
    """Return each row's fold, 0 to `count` - 1; a group's rows are in one, and folds are about equally large.

    `groups` numbers them from 0. The largest group goes first, to the fold with the fewest rows so far; equal ones
    in the order of their numbers.
    """
    sizes = np.bincount(groups)
    fold_of = np.zeros(len(sizes), dtype=np.int64)
    folds = [(0, fold) for fold in range(count)]
    for group in np.argsort(-sizes, kind="stable").tolist():
        rows, fold = folds[0]
        fold_of[group] = fold
        heapq.heapreplace(folds, (rows + int(sizes[group]), fold))
    return fold_of[groups]


def predict_folds(
    features: Matrix, labels: Codes, folds: Codes, label_count: int, settings: PerceptronSettings
) -> Matrix:
    """Return rows x labels: the probability that the model fitted without the row's fold gives each label.

    Raises TrainerError where training diverges.
    """
    probabilities = np.zeros((len(features), label_count), dtype=np.float32)
    for fold in np.unique(folds).tolist():
        is_in = folds == fold
        network = fit_perceptron(features[~is_in], labels[~is_in], label_count, settings)
        rows = np.flatnonzero(is_in)
        for start in range(0, len(rows), _ROWS_AT_ONCE):
            part = rows[start : start + _ROWS_AT_ONCE]
            probabilities[part] = compute_probabilities(network, features[part])
    if not np.isfinite(probabilities).all():
        raise TrainerError("a model out of fold diverged; bring the features to a similar scale")
    return probabilities


def count_confident(probabilities: Matrix, labels: Codes) -> float:
    """Return how many of the given labels are expected to be wrong, by confident counts.

    A row counts as of the likeliest of those labels whose probability reaches the mean that the label has over the
    rows that carry it; the counts of each given label are then scaled to how many rows carry it (Northcutt,
    Jiang & Chuang 2021, J. Artif. Intell. Res. 70: the confident joint, calibrated).
    """
    count = probabilities.shape[1]
    carried = np.bincount(labels, minlength=count)
    own = probabilities[np.arange(len(labels)), labels].astype(np.float64)
    threshold = np.bincount(labels, own, minlength=count) / np.maximum(carried, 1)
    threshold[carried == 0] = np.inf
    confident = np.where(probabilities >= threshold.astype(np.float32), probabilities, np.float32(-1))
    is_counted = confident.max(axis=1) >= 0
    joint = np.zeros((count, count))
    np.add.at(joint, (labels[is_counted], confident[is_counted].argmax(axis=1)), 1)
    totals = joint.sum(axis=1)
    wrong_share = 1 - np.diag(joint) / np.maximum(totals, 1)
    return float((wrong_share * carried)[totals > 0].sum())


def limit_count(expected: float) -> int:
    """Return how many there may be at most, where so many were counted (95 %, one-sided): 3 where it was none.

    The upper limit of a Poisson mean by the chi-squared distribution: Garwood 1936, Biometrika 28.
    """
    from scipy.stats import chi2

    return math.ceil(float(chi2.ppf(0.95, 2 * (expected + 1))) / 2)
