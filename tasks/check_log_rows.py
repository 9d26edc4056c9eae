"""Stage a log's rows before any lock is taken: typed, checked against the contract, with their ids."""

import unicodedata
from collections.abc import Iterable

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.loop import Loop
from tasks.read_log_file import LogFile, show_log


def prepare_staging(connection: duckdb.DuckDBPyConnection, loop: Loop) -> None:
    """Make the temporary tables, macros and views that staging needs, with the loop's attributes."""
    for name in ("macros", "faults", "tables"):
        connection.execute(read_sql(f"pull/{name}"))
    for attribute in loop.settings.attribute.values():
        connection.execute(
            "insert into attribute_rule values ($name, $kind, $labels)",
            {"name": attribute.name, "kind": attribute.kind, "labels": _list_labels(attribute)},
        )


def empty_staging(connection: duckdb.DuckDBPyConnection, file_numbers: Iterable[int]) -> None:
    """Forget a chunk and what its files were read into."""
    for number in file_numbers:
        connection.execute(f"drop table if exists text_log_{number}")
    for table in ("staged_file", "staged_row", "object_text"):
        connection.execute(f"truncate {table}")


def stage_file(connection: duckdb.DuckDBPyConnection, log: LogFile, file_number: int) -> int:
    """Add one file's rows to `staged_row`, each with its ids or with the reason why it is none.

    Returns how many there are; a failure leaves none of them.
    """
    show_log(connection, log)
    for name in ("ruled_row", "checked_row"):
        connection.execute(read_sql(f"pull/{name}"))
    connection.execute("truncate object_text")
    if "context" in log.columns or "scores" in log.columns:
        connection.execute(read_sql("pull/gather_objects"))
        connection.execute(read_sql("pull/spell_objects"))
    row = connection.execute(read_sql("pull/stage_row"), {"file_number": file_number}).fetchone()
    return int(row[0]) if row else 0


def _list_labels(attribute: AttributeSettings) -> list[str]:
    return _normalise([*attribute.labels, *attribute.was])


def _normalise(labels: Iterable[str]) -> list[str]:
    return [unicodedata.normalize("NFC", label) for label in labels]
