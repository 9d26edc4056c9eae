"""Write the rows of a training set as Parquet, slice by slice, so that memory stays bounded however many they are.

Only the export imports this module, so pyarrow stands at the top.
"""

import hashlib
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from schemas.exported_columns import EXPORTED_COLUMNS, Kind
from schemas.sql_files import read_sql
from tasks.errors import NotYetError, WarehouseError
from tasks.stream_vectors import as_matrix

_ROWS_A_SLICE, _FLOATS_A_SLICE = 50_000, 8_000_000
_TYPES: dict[Kind, pa.DataType] = {
    "text": pa.string(),
    "texts": pa.list_(pa.string()),
    "number": pa.float64(),
    "time": pa.timestamp("us", tz="UTC"),
    "vector": pa.list_(pa.float32()),
}


def write_set_rows(connection: duckdb.DuckDBPyConnection, path: Path, version: str, feature_space: str) -> int:
    """Write the rows of a version that `withheld_row` does not name, by sample_id; return how long features are.

    What is counted of them goes to the temp table `exported_row`. One row group a slice, zstd. Raises NotYetError
    where there is none, WarehouseError where one has lost its sample, label or features.
    """
    schema = pa.schema([(column.name, _TYPES[column.kind]) for column in EXPORTED_COLUMNS])
    space = {"feature_space": feature_space, "feature_version": feature_space.removeprefix("features:")}
    connection.execute(read_sql("export/exported_row"))
    which = {"version": version}
    rows = _count_rows(connection, feature_space)
    slices = connection.execute(read_sql("export/read_slices"), {**which, "rows": rows}).fetchall()
    if not slices:
        raise NotYetError(f"{version}: none of its rows may be exported")
    length = 0
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for first, last, count in slices:
            bound = {**which, "first": first, "last": last}
            connection.execute(read_sql("export/stage_rows"), bound)
            table = connection.execute(read_sql("export/read_rows"), {**bound, **space}).to_arrow_table()
            _require_all(version, table.num_rows, count)
            writer.write_table(table.cast(schema), row_group_size=_ROWS_A_SLICE)
            length = len(table.column("features")[0])
    return length


def _count_rows(connection: duckdb.DuckDBPyConnection, feature_space: str) -> int:
    """Return how many rows a slice has: the longer the features, the fewer."""
    row = connection.execute(
        "select max(length) from vector_space where space = $space", {"space": feature_space}
    ).fetchone()
    length = row[0] if row and row[0] else 1
    return int(max(1, min(_ROWS_A_SLICE, _FLOATS_A_SLICE // length)))


def _require_all(version: str, found: int, expected: int) -> None:
    if found != expected:
        raise WarehouseError(
            f"{version}: {expected - found} of its rows have lost their sample, label or features; "
            f"`turnrow verify {version}` tells more"
        )


def digest_set_file(connection: duckdb.DuckDBPyConnection, path: Path) -> str:
    """Return the training-set digest (see `digest_rows`) of an exported file, by what stands in it.

    So what was written is compared with what was assembled, not with what was read for it.
    """
    digest = hashlib.sha256()
    reader = connection.execute(read_sql("export/file_lines"), {"path": str(path)}).to_arrow_reader(_ROWS_A_SLICE)
    for batch in reader:
        digest.update("".join(batch.column("line").to_pylist()).encode())
    with pq.ParquetFile(path) as file:
        for batch in file.iter_batches(_ROWS_A_SLICE, columns=["features"]):
            digest.update(np.ascontiguousarray(as_matrix(batch.column("features")), dtype="<f4").data)
    return digest.hexdigest()
