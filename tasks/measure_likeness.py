"""Likeness of samples to a case: the mean cosine to its nearest references, those of other groups only.

A reference is like itself: counted, it would carry its own prediction into the scope (design of hold-outs).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from schemas.sql_files import read_sql
from tasks.stream_vectors import Matrix, normalise, stream_matrices


@dataclass(frozen=True)
class References:
    """Normalised vectors (references, length), with the group and prediction of each."""

    vectors: Matrix
    groups: list[str]
    predicted: list[str | None]


@dataclass(frozen=True)
class LikenessBatch:
    """Samples with their likeness, and the prediction of their nearest reference."""

    rows: pa.RecordBatch
    vectors: Matrix
    likeness: NDArray[np.float32]
    nearest: NDArray[np.intp]


def read_references(connection: duckdb.DuckDBPyConnection, space: str) -> References:
    """Return the vectors of the temp table `reference_sample` in one space; none gives zero rows."""
    parts = list(stream_matrices(connection, read_sql("mine/reference_vectors"), {"space": space}))
    if not parts:
        return References(np.zeros((0, 0), dtype=np.float32), [], [])
    return References(
        normalise(np.concatenate([matrix for _, matrix in parts])),
        [group for batch, _ in parts for group in batch.column("group_id").to_pylist()],
        [label for batch, _ in parts for label in batch.column("predicted").to_pylist()],
    )


def measure_likeness(
    connection: duckdb.DuckDBPyConnection, references: References, space: str, nearest: int
) -> Iterator[LikenessBatch]:
    """Yield the likeness of every row of the temp table `likeness_candidate` that has a vector in `space`.

    Likeness is the mean cosine to the `nearest` nearest references of other groups (all, if there are fewer);
    -inf for a sample all of whose references are of its own group.
    """
    places = _place_groups(references)
    for rows, matrix in stream_matrices(connection, read_sql("mine/candidate_vectors"), {"space": space}):
        cosines = normalise(matrix) @ references.vectors.T
        _leave_out_own_group(cosines, rows.column("group_id"), places)
        yield LikenessBatch(rows, matrix, _mean_of_nearest(cosines, nearest), cosines.argmax(axis=1))


def _place_groups(references: References) -> dict[str, list[int]]:
    places: dict[str, list[int]] = {}
    for index, group in enumerate(references.groups):
        places.setdefault(group, []).append(index)
    return places


def _leave_out_own_group(cosines: Matrix, groups: pa.Array, places: dict[str, list[int]]) -> None:
    import pyarrow.compute as pc

    shared = pc.is_in(groups, value_set=pa.array(list(places), type=groups.type))
    for row in np.flatnonzero(shared.to_numpy(zero_copy_only=False)):
        cosines[row, places[groups[int(row)].as_py()]] = -np.inf


def _mean_of_nearest(cosines: Matrix, nearest: int) -> NDArray[np.float32]:
    kept = min(nearest, cosines.shape[1])
    best = np.partition(cosines, cosines.shape[1] - kept, axis=1)[:, -kept:]
    found = np.isfinite(best)
    total = np.where(found, best, 0).sum(axis=1)
    counts = found.sum(axis=1)
    return np.where(counts > 0, total / np.maximum(counts, 1), -np.inf).astype(np.float32)
