"""The digest of a training set: what it holds, in 64 hex digits."""

import hashlib

import duckdb
import numpy as np
import pyarrow as pa

from schemas.sql_files import read_sql
from tasks.stream_vectors import BATCH_ROWS, stream_matrices


def digest_rows(
    connection: duckdb.DuckDBPyConnection, feature_space: str, *, has_signed_zeros: bool = True
) -> str:
    """Return SHA-256 over the lines of the temp table `assembled`, then over every row's features.

    Both go in order of sample_id. A line is sample_id, revision_id, label, weight as DECIMAL(12,6) and reason,
    tab-separated, ended by a line feed (the label of a number: the hex digits of its float64). Features are
    little-endian float32. Without signed zeros -0 counts as 0: so did earlier versions, since DuckDB drops the
    sign wherever it picks a list by its row's rank.
    """
    digest = hashlib.sha256()
    reader = connection.execute(read_sql("assemble/digest_lines")).to_arrow_reader(BATCH_ROWS)
    for batch in reader:
        digest.update(_join_texts(batch.column("line")))
    vectors = stream_matrices(connection, read_sql("assemble/digest_vectors"), {"feature_space": feature_space})
    for _, matrix in vectors:
        told = matrix if has_signed_zeros else matrix + np.float32(0.0)
        digest.update(np.ascontiguousarray(told, dtype="<f4").data)
    return digest.hexdigest()


def _join_texts(column: pa.Array) -> memoryview:
    """Return the bytes of a text column without nulls, one after the other: Arrow keeps them so."""
    if len(column) == 0:
        return memoryview(b"")
    texts = column.cast(pa.large_string())
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int64)[texts.offset : texts.offset + len(texts) + 1]
    return memoryview(texts.buffers()[2])[int(offsets[0]) : int(offsets[-1])]
