"""One file of any format as the view `log_row`: the same typed columns, whatever it came in."""

import difflib
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb

from schemas.log_contract import (
    ANSWER_COLUMNS,
    COMPRESSIONS,
    FORMATS,
    LABEL_COLUMNS,
    PREDICTION_COLUMNS,
    REQUIRED_OF_LABELS,
    REQUIRED_OF_PREDICTIONS,
    STAGED_COLUMNS,
    STAGED_NAMES,
    Kind,
)
from tasks.errors import InputError
from tasks.read_text_log import TextLog, read_csv_log, read_json_lines, refuse_cut

_WHOLE = ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT")
_NUMBERS = ("FLOAT", "DOUBLE", *_WHOLE, *(f"U{name}" for name in _WHOLE))


class UnreadableFileError(InputError):
    """A file of a chunk could not be read to its end, or changed meanwhile; the others go on without it."""

    def __init__(self, file_number: int, text: str) -> None:
        super().__init__(text)
        self.file_number = file_number


@contextmanager
def blame_file(number: int, name: str) -> Iterator[None]:
    """Turn DuckDB's complaint about a file's content into an UnreadableFileError that names the file."""
    try:
        yield
    except (duckdb.TransactionException, duckdb.OutOfMemoryException, duckdb.ParserException):
        raise
    except duckdb.Error as error:
        why = str(error).strip().splitlines()[0].rstrip(".")
        raise UnreadableFileError(
            number, f"{name}: cannot be read ({why}); mend or replace the file and pull again"
        ) from error


@dataclass(frozen=True)
class LogFile:
    """A file that can be read: `kind` is `predictions` or `labels`; `columns` are the file's, with SQL types.

    `relation` is what stands after `from`, `row_number` the expression that numbers its rows from 1, `fault` what
    makes a row none, `raw` the row as it came. In the lists of the columns `unbroken` no value is null.
    """

    name: str
    kind: str
    columns: dict[str, str]
    relation: str
    row_number: str
    fault: str
    raw: str
    unbroken: frozenset[str] = frozenset()

    @property
    def is_prediction(self) -> bool:
        """Whether it is a prediction log."""
        return self.kind == "predictions"

    @property
    def has_vectors(self) -> bool:
        """Whether it holds features or embeddings."""
        return "features" in self.columns or "embedding" in self.columns


def open_log(connection: duckdb.DuckDBPyConnection, path: Path, name: str, number: int) -> LogFile:
    """Look into a file and say how to read it; `number` names its temporary table where it needs one.

    Raises InputError, naming the file, if it is neither a prediction log nor a label file.
    """
    form = find_format(path, name)
    if form == "parquet":
        return _open_parquet(connection, path, name)
    if path.suffix.lower() in COMPRESSIONS:
        refuse_cut(path, name)
    read = read_csv_log if form == "csv" else read_json_lines
    return _open_text(read(connection, path, name, f"text_log_{number}"), name)


def find_format(path: Path, name: str) -> str:
    """Return `parquet`, `csv` or `jsonl`, by suffix. Raises InputError for any other."""
    suffixes = [suffix.lower() for suffix in path.suffixes]
    packed = bool(suffixes) and suffixes[-1] in COMPRESSIONS
    form = FORMATS.get(suffixes[-2] if packed and len(suffixes) > 1 else suffixes[-1] if suffixes else "")
    if form is None:
        raise InputError(
            f"{name}: no format is known by that suffix; expected .parquet, .csv or .jsonl "
            "(the last two also as .gz or .zst)"
        )
    if form == "parquet" and packed:
        raise InputError(f"{name}: Parquet is compressed inside; unpack it to a .parquet file")
    return form


def show_log(connection: duckdb.DuckDBPyConnection, log: LogFile) -> None:
    """Make `log_row` the view of this file: its staged columns, typed, and the row's own fault."""
    known = PREDICTION_COLUMNS if log.is_prediction else LABEL_COLUMNS
    present = {STAGED_NAMES.get(name, name): name for name in known if name in log.columns}
    parts = [
        f"{log.row_number} as row_number",
        f"{log.fault} as problem",
        f"{log.is_prediction} as is_prediction",
    ]
    for staged, kind in STAGED_COLUMNS.items():
        source = present.get(staged)
        parts += _project(staged, kind, source, log.columns[source] if source else "")
        if kind == "vector":
            parts.append(_fill_vector(staged, log))
    connection.execute(f"create or replace temp view log_row as select {', '.join(parts)} from {log.relation}")


def show_raw(connection: duckdb.DuckDBPyConnection, log: LogFile) -> None:
    """Make `raw_row` the view of this file's rows as they came, as JSON or as the broken line itself."""
    connection.execute(
        f"create or replace temp view raw_row as "
        f"select {log.row_number} as row_number, {log.raw} as raw from {log.relation}"
    )


def quote_name(name: str) -> str:
    """Return a name as SQL."""
    return '"' + name.replace('"', '""') + '"'


def quote_text(text: str) -> str:
    """Return a text as SQL: only for what a view holds, which can bind no value."""
    return "'" + text.replace("'", "''") + "'"


def _project(staged: str, kind: Kind, source: str | None, sql_type: str) -> list[str]:
    column = quote_name(source) if source else ""
    if kind == "text":
        return [f"{f'log_text({column})' if source else 'null::varchar'} as {staged}"]
    if kind == "object":
        return [f"{_read_object(column, sql_type) if source else 'null::varchar'} as {staged}"]
    typed = {"time": "timestamptz", "number": "double", "vector": "float[]"}[kind]
    if not source:
        return [f"null::{typed} as {staged}", f"false as has_{staged}"]
    read = {"time": _read_time, "number": _read_number, "vector": _read_vector}[kind]
    given = f"nullif(trim({column}::varchar), '') is not null" if _is_text(sql_type) else f"{column} is not null"
    return [f"{read(column, sql_type)} as {staged}", f"{given} as has_{staged}"]


def _fill_vector(name: str, log: LogFile) -> str:
    if name not in log.columns:
        return f"null::float[] as filled_{name}"
    column = _read_vector(quote_name(name), log.columns[name])
    is_plain = name in log.unbroken and log.columns[name] == "FLOAT[]"
    return f"{column if is_plain else f'fill_vector({column})'} as filled_{name}"


def _is_text(sql_type: str) -> bool:
    return sql_type in ("VARCHAR", "JSON")


def _read_time(column: str, sql_type: str) -> str:
    if _is_text(sql_type):
        return f"log_time({column}::varchar)"
    if sql_type == "TIMESTAMP WITH TIME ZONE":
        return column
    if sql_type.startswith("TIMESTAMP") or sql_type == "DATE":
        return f"{column}::timestamp::timestamptz"
    return "null::timestamptz"


def _read_number(column: str, sql_type: str) -> str:
    if _is_text(sql_type):
        return f"try_cast(trim({column}::varchar) as double)"
    if sql_type == "FLOAT":  # 0.7 stays 0.7, as in a text file, and does not become 0.699999988079071
        return f"cast(cast({column} as varchar) as double)"
    is_number = sql_type in _NUMBERS or (sql_type.startswith("DECIMAL") and not sql_type.endswith("]"))
    return f"cast({column} as double)" if is_number else "null::double"


def _read_vector(column: str, sql_type: str) -> str:
    if _is_text(sql_type) or sql_type.endswith("]"):
        return f"try_cast({column} as float[])"
    return "null::float[]"


def _read_object(column: str, sql_type: str) -> str:
    if sql_type == "JSON":
        return f"nullif(log_json({column}), '')"
    if sql_type.startswith(("STRUCT", "MAP")):
        return f"cast(to_json({column}) as varchar)"
    return f"nullif(trim(cast({column} as varchar)), '')"


def _open_parquet(connection: duckdb.DuckDBPyConnection, path: Path, name: str) -> LogFile:
    relation = (
        f"read_parquet([{quote_text(_escape_glob(path))}], file_row_number = true, "
        "hive_partitioning = false, binary_as_string = true)"
    )
    described = connection.execute(f"describe select * from {relation}").fetchall()
    columns = {str(row[0]): str(row[1]) for row in described if row[0] != "file_row_number"}
    _refuse_twice(name, _list_parquet_columns(connection, path))
    packed = ", ".join(f"{quote_name(column)} := {quote_name(column)}" for column in columns)
    return LogFile(
        name,
        _find_kind(name, list(columns)),
        columns,
        relation,
        "file_row_number + 1",
        "null::varchar",
        f"cast(to_json(struct_pack({packed})) as varchar)",
        _find_unbroken(connection, path),
    )


def _find_unbroken(connection: duckdb.DuckDBPyConnection, path: Path) -> frozenset[str]:
    """Return the columns of lists of which the file's own statistics say that no value is null."""
    rows = connection.execute(
        "select string_split(path_in_schema, ', ')[1] as name from parquet_metadata($path) "
        "group by name having sum(stats_null_count) = 0 and count(stats_null_count) = count(*)",
        {"path": _escape_glob(path)},
    ).fetchall()
    return frozenset(str(row[0]) for row in rows)


def _list_parquet_columns(connection: duckdb.DuckDBPyConnection, path: Path) -> list[str]:
    rows = connection.execute(
        "select name, coalesce(num_children, 0) from parquet_schema($path)", {"path": _escape_glob(path)}
    ).fetchall()
    columns, nested = [], 0
    for column, children in rows[1:]:
        if nested == 0:
            columns.append(str(column))
        nested += int(children) - (nested > 0)
    return columns


def _escape_glob(path: Path) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in str(path.absolute()))


def _open_text(log: TextLog, name: str) -> LogFile:
    names = [column for column, _ in log.columns]
    _refuse_twice(name, names)
    kind = _find_kind(name, names)
    return LogFile(name, kind, dict(log.columns), log.table, "row_number", "fault", log.raw)


def _refuse_twice(name: str, columns: list[str]) -> None:
    counts = Counter(column.lower() for column in columns)
    twice = [column for column in columns if counts[column.lower()] > 1]
    if twice:
        raise InputError(f"{name}: names the column {twice[0]} twice; name each column once")


def _find_kind(name: str, columns: list[str]) -> str:
    if all(column in columns for column in ANSWER_COLUMNS):
        raise InputError(f"{name}: holds answers to label fixes; take it in with `turnrow queue import`")
    if "predicted" in columns:
        _require(name, "a prediction log", columns, REQUIRED_OF_PREDICTIONS)
        return "predictions"
    if "label" in columns:
        _require(name, "a label file", columns, REQUIRED_OF_LABELS)
        return "labels"
    near = [
        f"{c} (near {n[0]})" for c in columns if (n := difflib.get_close_matches(c, ["predicted", "label"], 1))
    ]
    raise InputError(
        f"{name}: has neither a column predicted (a prediction log) nor label (a label file); "
        f"it has {', '.join(near or columns[:20])}"
    )


def _require(name: str, what: str, columns: list[str], required: tuple[str, ...]) -> None:
    missing = [column for column in required if column not in columns]
    if not missing:
        return
    spare = [column for column in columns if column not in STAGED_COLUMNS]
    parts = []
    for column in missing:
        near = difflib.get_close_matches(column, spare, 1)
        parts.append(f"{column} (there is {near[0]})" if near else column)
    raise InputError(f"{name}: {what} without the column {', '.join(parts)}; add what is missing")
