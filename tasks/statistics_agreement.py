"""How far people agree beyond what chance would give, for labels without an order.

Every function raises ValueError where such agreement is undefined: nothing to compare, or one label throughout,
where chance alone agrees always.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING, Any

from tasks.statistics_arguments import require_same_length

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Labels = Sequence[Hashable] | NDArray[Any]

_ONE_LABEL = "hold one label only: agreement beyond chance is undefined where chance always agrees"


def cohen_kappa(first: Labels, second: Labels) -> float:
    """Give Cohen's kappa of two people's labels of the same items, entry by entry.

    1 is full agreement, 0 what their own label shares would give by chance; it can be negative. Source: Cohen J
    (1960) Educational and Psychological Measurement 20:37-46; computed by scikit-learn. Raises ValueError for
    no items, different lengths, a missing label, or one and the same label throughout.
    """
    from sklearn.metrics import cohen_kappa_score

    codes: dict[Hashable, int] = {}
    one, other = _code_labels("first", first, codes), _code_labels("second", second, codes)
    require_same_length(first=one, second=other)
    if len(codes) < 2:
        raise ValueError(f"first and second {_ONE_LABEL}")
    return float(cohen_kappa_score(one, other))


def fleiss_kappa(counts: ArrayLike) -> float:
    """Give Fleiss' kappa from how often each category was given: a row an item, a column a category.

    Every item has the same number of ratings, at least two, not necessarily by the same people. Source: Fleiss
    JL (1971) Psychological Bulletin 76:378-382; computed by statsmodels. Raises ValueError for anything but
    whole numbers of at least 0, rows of different sums, sums below two, no rows, or one category throughout.
    """
    import numpy as np
    from statsmodels.stats.inter_rater import fleiss_kappa as compute

    try:
        table = np.asarray(counts, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"counts must be a table of numbers, each row of one length: {error}") from error
    if table.ndim != 2 or table.size == 0:
        raise ValueError("counts must be a table with a row an item and a column a category, and not empty")
    if not ((table >= 0) & (table == table.round()) & np.isfinite(table)).all():
        raise ValueError("counts must hold whole numbers of at least 0 only")
    sums = table.sum(axis=1)
    if (sums != sums[0]).any():
        place = int((sums != sums[0]).argmax())
        raise ValueError(
            f"every row of counts must have the same sum, but row 0 has {sums[0]:g} and row {place} "
            f"{sums[place]:g}; krippendorff_alpha takes missing ratings"
        )
    if sums[0] < 2:
        raise ValueError(f"every row of counts must have at least two ratings, not {sums[0]:g}")
    if np.count_nonzero(table.sum(axis=0)) < 2:
        raise ValueError(f"counts {_ONE_LABEL}")
    return float(compute(table, method="fleiss"))


def krippendorff_alpha(ratings: Sequence[Labels] | NDArray[Any]) -> float:
    """Give Krippendorff's alpha for labels without an order: a row a rater, a column an item, None where missing.

    NaN counts as missing too. Items with fewer than two ratings drop out, as nobody can agree there. With m(u)
    ratings of item u, n(u, c) of them c, n and n(c) the sums over what is left: 1 - D(o) / D(e), with D(o) =
    sum over u of (m(u)^2 - sum of n(u, c)^2) / (m(u) - 1) / n and D(e) = (n^2 - sum of n(c)^2) / (n (n - 1)).
    Source: Krippendorff K (2011) Computing Krippendorff's Alpha-Reliability, Annenberg School for Communication
    departmental paper 43. Raises ValueError for fewer than two raters, rows of different length, no item with two
    ratings, or one label throughout.
    """
    if len(ratings) < 2:
        raise ValueError(f"ratings must have a row for each of at least two raters, not {len(ratings)}")
    lengths = {len(row) for row in ratings}
    if len(lengths) > 1:
        raise ValueError(f"every row of ratings must be of the same length, not {_list(lengths)}")
    units = [Counter(value for value in unit if not _is_missing(value)) for unit in zip(*ratings, strict=True)]
    units = [unit for unit in units if unit.total() > 1]
    if not units:
        raise ValueError("ratings must have at least one item that two raters have rated")
    totals: Counter[Hashable] = sum(units, Counter())
    if len(totals) < 2:
        raise ValueError(f"ratings {_ONE_LABEL}")
    count = totals.total()
    observed = sum(_count_unlike(unit) / (unit.total() - 1) for unit in units) / count
    return 1 - observed * count * (count - 1) / _count_unlike(totals)


def _count_unlike(found: Counter[Hashable]) -> int:
    """Count the ordered pairs of ratings that differ."""
    return found.total() ** 2 - sum(count**2 for count in found.values())


def _code_labels(name: str, labels: Labels, codes: dict[Hashable, int]) -> list[int]:
    if len(labels) == 0:
        raise ValueError(f"{name} must not be empty")
    for place, label in enumerate(labels):
        if _is_missing(label):
            raise ValueError(f"{name} must not hold a missing label, but entry {place} is {label!r}")
    return [codes.setdefault(label, len(codes)) for label in labels]


def _is_missing(label: Hashable) -> bool:
    return label is None or label != label


def _list(numbers: set[int]) -> str:
    return ", ".join(str(number) for number in sorted(numbers))
