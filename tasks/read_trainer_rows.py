"""The Parquet files of a trainer's folder, read in batches. Loads numpy and pyarrow at once."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from tasks.errors import TrainerError
from tasks.store_perceptron import Floats

_BATCH_ROWS = 16_384


def iterate_batches(path: Path, columns: list[str]) -> Iterator[pa.RecordBatch]:
    """Yield the file's rows in Arrow batches, so that memory does not grow with the file."""
    if not path.is_file():
        raise TrainerError(f"{path.name} is missing from the trainer's folder")
    try:
        with pq.ParquetFile(path) as file:
            missing = [name for name in columns if name not in file.schema_arrow.names]
            if missing:
                raise TrainerError(f"{path.name}: column {', '.join(missing)} is missing")
            for batch in file.iter_batches(batch_size=_BATCH_ROWS, columns=columns):
                yield batch.select(columns)
    except (OSError, pa.ArrowException) as error:
        raise TrainerError(f"{path.name} cannot be read as Parquet ({error})") from error


def read_features(batch: pa.RecordBatch, width: int | None, name: str) -> Floats:
    """Return rows x features as float32; each row must have `width` (by default, as most) finite ones."""
    column, ids = batch.column("features"), batch.column("sample_id")
    if not _is_number_list(column.type):
        raise TrainerError(f"{name}: features are {column.type}, expected a list of numbers a row")
    lengths = pc.fill_null(pc.list_value_length(column), 0).to_numpy(zero_copy_only=False)
    wanted = width or int(np.bincount(lengths[lengths > 0], minlength=2).argmax()) or 1
    refuse_rows(ids, lengths != wanted, f"{name}: features are missing or are not {wanted} values")
    values = column.flatten().to_numpy(zero_copy_only=False)
    with np.errstate(over="ignore"):
        matrix: Floats = values.astype(np.float32).reshape(len(ids), wanted)
    refuse_rows(ids, np.asarray(~np.isfinite(matrix).all(axis=1)), f"{name}: features are not all finite")
    return matrix


def _is_number_list(kind: pa.DataType) -> bool:
    types = pa.types
    is_list = types.is_list(kind) or types.is_large_list(kind) or types.is_fixed_size_list(kind)
    return bool(is_list and (types.is_floating(kind.value_type) or types.is_integer(kind.value_type)))


def refuse_rows(ids: pa.Array, is_bad: NDArray[np.bool_], what: str) -> None:
    """Raise TrainerError with the count and some of the sample ids where any row is bad."""
    places = np.flatnonzero(is_bad)
    if len(places):
        some = ", ".join(str(ids[int(place)].as_py()) for place in places[:5])
        raise TrainerError(f"{what} in {len(places)} rows (sample_id {some}); mend or leave out these samples")
