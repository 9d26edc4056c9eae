"""Parquet without a recording's rows: same schema, metadata and compression."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from tasks.match_rows import FREE_COLUMNS, RowMatch

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_ROWS_AT_ONCE = 65_536


class Counts(Protocol):
    """What is counted on the way."""

    rows: int
    kept: int
    cuts: int
    still_named: int


def strip_parquet(path: Path, target: Path | None, match: RowMatch, done: Counts) -> None:
    """Write the file without the thing's rows to `target`, or only count them where that is None."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(path) as source:
        schema = _cut_metadata(source.schema_arrow, match, done)
        if target is None:
            for batch in source.iter_batches(_ROWS_AT_ONCE, columns=_list_texts(source.schema_arrow)):
                _strip_batch(batch, match, done)
            return
        with pq.ParquetWriter(target, schema, compression=_read_compression(source)) as writer:
            for batch in source.iter_batches(_ROWS_AT_ONCE):
                kept = _strip_batch(batch, match, done)
                if kept.num_rows:
                    writer.write_batch(kept.replace_schema_metadata(schema.metadata))


def _list_texts(schema: "pa.Schema") -> list[str]:
    """Return the columns that are looked at: all but lists, structures and numbers."""
    import pyarrow as pa

    def is_looked_at(kind: "pa.DataType") -> bool:
        return not (pa.types.is_nested(kind) or pa.types.is_floating(kind) or pa.types.is_temporal(kind))

    return [field.name for field in schema if is_looked_at(field.type)]


def _cut_metadata(schema: "pa.Schema", match: RowMatch, done: Counts) -> "pa.Schema":
    """Return the schema without the thing's name in what was noted beside it."""
    texts = {key: value.decode("utf-8", "surrogateescape") for key, value in (schema.metadata or {}).items()}
    cut = {key: match.mention.cut(text).encode("utf-8", "surrogateescape") for key, text in texts.items()}
    if schema.metadata and cut != schema.metadata:
        done.cuts += 1
        return schema.with_metadata(cut)
    return schema


def _read_compression(source: "pq.ParquetFile") -> dict[str, str] | str:
    if source.metadata.num_row_groups == 0:
        return "zstd"
    group = source.metadata.row_group(0)
    columns = (group.column(place) for place in range(group.num_columns))
    names = {"UNCOMPRESSED": "NONE", "LZ4_RAW": "LZ4"}
    return {column.path_in_schema: names.get(column.compression, column.compression) for column in columns}


def _strip_batch(batch: "pa.RecordBatch", match: RowMatch, done: Counts) -> "pa.RecordBatch":
    import pyarrow.compute as pc

    is_row = _find_rows(batch, match)
    if is_row is not None:
        count = int(pc.sum(is_row).as_py() or 0)
        done.rows += count
        if count:
            batch = batch.filter(pc.invert(is_row))
    done.kept += batch.num_rows
    return _cut_batch(batch, match, done) if batch.num_rows else batch


def _find_rows(batch: "pa.RecordBatch", match: RowMatch) -> "pa.BooleanArray | None":
    """Return which rows are the thing's; None where no column could tell."""
    import pyarrow.compute as pc

    tests = match.tests
    found = {name: _test(batch.column(name), tests[name]) for name in tests if name in batch.schema.names}
    parts = [found[name] for name in ("sample_id", "fix_id") if name in found]
    if "recording_id" in found and (match.object_id is None or "object_id" in found):
        named = found["recording_id"]
        parts.append(named if match.object_id is None else pc.and_(named, found["object_id"]))
    total = None
    for part in parts:
        total = part if total is None else pc.or_(total, part)
    return total


def _test(column: "pa.Array", is_own: Callable[[str], bool]) -> "pa.BooleanArray":
    """Apply a test to each distinct value, as text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    texts = _as_text(column)
    own = [value for value in texts.unique().to_pylist() if value is not None and is_own(value)]
    return pc.fill_null(pc.is_in(texts, value_set=pa.array(own, pa.string())), False)


def _as_text(column: "pa.Array") -> "pa.Array":
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if isinstance(column, pa.ExtensionArray):
        column = column.storage
    return column.cast(pa.string())


def _cut_batch(batch: "pa.RecordBatch", match: RowMatch, done: Counts) -> "pa.RecordBatch":
    """Cut the thing's name out of texts in people's own words; count what names it elsewhere."""
    import pyarrow as pa

    for place, field in enumerate(batch.schema):
        if not (pa.types.is_string(field.type) or pa.types.is_large_string(field.type)):
            continue
        named = [text for text in batch.column(place).unique().to_pylist() if text and match.mention.is_in(text)]
        if not named:
            continue
        texts = batch.column(place).to_pylist()
        if field.name in FREE_COLUMNS:
            cut = [match.mention.cut(text) if text else text for text in texts]
            done.cuts += sum(text != other for text, other in zip(texts, cut, strict=True))
            batch = batch.set_column(place, field, pa.array(cut, field.type))
        else:
            done.still_named += sum(text in named for text in texts)
    return batch
