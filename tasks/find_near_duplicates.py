"""Rows so near to a hold-out sample that training on them would be training on the test."""

from collections.abc import Mapping

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from schemas.sql_files import read_sql
from tasks.stream_vectors import Matrix, stream_matrices

_MARGIN = 1e-3
_ROWS_AT_ONCE = 8_192
_PAIRS_AT_ONCE = 65_536
Flags = np.ndarray[tuple[int], np.dtype[np.bool_]]
Numbers = NDArray[np.float32]


def find_near_duplicates(
    connection: duckdb.DuckDBPyConnection, place: Mapping[str, object], limit: float
) -> list[str]:
    """Return the ids of rows of `composed_row` nearer to a hold-out sample than `limit` times its norm.

    `place` names attribute, feature_space and reserved_until. Distance is Euclidean, in float64 where it is
    close. Rows are streamed, hold-out samples held.
    """
    parts = [matrix for _, matrix in stream_matrices(connection, read_sql("assemble/holdout_vectors"), place)]
    if not parts or limit <= 0:
        return []
    held = np.concatenate(parts)
    held_square = np.einsum("ij,ij->i", held, held)
    found: list[str] = []
    rows = {"feature_space": place["feature_space"]}
    for batch, matrix in stream_matrices(connection, read_sql("assemble/row_vectors"), rows):
        near = _find_near(matrix, held, held_square, limit)
        found += batch.column("sample_id").take(pa.array(near, type=pa.int64())).to_pylist()
    return sorted(set(found))


def _find_near(matrix: Matrix, held: Matrix, held_square: Numbers, limit: float) -> list[int]:
    """Return the row numbers of `matrix` that lie near: a float32 pass, then float64 where that cannot tell."""
    if matrix.shape[1] != held.shape[1]:
        return []
    is_near = np.zeros(len(matrix), dtype=bool)
    for start in range(0, len(matrix), _ROWS_AT_ONCE):
        rows = matrix[start : start + _ROWS_AT_ONCE]
        square = np.einsum("ij,ij->i", rows, rows)
        # Of |row - held|^2 <= (limit^2 +- margin) |held|^2 what depends on the pair stands on the left alone.
        product = rows @ (-2 * held.T)
        low, high = (held_square * np.float32(limit**2 + sign * _MARGIN - 1) for sign in (-1, 1))
        product += square[:, None]
        is_sure: Flags = np.any(product <= low, axis=1)
        suspects = np.argwhere((product <= high) & ~is_sure.reshape(-1, 1))
        is_near[start : start + len(rows)] = is_sure
        is_near[start + _confirm(rows, held, suspects, limit)] = True
    return [int(row) for row in np.flatnonzero(is_near)]


def _confirm(
    rows: Matrix, held: Matrix, suspects: np.ndarray[tuple[int, int], np.dtype[np.intp]], limit: float
) -> NDArray[np.intp]:
    """Return the rows of those pairs that are nearer than `limit` in float64."""
    found = [np.empty(0, dtype=np.intp)]
    for start in range(0, len(suspects), _PAIRS_AT_ONCE):
        places = suspects[start : start + _PAIRS_AT_ONCE]
        exact = held[places[:, 1]].astype(np.float64)
        distance = np.linalg.norm(rows[places[:, 0]].astype(np.float64) - exact, axis=1)
        found.append(places[distance < limit * np.linalg.norm(exact, axis=1), 0])
    return np.concatenate(found)
