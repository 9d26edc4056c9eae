"""Write a query's rows to a file whose suffix names the format."""

from collections.abc import Mapping
from pathlib import Path

import duckdb

from tasks.errors import InputError
from tasks.guard_cells import spell_guarded

_FORMATS = {
    ".parquet": "(format parquet, compression zstd)",
    ".csv": "(format csv, header)",
    ".jsonl": "(format json)",
}


def write_table(
    connection: duckdb.DuckDBPyConnection,
    query: str,
    parameters: Mapping[str, object],
    path: Path,
    *,
    is_guarded: bool = False,
) -> int:
    """Write what `query` gives to `path` and return the number of rows; a file that stood there is replaced.

    Lists and JSON become JSON text in CSV; with `is_guarded` no cell of it is a formula to a spreadsheet. Written
    beside and moved into place, so that nobody meets half a file. Raises InputError for an unknown suffix or a
    folder that is not there.
    """
    refuse_target(path)
    connection.execute(f"create or replace temp table written_table as {query}", dict(parameters))
    part = path.with_name(f".{path.name}.part")
    target = str(part.absolute()).replace("'", "''")
    try:
        row = connection.execute(
            f"copy ({_select(connection, path.suffix, is_guarded)}) to '{target}' {_FORMATS[path.suffix]}"
        ).fetchone()
        part.replace(path)
    except (duckdb.IOException, OSError) as error:
        part.unlink(missing_ok=True)
        raise InputError(
            f"{path}: cannot be written ({str(error).splitlines()[0]}); choose another file"
        ) from error
    return int(row[0]) if row else 0


def refuse_target(path: Path) -> None:
    """Raise InputError where no table can be written to `path`: an unknown suffix, a folder that is not there."""
    if path.suffix not in _FORMATS:
        raise InputError(f"{path}: the suffix says the format: write .parquet, .csv or .jsonl")
    if not path.parent.is_dir():
        raise InputError(f"{path}: the folder {path.parent} is not there; make it first")


def _select(connection: duckdb.DuckDBPyConnection, suffix: str, is_guarded: bool) -> str:
    if suffix != ".csv":
        return "from written_table"
    columns = connection.execute("describe written_table").fetchall()
    shown = [_spell_column(str(name), str(kind), is_guarded) for name, kind, *_ in columns]
    return f"select {', '.join(shown)} from written_table"


def _spell_column(name: str, kind: str, is_guarded: bool) -> str:
    column = f'"{name}"'
    if kind.endswith("[]") or kind.startswith(("STRUCT", "MAP")):
        return f"cast(to_json({column}) as varchar) as {column}"
    return f"{spell_guarded(column)} as {column}" if is_guarded and kind == "VARCHAR" else column
