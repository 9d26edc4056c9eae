"""Rows so near to a hold-out sample that training on them would be training on the test."""

from collections.abc import Mapping

import duckdb
import numpy as np
import pyarrow as pa

from schemas.sql_files import read_sql
from tasks.stream_vectors import Matrix, stream_matrices

_MARGIN = 1e-3


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


def _find_near(
    matrix: Matrix, held: Matrix, held_square: np.ndarray[tuple[int], np.dtype[np.float32]], limit: float
) -> list[int]:
    """Return the row numbers of `matrix` that lie near: a float32 pass, then float64 where it is close."""
    if matrix.shape[1] != held.shape[1]:
        return []
    square = np.einsum("ij,ij->i", matrix, matrix)
    distance = square[:, None] + held_square[None, :] - 2 * (matrix @ held.T)
    suspects = np.argwhere(distance <= (limit**2 + _MARGIN) * held_square[None, :])
    return sorted({int(row) for row, column in suspects if _is_near(matrix[row], held[column], limit)})


def _is_near(
    row: np.ndarray[tuple[int], np.dtype[np.float32]],
    held: np.ndarray[tuple[int], np.dtype[np.float32]],
    limit: float,
) -> bool:
    exact = held.astype(np.float64)
    return bool(np.linalg.norm(row.astype(np.float64) - exact) < limit * np.linalg.norm(exact))
