"""Answers of several people as checked codes, and what every way of weighing them starts from.

Loads numpy; import it where it is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tasks.statistics_arguments import require_count, require_same_length

Floats = NDArray[np.float64]
Places = NDArray[np.int64]


@dataclass(frozen=True)
class CodedAnswers:
    """Answers as codes from 0: entry k of `items`, `annotators` and `given` (the label) belongs to answer k."""

    items: Places
    annotators: Places
    given: Places
    item_count: int
    annotator_count: int
    label_count: int


def read_answers(
    items: ArrayLike,
    annotators: ArrayLike,
    given: ArrayLike,
    label_count: int,
    *,
    item_count: int = 0,
    annotator_count: int = 0,
) -> CodedAnswers:
    """Check the codes of answers; the counts are at least as given, and one more than the highest code.

    Raises ValueError naming the argument for codes outside their range, no answers, or different lengths.
    """
    if require_count("label_count", label_count) < 2:
        raise ValueError(f"label_count must be at least 2, not {label_count!r}")
    item_codes, annotator_codes = read_codes("items", items), read_codes("annotators", annotators)
    label_codes = read_codes("given", given, below=label_count)
    require_same_length(items=item_codes, annotators=annotator_codes, given=label_codes)
    if not item_codes.size:
        raise ValueError("items must not be empty: without answers there is nothing to weigh")
    item_count = max(item_count, int(item_codes.max()) + 1)
    annotator_count = max(annotator_count, int(annotator_codes.max()) + 1)
    return CodedAnswers(item_codes, annotator_codes, label_codes, item_count, annotator_count, label_count)


def read_codes(name: str, values: ArrayLike, *, least: int = 0, below: int | None = None) -> Places:
    """Take a one-dimensional series of whole numbers from `least` up to, not including, `below`."""
    codes = np.asarray(values)
    if codes.ndim != 1:
        raise ValueError(f"{name} must be a one-dimensional series, not of {codes.ndim} dimensions")
    if codes.size and not np.issubdtype(codes.dtype, np.integer):
        raise ValueError(f"{name} must hold whole numbers, not {codes.dtype}")
    is_wrong = codes < least if below is None else (codes < least) | (codes >= below)
    if is_wrong.any():
        place = int(is_wrong.argmax())
        limit = "" if below is None else f" and below {below}"
        raise ValueError(
            f"every entry of {name} must be at least {least}{limit}, but entry {place} is {codes[place]}"
        )
    return codes.astype(np.int64)


def start_posterior(answers: CodedAnswers, start: ArrayLike | None) -> Floats:
    """Give the share of votes of each label on each item, or the caller's own start, rows scaled to 1.

    A row an item, a column a label; a row without any vote is uniform. Raises ValueError for a start of
    another shape or with negative or missing entries.
    """
    shares = sum_votes(answers) if start is None else _read_start(answers, start)
    sums = shares.sum(axis=1, keepdims=True)
    scaled = np.full(shares.shape, 1 / answers.label_count)
    np.divide(shares, sums, out=scaled, where=sums > 0)
    return scaled


def sum_votes(answers: CodedAnswers, weights: Floats | None = None) -> Floats:
    """Sum the weights (1 each without any) of the answers per label on each item: a row an item."""
    cells = answers.items * answers.label_count + answers.given
    sums = np.bincount(cells, weights=weights, minlength=answers.item_count * answers.label_count)
    return sums.astype(np.float64).reshape(answers.item_count, answers.label_count)


def scale_scores(scores: Floats) -> tuple[Floats, Floats]:
    """Turn log scores into probabilities a row, and give the log of each row's sum."""
    peaks = scores.max(axis=1, keepdims=True)
    chances = np.exp(scores - peaks)
    sums = chances.sum(axis=1, keepdims=True)
    return chances / sums, (peaks + np.log(sums))[:, 0]


def _read_start(answers: CodedAnswers, start: ArrayLike) -> Floats:
    shares = np.asarray(start, dtype=np.float64)
    wanted = (answers.item_count, answers.label_count)
    if shares.shape != wanted:
        raise ValueError(f"start must have a row an item and a column a label: {wanted}, not {shares.shape}")
    if not (np.isfinite(shares) & (shares >= 0)).all():
        raise ValueError("start must hold finite numbers of at least 0 only")
    return shares
