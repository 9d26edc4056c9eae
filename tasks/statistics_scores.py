"""Single figures for drift between two distributions and for how far probabilities can be believed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tasks.statistics_arguments import (
    read_amounts,
    read_outcomes,
    read_shares,
    require_count,
    require_same_length,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

_SMALLEST_SHARE = 1e-4


def population_stability_index(expected: ArrayLike, actual: ArrayLike) -> float:
    """Give how far one distribution over bins has moved from another: sum of (a - e) ln(a / e).

    One entry a bin, counts or shares, in the same order of bins; each side is scaled to sum to 1. A share
    below 0.0001 counts as 0.0001, so that an empty bin does not make the index infinite (common practice,
    no source); a bin that is empty on both sides adds nothing. The index is symmetric (Jeffreys'
    divergence). With n and m samples it varies by chance about as chi-square with bins - 1 degrees of
    freedom times (1/n + 1/m): Yurdakul B (2018) Statistical Properties of Population Stability Index,
    dissertation 3208, Western Michigan University. Raises ValueError for negative entries, a side
    without any mass, or sides of different length.
    """
    import numpy as np

    before, after = read_amounts("expected", expected), read_amounts("actual", actual)
    require_same_length(expected=before, actual=after)
    before = np.maximum(before / before.sum(), _SMALLEST_SHARE)
    after = np.maximum(after / after.sum(), _SMALLEST_SHARE)
    return float(np.sum((after - before) * np.log(after / before)))


def expected_calibration_error(
    confidence: ArrayLike, correct: ArrayLike, bins: int = 10, *, weights: ArrayLike | None = None
) -> float:
    """Give the mean gap between confidence and accuracy over equal bins of confidence, weighted by bin size.

    `confidence` is that of the predicted class (0 to 1), `correct` whether it was right. A bin includes its
    upper edge and not its lower one, except that 0 belongs to the first. `weights` count samples as inverse
    inclusion probabilities do. Source: Guo C et al. (2017) On Calibration of Modern Neural Networks, PMLR
    70:1321-1330. Raises ValueError for confidences outside 0 to 1, outcomes other than 0 and 1, negative weights,
    different lengths, no samples, or fewer than one bin.
    """
    import numpy as np

    told, was_right = read_shares("confidence", confidence), read_outcomes("correct", correct)
    weight = read_amounts("weights", np.ones(told.size) if weights is None else weights)
    require_same_length(confidence=told, correct=was_right, weights=weight)
    if require_count("bins", bins) == 0:
        raise ValueError("bins must be at least 1")
    upper_edges = np.arange(1, bins) / bins
    places = np.searchsorted(upper_edges, told, side="left")
    gap_sums = np.bincount(places, weights=weight * (told - was_right))
    return float(np.abs(gap_sums).sum() / weight.sum())


def brier_score(probability: ArrayLike, outcome: ArrayLike, *, weights: ArrayLike | None = None) -> float:
    """Give the mean squared distance between the probability of an event and whether it happened.

    The binary form, from 0 (best) to 1; Brier's own form sums over both classes and is twice this.
    `weights` count samples as inverse inclusion probabilities do. Source: Brier GW (1950) Monthly Weather Review
    78:1-3; computed by scikit-learn. Raises ValueError for probabilities outside 0 to 1, outcomes other than 0 and
    1, negative weights, different lengths, or no samples.
    """
    import numpy as np
    from sklearn.metrics import brier_score_loss

    chances, happened = read_shares("probability", probability), read_outcomes("outcome", outcome)
    weight = read_amounts("weights", np.ones(chances.size) if weights is None else weights)
    require_same_length(probability=chances, outcome=happened, weights=weight)
    return float(brier_score_loss(happened, chances, sample_weight=weight, pos_label=1))
