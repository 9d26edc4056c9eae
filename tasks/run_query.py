"""Running a user's own SELECT: checked, on a locked connection, with a time limit, in batches.

What is left: a value that grows from row to row (a recursive query that doubles a text) is not seen by
the size check, and DuckDB's memory limit does not hold inside one value; the query then fails, or its
process does.
"""

import threading
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from duckdb import DuckDBPyConnection, Error, InterruptException, OutOfMemoryException

from tasks.check_query import QUERY_ORIGIN, check_query
from tasks.errors import ExpressionError
from tasks.parse_sql import first_line, refuse

__all__ = ["check_query", "lock_down", "run_query"]

BATCH_ROWS = 1_000
_REPEAT_SECONDS = 0.05


def run_query(
    connection: DuckDBPyConnection,
    text: str,
    *,
    known_tables: Collection[str],
    seconds: float,
    allowed_directory: str | None,
    batch_rows: int = BATCH_ROWS,
) -> tuple[list[str], Iterator[list[tuple[Any, ...]]]]:
    """Check and run one SELECT; return its column names and its rows, batch by batch.

    A batch has at most `batch_rows` rows. `connection` is one of ours, opened read-only; it is locked for
    good (`lock_down`), so it serves for nothing but queries after that. `seconds` limits the time spent
    inside DuckDB, not the reader's own. Raises ExpressionError, at once or while the batches are read: a
    refused text, an error of DuckDB, too little memory, or the limit reached.
    """
    check_query(connection, text, known_tables=known_tables)
    lock_down(connection, allowed_directory=allowed_directory)
    budget = _Budget(seconds, seconds)
    with _limit(connection, budget):
        connection.execute(text)
        columns = [str(column[0]) for column in connection.description or []]
    return columns, _fetch_batches(connection, budget, batch_rows)


def lock_down(connection: DuckDBPyConnection, *, allowed_directory: str | None) -> None:
    """Cut a connection's whole DuckDB off from files, the network, extensions and Python variables, for good.

    `allowed_directory` stays readable: a lake's data folder. Locked twice does nothing more.
    """
    if _is_locked(connection):
        return
    try:
        connection.execute("set python_enable_replacements = false")
        connection.execute("set autoinstall_known_extensions = false")
        connection.execute("set autoload_known_extensions = false")
        if allowed_directory is not None:
            quoted = allowed_directory.replace("'", "''")
            connection.execute(f"set allowed_directories = ['{quoted}']")
        connection.execute("set enable_external_access = false")
        connection.execute("set lock_configuration = true")
    except Error as error:
        refuse(QUERY_ORIGIN, f"the connection could not be locked, so nothing was run: {first_line(error)}")


def _is_locked(connection: DuckDBPyConnection) -> bool:
    row = connection.execute(
        "select system.main.current_setting('lock_configuration') "
        "and not system.main.current_setting('enable_external_access')"
    ).fetchone()
    return bool(row and row[0])


@dataclass
class _Budget:
    """Seconds that DuckDB may still spend on a query, and how many it was given."""

    left: float
    limit: float


@contextmanager
def _limit(connection: DuckDBPyConnection, budget: _Budget) -> Iterator[None]:
    """Interrupt what runs inside when the budget is spent, and turn DuckDB's errors into ours."""
    started, is_done = time.monotonic(), threading.Event()
    watch = threading.Thread(target=_interrupt_late, args=(connection, budget.left, is_done), daemon=True)
    watch.start()
    try:
        yield
    except InterruptException as error:
        if time.monotonic() - started < budget.left:
            raise
        raise _tell_limit(budget) from error
    except (OutOfMemoryException, MemoryError) as error:
        raise ExpressionError(
            f"{QUERY_ORIGIN}: the query needs more memory than `memory_limit` in turnrow.toml; "
            f"ask for fewer rows or columns, or raise the limit ({first_line(error)})"
        ) from error
    except Error as error:
        raise ExpressionError(f"{QUERY_ORIGIN}: {first_line(error)}") from error
    finally:
        is_done.set()
        watch.join()
        budget.left -= time.monotonic() - started


def _interrupt_late(connection: DuckDBPyConnection, seconds: float, is_done: threading.Event) -> None:
    """Interrupt again and again: one that comes before the query has begun is lost."""
    if is_done.wait(max(seconds, 0.0)):
        return
    connection.interrupt()
    while not is_done.wait(_REPEAT_SECONDS):
        connection.interrupt()


def _tell_limit(budget: _Budget) -> ExpressionError:
    return ExpressionError(
        f"{QUERY_ORIGIN}: stopped after {budget.limit:g} s (`query_seconds` in turnrow.toml); "
        "narrow the query, or raise the limit"
    )


def _fetch_batches(
    connection: DuckDBPyConnection, budget: _Budget, batch_rows: int
) -> Iterator[list[tuple[Any, ...]]]:
    while True:
        if budget.left <= 0:
            raise _tell_limit(budget)
        with _limit(connection, budget):
            rows = connection.fetchmany(batch_rows)
        if not rows:
            return
        yield rows
