"""Rows so near to a hold-out sample that training on them would be training on the test."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from schemas.sql_files import read_sql
from tasks.stream_vectors import Matrix, stream_matrices

COMPOSED = ("assemble/holdout_vectors", "assemble/row_vectors")
_ROWS_AT_ONCE = 2_048
_CELLS_AT_ONCE = 2**24  # of a product: fewer rows at once where very many are held
_PAIRS_AT_ONCE = 65_536
# Four times what the float32 sums below can be off by, as a share of the squared norm and per number summed.
_ERROR_A_TERM = 1e-6
_SLACK = 1e-4
Flags = NDArray[np.bool_]
Places = NDArray[np.intp]
Pairs = np.ndarray[tuple[int, int], np.dtype[np.intp]]
Numbers = NDArray[np.float32]


@dataclass(frozen=True)
class _Held:
    """Hold-out vectors, made ready to be compared with many rows.

    `columns` is such that (row, |row|^2, 1) @ columns is |row - held|^2 / |held|^2 - limit^2 for each of them.
    What is near a held vector lies, along `direction`, within `reach` of its `place`.
    """

    ids: NDArray[np.object_]
    vectors: Matrix
    columns: Matrix
    direction: Numbers
    place: Numbers
    reach: Numbers
    limit: float


def find_near_duplicates(
    connection: duckdb.DuckDBPyConnection,
    place: Mapping[str, object],
    limit: float,
    queries: tuple[str, str] = COMPOSED,
) -> list[str]:
    """Return the ids of rows of `composed_row` nearer to a hold-out sample than `limit` times its norm.

    `place` names attribute, feature_space and reserved_until. Distance is Euclidean, in float64 where it is
    close. Rows are streamed, hold-out samples held. `queries` are those for the hold-out samples, by `place`, and
    for the rows, by its feature_space.
    """
    held = _read_held(connection, read_sql(queries[0]), place, limit)
    if held is None:
        return []
    found: list[str] = []
    rows = {"feature_space": place["feature_space"]}
    for batch, matrix in stream_matrices(connection, read_sql(queries[1]), rows):
        with np.errstate(over="ignore", invalid="ignore"):  # `_compare` says what becomes of such rows
            near = _find_near(matrix, held)
        found += batch.column("sample_id").take(pa.array(near, type=pa.int64())).to_pylist()
    return sorted(set(found))


def find_held_near_rows(
    connection: duckdb.DuckDBPyConnection,
    place: Mapping[str, object],
    limit: float,
    queries: tuple[str, str],
) -> list[str]:
    """Return the other side of what `find_near_duplicates` finds: the ids of held samples that a row lies near."""
    held = _read_held(connection, read_sql(queries[0]), place, limit)
    if held is None:
        return []
    is_found = np.zeros(len(held.ids), dtype=np.bool_)
    rows = {"feature_space": place["feature_space"]}
    for _, matrix in stream_matrices(connection, read_sql(queries[1]), rows):
        with np.errstate(over="ignore", invalid="ignore"):
            for part, chosen in _pair_up(matrix, held):
                left = chosen[~is_found[chosen]]
                if len(left):
                    is_found[left[_compare(matrix[part], held, left, of_rows=False)]] = True
    return sorted(str(name) for name in held.ids[is_found])


def _read_held(
    connection: duckdb.DuckDBPyConnection, query: str, place: Mapping[str, object], limit: float
) -> _Held | None:
    """Return what rows are compared with; None where nothing can be near."""
    parts = list(stream_matrices(connection, query, place)) if limit > 0 else []
    if not parts:
        return None
    ids = [name for batch, _ in parts for name in batch.column("sample_id").to_pylist()]
    held = _prepare_held(np.array(ids, dtype=object), np.concatenate([matrix for _, matrix in parts]), limit)
    return held if len(held.ids) else None


def _prepare_held(ids: NDArray[np.object_], vectors: Matrix, limit: float) -> _Held:
    """Leave out what nothing can be near to (a zero vector, one that is not finite) and compute the rest once."""
    norms = np.linalg.norm(vectors.astype(np.float64), axis=1)
    is_sound = np.isfinite(norms) & (norms > 0)
    ids, vectors, norms = ids[is_sound], vectors[is_sound], norms[is_sound]
    with np.errstate(under="ignore", over="ignore"):
        scale = norms[:, None] ** -2
        parts = np.hstack([-2 * vectors * scale, scale, np.full_like(scale, 1 - limit**2)]).astype(np.float32)
    direction = _find_direction(vectors)
    return _Held(
        ids=ids,
        vectors=vectors,
        columns=np.ascontiguousarray(parts.T),
        direction=direction,
        place=vectors @ direction,
        reach=((limit + _SLACK) * norms).astype(np.float32),
        limit=limit,
    )


def _find_direction(vectors: Matrix) -> Numbers:
    """Return the direction, of length 1, in which the vectors are spread most."""
    centred = vectors.astype(np.float64) - vectors.mean(axis=0, dtype=np.float64) if len(vectors) else vectors
    _, directions = np.linalg.eigh(centred.T @ centred)
    direction: Numbers = directions[:, -1].astype(np.float32)
    return direction


def _find_near(matrix: Matrix, held: _Held) -> list[int]:
    """Return the row numbers of `matrix` that lie near."""
    found = [part[_compare(matrix[part], held, chosen)] for part, chosen in _pair_up(matrix, held)]
    return [int(row) for row in np.sort(np.concatenate(found))] if found else []


def _pair_up(matrix: Matrix, held: _Held) -> Iterator[tuple[Places, Places]]:
    """Yield parts of the rows of `matrix`, each with the held vectors that can be near to one of its rows.

    Rows are taken in order of their place along one direction, so that each part of them meets only those
    hold-out vectors that can be near: two points are nowhere further apart along a line than they are.
    """
    if matrix.shape[1] != held.vectors.shape[1]:
        return
    places = np.nan_to_num(matrix @ held.direction, nan=np.inf, posinf=np.inf, neginf=-np.inf)
    order = np.argsort(places)
    at_once = max(1, min(_ROWS_AT_ONCE, _CELLS_AT_ONCE // len(held.ids)))
    for start in range(0, len(order), at_once):
        part = order[start : start + at_once]
        low, high = places[part[0]], places[part[-1]]
        can_be_near = np.flatnonzero((held.place - held.reach <= high) & (held.place + held.reach >= low))
        if len(can_be_near):
            yield part, can_be_near


def _compare(rows: Matrix, held: _Held, chosen: Places, *, of_rows: bool = True) -> Flags:
    """Tell of each row whether it is near a chosen vector, or of each chosen vector whether a row is near it.

    In float32 first, then in float64 where that cannot tell.
    """
    square = np.einsum("ij,ij->i", rows, rows)[:, None]
    product = np.hstack([rows, square, np.ones_like(square)]) @ held.columns[:, chosen]
    asked = product if of_rows else product.T
    least, error = asked.min(axis=1), _ERROR_A_TERM * len(held.columns)
    is_near: Flags = least < -error
    unsure = np.flatnonzero(~is_near & ~(least > error))  # what is not a number is not sure either
    pairs = np.argwhere(~(asked[unsure] > error))
    mine, other = unsure[pairs[:, 0]], pairs[:, 1]
    row, column = (mine, other) if of_rows else (other, mine)
    is_near[mine[_confirm(rows, held, np.column_stack([row, chosen[column]]))]] = True
    return is_near


def _confirm(rows: Matrix, held: _Held, pairs: Pairs) -> Flags:
    """Tell of each pair whether it is nearer than the limit in float64."""
    found = [np.empty(0, dtype=np.bool_)]
    for start in range(0, len(pairs), _PAIRS_AT_ONCE):
        places = pairs[start : start + _PAIRS_AT_ONCE]
        exact = held.vectors[places[:, 1]].astype(np.float64)
        distance = np.linalg.norm(rows[places[:, 0]].astype(np.float64) - exact, axis=1)
        found.append(distance < held.limit * np.linalg.norm(exact, axis=1))
    return np.concatenate(found)
