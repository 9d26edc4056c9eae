"""Read a small exchange file row by row: of a broken row it is kept what is wrong with it, the rest is read."""

import json
from collections.abc import Iterable, Sequence
from pathlib import Path

import duckdb

from tasks.errors import InputError
from tasks.guard_cells import read_guarded
from tasks.read_table import load_table
from tasks.split_csv import Record, decode_lines, is_text, read_header, show_bytes, split_records


def load_rows(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    content: bytes,
    table: str,
    *,
    needed: Sequence[str],
    optional: Sequence[str],
) -> None:
    """Read a .parquet, .csv or .jsonl file into the temp table `table`, the columns asked for and a row's place.

    `row_number` counts from 1, `fault` says why a row cannot be read, `raw` is the row as it came (a whole one as
    JSON). Of a text file every value is text, and what `guard_cells` did to a CSV file's cells is undone.
    `content` is the text file as it was read once, so that what is hashed is what is taken in. Raises InputError
    where no row can be read at all, or a column of `needed` is missing.
    """
    if path.suffix == ".csv":
        present, rows = _read_csv(content, path)
    elif path.suffix == ".jsonl":
        present, rows = _read_json_lines(content, path)
    else:
        _load_parquet(connection, path, table, needed=needed, optional=optional)
        return
    missing = [name for name in needed if name not in present]
    if missing and present:
        raise InputError(f"{path}: lacks the column {', '.join(missing)}; it has {', '.join(present)}")
    _store(connection, table, rows, (*needed, *optional))


def _read_csv(content: bytes, path: Path) -> tuple[list[str], list[tuple[Record, dict[str, str]]]]:
    if not content:
        raise InputError(f"{path}: is empty")
    lines = decode_lines(content, path)
    names, separator = read_header(lines, str(path))
    records = split_records(lines[1:], separator, len(names))
    return names, [(record, _name_cells(names, record)) for record in records]


def _name_cells(names: list[str], record: Record) -> dict[str, str]:
    pairs = zip(names, record.cells, strict=False)
    return {name: read_guarded(cell) for name, cell in pairs if cell is not None}


def _read_json_lines(content: bytes, path: Path) -> tuple[list[str], list[tuple[Record, dict[str, str]]]]:
    lines = (line for line in decode_lines(content, path) if line.strip())
    rows = [_read_object(line.strip()) for line in lines]
    if rows and all(record.fault for record, _ in rows) and not rows[0][0].raw.startswith("{"):
        raise InputError(f"{path}: cannot be read as jsonl: no line of it is a JSON object; expected one a line")
    return list(dict.fromkeys(name for _, values in rows for name in values)), rows


def _read_object(line: str) -> tuple[Record, dict[str, str]]:
    if not is_text(line):
        return Record(line, fault="is no UTF-8 text"), {}
    try:
        found = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return Record(line, fault="is no JSON object, or half of one"), {}
    if not isinstance(found, dict):
        return Record(line, fault="is no JSON object"), {}
    values = {name: _spell(value) for name, value in found.items() if value is not None}
    if not all(is_text(text) for pair in values.items() for text in pair):
        return Record(line, fault="holds half a character"), {}
    return Record(line), values


def _spell(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _store(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    rows: list[tuple[Record, dict[str, str]]],
    columns: Sequence[str],
) -> None:
    import pyarrow as pa

    def gather(texts: Iterable[str | None]) -> pa.Array:
        return pa.array(texts, pa.string())

    arrays = {
        "row_number": pa.array(range(1, len(rows) + 1), pa.int64()),
        "fault": gather(record.fault for record, _ in rows),
        "raw": gather(_show_row(record, values) for record, values in rows),
        **{name: gather(values.get(name) for _, values in rows) for name in columns},
    }
    connection.register("read_rows", pa.table(arrays))
    connection.execute(f"create or replace temp table {table} as select * from read_rows")
    connection.unregister("read_rows")


def _show_row(record: Record, values: dict[str, str]) -> str:
    return show_bytes(record.raw) if record.fault else json.dumps(values, ensure_ascii=False)


def _load_parquet(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    table: str,
    *,
    needed: Sequence[str],
    optional: Sequence[str],
) -> None:
    load_table(connection, path, "parquet_row", needed=needed, optional=optional)
    names = ", ".join((*needed, *optional))
    connection.execute(
        f"create or replace temp table {table} as select rowid + 1 as row_number, null::varchar as fault, "
        f"cast(to_json(p) as varchar) as raw, {names} from parquet_row as p"
    )
