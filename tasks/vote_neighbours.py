"""What the rows nearest to a row, of other groups, are labelled: the second half of a label's doubt.

Numpy stands at the top: only the search for suspected labels imports this module.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tasks.fit_folds import Codes
from tasks.stream_vectors import Matrix

NEIGHBOURS = 15
_ROWS_AT_ONCE = 512
_FIRST_COLUMNS, _COLUMNS_AT_ONCE = 256, 4_096
# Candidates a row, from which on sorting them is worth what a sharper limit saves.
_WORTH_SORTING = 4
Shares = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True)
class Votes:
    """Of each row's neighbours: how many there are, and which share has the given, and the likely label."""

    found: Codes
    given_share: Shares
    likely_share: Shares


@dataclass(frozen=True)
class _Nearest:
    """Candidates for some rows' neighbours, as triples, and the distance that a better one of a row is below."""

    rows: Places
    columns: Places
    distances: Matrix
    limit: Matrix


def vote_neighbours(features: Matrix, groups: Codes, given: Codes, likely: Codes, *, threads: int) -> Votes:
    """Let each row's `NEIGHBOURS` nearest rows of other groups vote, by Euclidean distance; equal: the first.

    `groups` ascend. Every pair is compared, part by part: the memory does not grow with the pairs. Fewer
    neighbours than `NEIGHBOURS` are found where the other groups have no more.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    centred = features - features.mean(axis=0, dtype=np.float64).astype(np.float32)
    with np.errstate(over="ignore"):  # so far away is nobody's neighbour
        square = np.einsum("ij,ij->i", centred, centred)
    # (x, 1) times a column is |y|^2 - 2 x y: in the order of |x - y|^2, for one x.
    columns = np.ascontiguousarray(np.vstack([-2 * centred.T, square]))
    rows = np.hstack([centred, np.ones((len(centred), 1), dtype=np.float32)])

    def vote(start: int) -> tuple[Codes, Codes, Codes]:
        part = slice(start, start + _ROWS_AT_ONCE)
        nearest = _find_nearest(rows[part], columns, groups[part], groups)
        voted, size = given[nearest.columns], len(rows[part])
        has_given = nearest.rows[voted == given[part][nearest.rows]]
        has_likely = nearest.rows[voted == likely[part][nearest.rows]]
        found, of_given, of_likely = (
            np.bincount(chosen, minlength=size) for chosen in (nearest.rows, has_given, has_likely)
        )
        return found, of_given, of_likely

    # A part is one thread's from end to end, so the sums are the same however many threads there are.
    with threadpool_limits(limits=1), ThreadPoolExecutor(threads) as pool:
        counts = list(pool.map(vote, range(0, len(rows), _ROWS_AT_ONCE)))
    found, of_given, of_likely = (np.concatenate(parts) for parts in zip(*counts, strict=True))
    return Votes(found, of_given / np.maximum(found, 1), of_likely / np.maximum(found, 1))


def _find_nearest(rows: Matrix, columns: Matrix, own: Codes, groups: Codes) -> _Nearest:
    empty = np.empty(0, dtype=np.intp)
    limit = np.full(len(rows), np.inf, dtype=np.float32)
    nearest = _Nearest(empty, empty, np.empty(0, dtype=np.float32), limit)
    start, width = 0, _FIRST_COLUMNS
    while start < len(groups):
        stop = min(start + width, len(groups))
        with np.errstate(over="ignore", invalid="ignore"):
            distances = rows @ columns[:, start:stop]
        if groups[start] <= own[-1] and groups[stop - 1] >= own[0]:
            distances[own[:, None] == groups[start:stop]] = np.inf
        nearest = _take_candidates(nearest, distances, start)
        start, width = stop, min(2 * width, _COLUMNS_AT_ONCE)
    return _keep_nearest(nearest)


def _take_candidates(nearest: _Nearest, distances: Matrix, start: int) -> _Nearest:
    """Add what is nearer than each row's limit; of rows that have no limit yet only the nearest of this part."""
    width = distances.shape[1]
    found = np.flatnonzero(distances < nearest.limit[:, None])
    open_rows = np.flatnonzero(np.isinf(nearest.limit))
    if len(open_rows) and width > NEIGHBOURS:
        found = found[np.isfinite(nearest.limit)[found // width]]
        found = np.concatenate([found, _find_least(distances, open_rows)])
    if not len(found):
        return nearest
    added = _Nearest(
        np.concatenate([nearest.rows, found // width]),
        np.concatenate([nearest.columns, found % width + start]),
        np.concatenate([nearest.distances, distances.ravel()[found]]),
        nearest.limit,
    )
    is_worth_it = len(added.rows) > (NEIGHBOURS + _WORTH_SORTING) * len(distances)
    return _keep_nearest(added) if len(open_rows) or is_worth_it else added


def _find_least(distances: Matrix, rows: Places) -> Places:
    """Return, as places in the flat matrix, the least `NEIGHBOURS` of each of the rows that are finite."""
    best = np.argpartition(distances[rows], NEIGHBOURS - 1, axis=1)[:, :NEIGHBOURS]
    places: Places = (rows[:, None] * distances.shape[1] + best).ravel()
    return places[np.isfinite(distances.ravel()[places])]


def _keep_nearest(nearest: _Nearest) -> _Nearest:
    """Keep of each row the nearest, and draw its limit at the last of them."""
    order = np.lexsort((nearest.columns, nearest.distances, nearest.rows))
    rows = nearest.rows[order]
    place = np.arange(len(rows)) - np.searchsorted(rows, np.arange(len(nearest.limit)))[rows]
    kept, last = order[place < NEIGHBOURS], order[place == NEIGHBOURS - 1]
    limit = nearest.limit.copy()
    limit[nearest.rows[last]] = nearest.distances[last]
    return _Nearest(nearest.rows[kept], nearest.columns[kept], nearest.distances[kept], limit)
