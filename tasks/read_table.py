"""Read a small exchange file (answers, a list of samples) whose suffix names the format into a temp table."""

import csv
from collections.abc import Sequence
from pathlib import Path

import duckdb

from tasks.errors import InputError

_SEPARATORS = ",;\t"


def load_table(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    table: str,
    *,
    needed: Sequence[str] = (),
    optional: Sequence[str] = (),
) -> list[str]:
    """Read a .parquet, .csv or .jsonl file into the temp table `table` and return its columns as they came.

    Of a text file every scalar is text, as it stands there; the separator of a CSV file is the one that its
    first line has most of. Columns of `optional` that are absent are added as nulls. Raises InputError where
    the file is not there, cannot be read to its end, or lacks one of `needed`.
    """
    if path.suffix not in (".parquet", ".csv", ".jsonl"):
        raise InputError(f"{path}: the suffix says the format: .parquet, .csv or .jsonl is read")
    if not path.is_file():
        raise InputError(f"{path}: there is no such file")
    try:
        _copy_rows(connection, path, table)
    except (duckdb.Error, OSError, UnicodeError) as error:
        raise InputError(f"{path}: cannot be read as {path.suffix[1:]}: {_explain(error)}") from error
    present = [str(row[0]) for row in connection.execute(f"describe {table}").fetchall()]
    missing = [name for name in needed if name not in present]
    if missing:
        raise InputError(f"{path}: lacks the column {', '.join(missing)}; it has {', '.join(present)}")
    for name in optional:
        if name not in present:
            connection.execute(f"alter table {table} add column {name} varchar")
    return present


def _copy_rows(connection: duckdb.DuckDBPyConnection, path: Path, table: str) -> None:
    if path.stat().st_size == 0:
        raise InputError(f"{path}: is empty")
    reader, values = "read_parquet($path)", {"path": str(path.absolute())}
    if path.suffix == ".csv":
        names, values["separator"] = _read_header(path)
        reader = (
            f"read_csv($path, columns = {{{_spell_columns(dict.fromkeys(names, 'varchar'))}}}, header = true, "
            "auto_detect = false, delim = $separator, quote = '\"', escape = '\"')"
        )
    elif path.suffix == ".jsonl":
        columns = _spell_columns(_find_types(connection, values["path"]))
        reader = f"read_json($path, format = 'newline_delimited', columns = {{{columns}}})"
    connection.execute(f"create or replace temp table {table} as select * from {reader}", values)


def _read_header(path: Path) -> tuple[list[str], str]:
    """Return the column names and the separator of a CSV file; raises InputError where a name stands twice."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        line = handle.readline()
    separator = max(_SEPARATORS, key=line.count)
    names = [name.strip() for name in next(csv.reader([line], delimiter=separator), [])]
    if "" in names or len({name.lower() for name in names}) < len(names):
        raise InputError(f"{path}: its first line must name each column once; it is {line.strip()}")
    return names, separator


def _find_types(connection: duckdb.DuckDBPyConnection, path: str) -> dict[str, str]:
    """Return the type of each key of a JSON Lines file: nested values as DuckDB finds them, all else as text."""
    found = connection.execute(
        "describe select * from read_json($path, format = 'newline_delimited', sample_size = -1)", {"path": path}
    ).fetchall()
    return {str(name): kind if "(" in kind or kind.endswith("]") else "varchar" for name, kind, *_ in found}


def _spell_columns(types: dict[str, str]) -> str:
    quoted = {name.replace("'", "''"): kind.replace("'", "''") for name, kind in types.items()}
    return ", ".join(f"'{name}': '{kind}'" for name, kind in quoted.items())


def _explain(error: Exception) -> str:
    """Return the first line of an error that says what is wrong; DuckDB's of a CSV opens with the line."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    wanted = [line for line in lines if "Line" not in line or "Error on Line" in line]
    return "; ".join(wanted[:2] if lines and "CSV Error" in lines[0] else lines[:1])
