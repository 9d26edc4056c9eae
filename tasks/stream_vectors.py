"""Vectors out of the warehouse as numpy matrices, batch by batch. Imported only by steps that compute."""

from collections.abc import Iterator, Mapping

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tasks.errors import InputError

BATCH_ROWS = 50_000
Matrix = NDArray[np.float32]


def stream_matrices(
    connection: duckdb.DuckDBPyConnection, query: str, parameters: Mapping[str, object]
) -> Iterator[tuple[pa.RecordBatch, Matrix]]:
    """Yield each batch of a query with a column `vector`, and that column as a (rows, length) float32 matrix.

    Bounded memory: one batch at a time. Raises InputError where the vectors have several lengths.
    """
    reader = connection.execute(query, dict(parameters)).to_arrow_reader(BATCH_ROWS)
    length: int | None = None
    for batch in reader:
        if batch.num_rows == 0:
            continue
        matrix = as_matrix(batch.column("vector"))
        if length is not None and matrix.shape[1] != length:
            raise InputError(f"vectors of one space have lengths {length} and {matrix.shape[1]}; pull one kind")
        length = matrix.shape[1]
        yield batch, matrix


def as_matrix(column: pa.ListArray) -> Matrix:
    """Return a list column without nulls as a (rows, length) matrix, without a copy where Arrow allows it."""
    values = column.flatten().to_numpy(zero_copy_only=False)
    if len(values) % len(column):
        raise InputError("vectors of one space have several lengths; pull one kind")
    matrix: Matrix = values.astype(np.float32, copy=False).reshape(len(column), -1)
    return matrix


def normalise(matrix: Matrix) -> Matrix:
    """Return the rows scaled to length 1; a zero row stays zero."""
    norms = np.sqrt(np.einsum("ij,ij->i", matrix, matrix))
    scaled: Matrix = (matrix / np.where(norms > 0, norms, 1)[:, None]).astype(np.float32, copy=False)
    return scaled
