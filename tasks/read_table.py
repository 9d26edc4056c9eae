"""Read a small exchange file (answers, a list of samples) whose suffix names the format into a temp table."""

from collections.abc import Sequence
from pathlib import Path

import duckdb

from tasks.errors import InputError

_READERS = {
    ".parquet": "read_parquet($path)",
    ".csv": "read_csv($path, all_varchar = true, header = true, delim = ',', quote = '\"', escape = '\"')",
    ".jsonl": "read_json($path, format = 'newline_delimited')",
}


def load_table(
    connection: duckdb.DuckDBPyConnection,
    path: Path,
    table: str,
    *,
    needed: Sequence[str] = (),
    optional: Sequence[str] = (),
) -> list[str]:
    """Read a .parquet, .csv or .jsonl file into the temp table `table` and return its columns as they came.

    Columns of `optional` that are absent are added as nulls. Raises InputError where the file is not there,
    cannot be read, or lacks one of `needed`.
    """
    reader = _READERS.get(path.suffix)
    if reader is None:
        raise InputError(f"{path}: the suffix says the format: .parquet, .csv or .jsonl is read")
    if not path.is_file():
        raise InputError(f"{path}: there is no such file")
    try:
        connection.execute(
            f"create or replace temp table {table} as select * from {reader}", {"path": str(path.absolute())}
        )
    except duckdb.Error as error:
        first_line = str(error).strip().splitlines()[0]
        raise InputError(f"{path}: cannot be read as {path.suffix[1:]}: {first_line}") from error
    present = [str(row[0]) for row in connection.execute(f"describe {table}").fetchall()]
    missing = [name for name in needed if name not in present]
    if missing:
        raise InputError(f"{path}: lacks the column {', '.join(missing)}; it has {', '.join(present)}")
    for name in optional:
        if name not in present:
            connection.execute(f"alter table {table} add column {name} varchar")
    return present
