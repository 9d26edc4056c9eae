"""Write a query's rows to a file whose suffix names the format."""

from collections.abc import Mapping
from pathlib import Path

import duckdb

from tasks.errors import InputError

_FORMATS = {
    ".parquet": "(format parquet, compression zstd)",
    ".csv": "(format csv, header)",
    ".jsonl": "(format json)",
}


def write_table(
    connection: duckdb.DuckDBPyConnection, query: str, parameters: Mapping[str, object], path: Path
) -> int:
    """Write what `query` gives to `path` and return the number of rows; a file that stood there is replaced.

    Lists and JSON become JSON text in CSV. Written beside and moved into place, so that nobody meets half a
    file. Raises InputError for an unknown suffix or a folder that is not there.
    """
    options = _FORMATS.get(path.suffix)
    if options is None:
        raise InputError(f"{path}: the suffix says the format: write .parquet, .csv or .jsonl")
    if not path.parent.is_dir():
        raise InputError(f"{path}: the folder {path.parent} is not there; make it first")
    connection.execute(f"create or replace temp table written_table as {query}", dict(parameters))
    part = path.with_name(f".{path.name}.part")
    target = str(part.absolute()).replace("'", "''")
    try:
        row = connection.execute(f"copy ({_select(connection, path.suffix)}) to '{target}' {options}").fetchone()
        part.replace(path)
    except (duckdb.IOException, OSError) as error:
        part.unlink(missing_ok=True)
        raise InputError(
            f"{path}: cannot be written ({str(error).splitlines()[0]}); choose another file"
        ) from error
    return int(row[0]) if row else 0


def _select(connection: duckdb.DuckDBPyConnection, suffix: str) -> str:
    if suffix != ".csv":
        return "from written_table"
    columns = connection.execute("describe written_table").fetchall()
    shown = [
        f'cast(to_json("{name}") as varchar) as "{name}"' if _is_nested(kind) else f'"{name}"'
        for name, kind, *_ in columns
    ]
    return f"select {', '.join(shown)} from written_table"


def _is_nested(kind: str) -> bool:
    return kind.endswith("[]") or kind.startswith(("STRUCT", "MAP"))
