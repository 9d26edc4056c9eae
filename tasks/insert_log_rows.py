"""Put staged rows into the warehouse, inside its write transaction: what is new, once, the first to arrive.

Everything here may be run again after a conflict, so it decides afresh what the warehouse already knows.
"""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.read_log_file import LogFile, blame_file, show_log, show_raw


def insert_staged(
    connection: duckdb.DuckDBPyConnection, logs: Mapping[int, LogFile], known_at: datetime, run_id: str | None
) -> None:
    """Insert what the staged files add, and a `pull_batch` row for each; `logs` by file number."""
    _run(connection, "find_fresh_files")
    _run(connection, "fresh_row")
    _set_aside_misfits(connection)
    _settle_contested(connection, logs)
    _run(connection, "added_row")
    _run(connection, "gather_bad_rows")
    for table in ("sample", "prediction", "label_revision", "vector_space"):
        _run(connection, f"insert_{table}", known_at=known_at)
    with _leave_uncompressed(connection):
        for number in _list_numbers(connection, "fresh_file"):
            _insert_vectors(connection, logs[number], number, known_at)
    for number in _list_numbers(connection, "bad_row"):
        with blame_file(number, logs[number].name):
            show_raw(connection, logs[number])
            _run(connection, "insert_quarantined_row", file_number=number, known_at=known_at)
    _run(connection, "insert_pull_batch", known_at=known_at, run_id=run_id)


@contextmanager
def _leave_uncompressed(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Write what follows as it is: compressing vectors takes longer than writing them, for a tenth of space."""
    connection.execute("set force_compression = 'uncompressed'")
    try:
        yield
    finally:
        connection.execute("set force_compression = 'auto'")


def _set_aside_misfits(connection: duckdb.DuckDBPyConnection) -> None:
    _run(connection, "find_space_lengths")
    _run(connection, "find_misfits")
    _run(connection, "good_row")


def _settle_contested(connection: duckdb.DuckDBPyConnection, logs: Mapping[int, LogFile]) -> None:
    low, high = _read_row(connection, "select min(observed_at), max(observed_at) from good_row")
    _run(connection, "find_contested", low=low, high=high)
    connection.execute(
        "create or replace temp table verdict (place bigint, is_accepted boolean, faults varchar[])"
    )
    for number in _list_numbers(connection, "contested_row"):
        if logs[number].has_vectors:
            with blame_file(number, logs[number].name):
                show_log(connection, logs[number])
                _run(connection, "hash_contested_vectors", file_number=number)
    _run(connection, "claim_known", low=low, high=high)
    _run(connection, "claim_new")
    while _count_open(connection) > 0:
        _run(connection, "judge_claims")
    _run(connection, "settle_contested")


def _count_open(connection: duckdb.DuckDBPyConnection) -> int:
    row = _read_row(connection, "select (select count(*) from contested_row) - (select count(*) from verdict)")
    return int(str(row[0]))


def _insert_vectors(connection: duckdb.DuckDBPyConnection, log: LogFile, number: int, known_at: datetime) -> None:
    if not log.has_vectors:
        return
    with blame_file(number, log.name):
        show_log(connection, log)
        for column, name in (("features", "insert_features"), ("embedding", "insert_embeddings")):
            if column in log.columns:
                _run(connection, name, file_number=number, known_at=known_at)


def _list_numbers(connection: duckdb.DuckDBPyConnection, table: str) -> list[int]:
    rows = connection.execute(f"select distinct file_number from {table} order by file_number").fetchall()
    return [int(row[0]) for row in rows]


def _read_row(connection: duckdb.DuckDBPyConnection, query: str) -> tuple[object, ...]:
    row = connection.execute(query).fetchone()
    return row if row is not None else ()


def _run(connection: duckdb.DuckDBPyConnection, name: str, **values: object) -> None:
    connection.execute(read_sql(f"pull/{name}"), values)
