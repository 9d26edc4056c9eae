"""Intervals of single figures over samples that come in clusters: whole clusters are drawn again.

One drawing serves every figure that is a function of sums; a quantile is redrawn by itself. Equal input and seed
give equal output. The limits are expanded percentiles, as in `clustered_difference_interval`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tasks.statistics_arguments import (
    read_amounts,
    read_any_numbers,
    read_numbers,
    require_between,
    require_count,
    require_same_length,
)
from tasks.statistics_clusters import take_expanded_percentiles

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from tasks.statistics_arguments import Floats

    Names = Sequence[object] | NDArray[np.generic]

_DRAWN_AT_ONCE = 4_000_000
"""Entries of one block of draws: bounds the memory of a bootstrap to about 200 MB."""

_ROUNDING = 1e-12


@dataclass(frozen=True)
class Redrawn:
    """Sums over redrawn clusters: a row a summed column, a column a draw."""

    sums: Floats
    cluster_count: int


def redraw_sums(columns: Sequence[ArrayLike], clusters: Names, *, draws: int = 2000, seed: int = 0) -> Redrawn:
    """Give each column's sum over as many clusters as there are, drawn with replacement, `draws` times.

    One entry a sample in every column. Raises ValueError for entries that are no finite numbers, different
    lengths, a missing cluster or no draw.
    """
    import numpy as np

    values = [read_any_numbers("columns", column) for column in columns]
    for column in values:
        require_same_length(columns=column, clusters=clusters)
    codes, count = _number_clusters(clusters)
    summed = np.array([np.bincount(codes, weights=column, minlength=count) for column in values])
    redrawn = [summed @ times.T for times in _draw_times(count, count, draws, seed)]
    return Redrawn(np.concatenate(redrawn, axis=1), count)


def take_limits(values: Floats, cluster_count: int, confidence: float = 0.95) -> tuple[float, float] | None:
    """Give a figure's limits from its redrawn values; None where they would tell less than nothing.

    That is where there is a single cluster, and where every draw gave the same: a figure that no cluster varies
    in (no error at all, say) has an uncertainty that redrawing cannot see. Draws without a value are left out.
    """
    import numpy as np

    require_between("confidence", confidence)
    known = values[np.isfinite(values)]
    if cluster_count < 2 or known.size == 0 or np.ptp(known) <= _ROUNDING * max(1.0, float(np.abs(known).max())):
        return None
    return take_expanded_percentiles(known, confidence, cluster_count)


def find_quantile(values: ArrayLike, share: float, weights: ArrayLike | None = None) -> float:
    """Give the smallest value that at least `share` of all weight does not exceed.

    That is the inverse of the distribution, definition 1 of Hyndman & Fan (1996) The American Statistician
    50:361-365, carried over to weights. Raises ValueError for no values, different lengths, weights that are
    negative or all 0, or a share outside 0 to 1.
    """
    import numpy as np

    numbers = read_numbers("values", values)
    weight = read_amounts("weights", np.ones(numbers.size) if weights is None else weights)
    require_same_length(values=numbers, weights=weight)
    require_between("share", share)
    order = np.argsort(numbers, kind="stable")
    reached = np.cumsum(weight[order])
    place = np.searchsorted(reached, share * reached[-1] * (1 - _ROUNDING))
    return float(numbers[order][place])


def quantile_interval(
    values: ArrayLike,
    share: float,
    clusters: Names,
    confidence: float = 0.95,
    *,
    weights: ArrayLike | None = None,
    draws: int = 2000,
    seed: int = 0,
) -> tuple[float, float] | None:
    """Give the limits of `find_quantile` over redrawn clusters; None as in `take_limits`."""
    import numpy as np

    numbers = read_numbers("values", values)
    weight = read_amounts("weights", np.ones(numbers.size) if weights is None else weights)
    require_same_length(values=numbers, weights=weight, clusters=clusters)
    require_between("share", share)
    codes, count = _number_clusters(clusters)
    order = np.argsort(numbers, kind="stable")
    found = []
    for times in _draw_times(count, numbers.size, draws, seed):
        reached = np.cumsum(times[:, codes[order]] * weight[order], axis=1)
        wanted = share * reached[:, -1:] * (1 - _ROUNDING)
        found.append(numbers[order][np.argmax(reached >= wanted, axis=1)])
    return take_limits(np.concatenate(found), count, confidence)


def _number_clusters(clusters: Names) -> tuple[NDArray[np.intp], int]:
    import numpy as np

    names = list(clusters)
    if any(name is None or name != name for name in names):
        raise ValueError("every entry of clusters must name a cluster, but some are missing")
    known, codes = np.unique(np.array([str(name) for name in names]), return_inverse=True)
    return codes, len(known)


def _draw_times(count: int, width: int, draws: int, seed: int) -> Iterator[Floats]:
    """Yield blocks of draws: a row a draw, a column a cluster, how often it was drawn; `width` bounds a block."""
    import numpy as np

    if require_count("draws", draws) == 0:
        raise ValueError("draws must be at least 1")
    rng = np.random.default_rng(seed)
    block = max(1, _DRAWN_AT_ONCE // max(count, width, 1))
    for start in range(0, draws, block):
        size = min(block, draws - start)
        drawn = rng.integers(0, count, size=(size, count)) + count * np.arange(size)[:, None]
        times = np.bincount(drawn.ravel(), minlength=size * count).reshape(size, count)
        yield times.astype(np.float64)
