"""CSV and JSON Lines as a temporary table of texts, with each broken line as a row of its own."""

import csv
import json
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from schemas.log_contract import STAGED_COLUMNS, STAGED_NAMES
from schemas.sql_files import read_sql
from tasks.errors import InputError

_SEPARATORS = ",;\t|"
_PIECE_BYTES = 1 << 20
_NO_SEPARATOR = "\x1f"  # valid in no JSON text, so a line is always one value


@dataclass(frozen=True)
class TextLog:
    """A table with row_number, fault and the file's columns; `raw` is the expression of a row as it came."""

    table: str
    columns: list[tuple[str, str]]
    raw: str


def refuse_cut(path: Path, name: str) -> None:
    """Raise InputError where a compressed file ends early or is none: DuckDB would take what is there for all."""
    import pyarrow

    try:
        with pyarrow.input_stream(str(path)) as stream:
            while stream.read(_PIECE_BYTES):
                pass
    except (OSError, pyarrow.ArrowException) as error:
        why = str(error).strip().splitlines()[0]
        raise InputError(f"{name}: cannot be unpacked ({why}); replace the file and pull again") from error


def read_csv_log(connection: duckdb.DuckDBPyConnection, path: Path, name: str, table: str) -> TextLog:
    """Read a CSV file, every value as text; the separator is the one that its first line has most of.

    Raises InputError where there is no readable first line.
    """
    header, separator = _read_header(connection, path, name)
    columns = [(column, "VARCHAR") for column in header]
    packed = ", ".join(f"{_quote(column)} := c{place}" for place, column in enumerate(header))
    if len({column.lower() for column in header}) < len(header):
        return TextLog(table, columns, "line")
    _read_lines(connection, path, len(header), separator, header_lines=1)
    names = ", ".join(f"c{place} as {_quote(column)}" for place, column in enumerate(header))
    connection.execute(
        f"create or replace temp table {table} as select row_number, fault, {names}, "
        f"coalesce(line, cast(to_json(struct_pack({packed})) as varchar)) as line from numbered_text_line"
    )
    return TextLog(table, columns, "line")


def read_json_lines(connection: duckdb.DuckDBPyConnection, path: Path, name: str, table: str) -> TextLog:
    """Read a JSON Lines file line by line. Raises InputError where no line is a JSON object."""
    _read_lines(connection, path, 1, _NO_SEPARATOR, header_lines=0)
    keys = [str(row[0]) for row in connection.execute(read_sql("pull/list_json_keys")).fetchall()]
    if not keys:
        raise InputError(f"{name}: holds no JSON object; expected one a line")
    columns = [(key, _find_json_type(key)) for key in keys]
    wanted = {key: kind for key, kind in columns if STAGED_NAMES.get(key, key) in STAGED_COLUMNS}
    if wanted:
        connection.execute(
            f"create or replace temp table {table} as {read_sql('pull/read_json_lines')}",
            {"shape": json.dumps(wanted)},
        )
    return TextLog(table, columns, "line")


def _find_json_type(key: str) -> str:
    kind = STAGED_COLUMNS.get(STAGED_NAMES.get(key, key), "text")
    return "JSON" if kind in ("vector", "object") else "VARCHAR"


def _read_lines(
    connection: duckdb.DuckDBPyConnection, path: Path, width: int, separator: str, *, header_lines: int
) -> None:
    _drop(connection, ["text_reject", "text_scan"])
    columns = ", ".join(f"'c{place}': 'varchar'" for place in range(width))
    is_csv = header_lines > 0
    connection.execute(
        f"create or replace temp table text_line as select * from read_csv($path, columns = {{{columns}}}, "
        "auto_detect = false, header = $header, delim = $separator, quote = $quote, escape = $quote, "
        "hive_partitioning = false, store_rejects = true, rejects_table = 'text_reject', "
        "rejects_scan = 'text_scan')",
        {"path": str(path), "header": is_csv, "separator": separator, "quote": '"' if is_csv else ""},
    )
    connection.execute(read_sql("pull/number_text_lines"), {"header_lines": header_lines})
    _drop(connection, ["text_line", "text_reject", "text_scan"])


def _read_header(connection: duckdb.DuckDBPyConnection, path: Path, name: str) -> tuple[list[str], str]:
    row = connection.execute(
        "select line from read_csv($path, columns = {'line': 'varchar'}, auto_detect = false, "
        "header = false, delim = $separator, quote = '', escape = '', hive_partitioning = false, "
        "ignore_errors = true) limit 1",
        {"path": str(path), "separator": _NO_SEPARATOR},
    ).fetchone()
    if row is None or row[0] is None:
        raise InputError(f"{name}: is empty; expected a first line of column names")
    line = str(row[0]).removeprefix("\ufeff")
    if any(unicodedata.category(letter) == "Cc" and letter != "\t" for letter in line):
        raise InputError(f"{name}: its first line is no UTF-8 text; expected column names")
    separator = max(_SEPARATORS, key=line.count)
    return next(csv.reader([line], delimiter=separator)), separator


def _drop(connection: duckdb.DuckDBPyConnection, tables: Sequence[str]) -> None:
    for table in tables:
        connection.execute(f"drop table if exists {table}")


def _quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
