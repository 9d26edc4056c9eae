"""Weighing (item, annotator, label) rows of any names; the arithmetic is done on codes, where numpy is loaded."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from typing import TypeVar

Item = TypeVar("Item", bound=Hashable)
Annotator = TypeVar("Annotator", bound=Hashable)
Label = TypeVar("Label", bound=Hashable)


def weigh_answers(
    answers: Iterable[tuple[Item, Annotator, Label]],
    labels: Sequence[Label],
    method: str = "accuracy",
    *,
    class_shares: str = "estimated",
) -> tuple[dict[Item, dict[Label, float]], dict[Annotator, float]]:
    """Weigh (item, annotator, label) rows: item to label to probability, and annotator to accuracy.

    `method` "accuracy" takes one number a person (`fit_accuracies`), "confusion" a full matrix a person as Dawid
    and Skene 1979 (`fit_confusions`; the accuracy is the chance to be right at the class shares found). The EM
    starts from the share of votes. `class_shares` is for "accuracy": "estimated" from these answers, right for an
    ordinary draw of items, or "uniform", so that a rare label is not lost where errors were sought out, as inside
    a case. Raises ValueError naming the argument for a label that is not in `labels`, a missing value, no
    rows, fewer than two labels or one named twice, or another method.
    """
    if method not in ("accuracy", "confusion"):
        raise ValueError(f"method must be accuracy or confusion, not {method!r}")
    label_codes = _code_labels(labels)
    rows = _read_rows(answers, label_codes)
    item_codes = _code_values(item for item, _, _ in rows)
    annotator_codes = _code_values(annotator for _, annotator, _ in rows)
    coded = (
        [item_codes[item] for item, _, _ in rows],
        [annotator_codes[annotator] for _, annotator, _ in rows],
        [label_codes[label] for _, _, label in rows],
    )
    posterior, accuracy = _fit(coded, len(label_codes), method, class_shares)
    by_item = {item: dict(zip(label_codes, posterior[code], strict=True)) for item, code in item_codes.items()}
    return by_item, dict(zip(annotator_codes, accuracy, strict=True))


def _fit(
    coded: tuple[list[int], list[int], list[int]], label_count: int, method: str, class_shares: str
) -> tuple[list[list[float]], list[float]]:
    """Give the posterior (item x label) and the accuracy of each person as plain lists."""
    if method == "confusion":
        from tasks.statistics_confusions import fit_confusions

        found = fit_confusions(*coded, label_count=label_count)
        return found.posterior.tolist(), found.accuracy.tolist()
    from tasks.statistics_answers import fit_accuracies

    weights = fit_accuracies(*coded, label_count=label_count, class_shares=class_shares)
    return weights.posterior.tolist(), weights.accuracy.tolist()


def _code_labels(labels: Sequence[Label]) -> dict[Label, int]:
    codes = _code_values(labels)
    if len(codes) < len(labels):
        raise ValueError("labels must not name a label twice")
    if len(codes) < 2:
        raise ValueError(f"labels must name at least two labels, not {len(codes)}")
    if any(_is_missing(label) for label in codes):
        raise ValueError("labels must not hold a missing value")
    return codes


def _code_values(values: Iterable[Label]) -> dict[Label, int]:
    codes: dict[Label, int] = {}
    for value in values:
        codes.setdefault(value, len(codes))
    return codes


def _read_rows(
    answers: Iterable[tuple[Item, Annotator, Label]], label_codes: dict[Label, int]
) -> list[tuple[Item, Annotator, Label]]:
    rows = [_read_row(place, row, label_codes) for place, row in enumerate(answers)]
    if not rows:
        raise ValueError("answers must not be empty: without answers there is nothing to weigh")
    return rows


def _read_row(
    place: int, row: tuple[Item, Annotator, Label], label_codes: dict[Label, int]
) -> tuple[Item, Annotator, Label]:
    if len(row) != 3:
        raise ValueError(f"answers must be (item, annotator, label) rows, but row {place} is {row!r}")
    item, annotator, label = row
    if any(_is_missing(value) for value in (item, annotator, label)):
        raise ValueError(f"answers must not hold a missing value, but row {place} is {row!r}")
    if label not in label_codes:
        told = ", ".join(str(known) for known in label_codes)
        raise ValueError(f"answers must give one of the labels {told}, but row {place} gives {label!r}")
    return item, annotator, label


def _is_missing(value: Hashable) -> bool:
    return value is None or value != value
