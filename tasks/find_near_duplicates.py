"""Rows so near to a hold-out sample that training on them would be training on the test."""

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from schemas.sql_files import read_sql
from tasks.stream_vectors import Matrix, stream_matrices

COMPOSED = ("assemble/holdout_vectors", "assemble/row_vectors")
_ROWS_AT_ONCE = 2_048
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
    parts = [matrix for _, matrix in stream_matrices(connection, read_sql(queries[0]), place)]
    if not parts or limit <= 0:
        return []
    held = _prepare_held(np.concatenate(parts), limit)
    found: list[str] = []
    rows = {"feature_space": place["feature_space"]}
    for batch, matrix in stream_matrices(connection, read_sql(queries[1]), rows):
        with np.errstate(over="ignore", invalid="ignore"):  # `_compare` says what becomes of such rows
            near = _find_near(matrix, held)
        found += batch.column("sample_id").take(pa.array(near, type=pa.int64())).to_pylist()
    return sorted(set(found))


def _prepare_held(vectors: Matrix, limit: float) -> _Held:
    """Leave out what nothing can be near to (a zero vector, one that is not finite) and compute the rest once."""
    norms = np.linalg.norm(vectors.astype(np.float64), axis=1)
    is_sound = np.isfinite(norms) & (norms > 0)
    vectors, norms = vectors[is_sound], norms[is_sound]
    with np.errstate(under="ignore", over="ignore"):
        scale = norms[:, None] ** -2
        parts = np.hstack([-2 * vectors * scale, scale, np.full_like(scale, 1 - limit**2)]).astype(np.float32)
    direction = _find_direction(vectors)
    return _Held(
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
    """Return the row numbers of `matrix` that lie near.

    Rows are taken in order of their place along one direction, so that each part of them meets only those
    hold-out vectors that can be near: two points are nowhere further apart along a line than they are.
    """
    if matrix.shape[1] != held.vectors.shape[1]:
        return []
    places = np.nan_to_num(matrix @ held.direction, nan=np.inf, posinf=np.inf, neginf=-np.inf)
    order = np.argsort(places)
    found = []
    for start in range(0, len(order), _ROWS_AT_ONCE):
        part = order[start : start + _ROWS_AT_ONCE]
        low, high = places[part[0]], places[part[-1]]
        can_be_near = np.flatnonzero((held.place - held.reach <= high) & (held.place + held.reach >= low))
        if len(can_be_near):
            found.append(part[_compare(matrix[part], held, can_be_near)])
    return [int(row) for row in np.sort(np.concatenate(found))] if found else []


def _compare(rows: Matrix, held: _Held, chosen: Places) -> Flags:
    """Tell of each row whether it is near a chosen vector: in float32, then in float64 where that cannot tell."""
    square = np.einsum("ij,ij->i", rows, rows)[:, None]
    product = np.hstack([rows, square, np.ones_like(square)]) @ held.columns[:, chosen]
    least, error = product.min(axis=1), _ERROR_A_TERM * len(held.columns)
    is_near: Flags = least < -error
    unsure = np.flatnonzero(~is_near & ~(least > error))  # what is not a number is not sure either
    pairs = np.argwhere(~(product[unsure] > error))
    pairs = np.column_stack([unsure[pairs[:, 0]], chosen[pairs[:, 1]]])
    is_near[_confirm(rows, held, pairs)] = True
    return is_near


def _confirm(rows: Matrix, held: _Held, pairs: Pairs) -> Places:
    """Return the rows of those pairs that are nearer than the limit in float64."""
    found = [np.empty(0, dtype=np.intp)]
    for start in range(0, len(pairs), _PAIRS_AT_ONCE):
        places = pairs[start : start + _PAIRS_AT_ONCE]
        exact = held.vectors[places[:, 1]].astype(np.float64)
        distance = np.linalg.norm(rows[places[:, 0]].astype(np.float64) - exact, axis=1)
        found.append(places[distance < held.limit * np.linalg.norm(exact, axis=1), 0])
    return np.concatenate(found)
