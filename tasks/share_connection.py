"""Lets SQLAlchemy work on a DuckDB connection that is open already, inside its transaction.

A second connection would not see temp tables. Imported only where it is needed: SQLAlchemy is slow to load.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import duckdb
from duckdb_engine import ConnectionWrapper, Dialect
from sqlalchemy import Connection, text
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.postgresql.psycopg2 import PGExecutionContext_psycopg2
from sqlalchemy.engine.cursor import FullyBufferedCursorFetchStrategy
from sqlalchemy.engine.interfaces import ReflectedColumn, ReflectedPrimaryKeyConstraint
from sqlalchemy.pool import NullPool
from sqlalchemy.types import NullType

URL = "turnrow://"


class _FetchAtOnce(PGExecutionContext_psycopg2):
    """Reads a statement's rows at once: all cursors are one connection, and its next statement drops them."""

    def post_exec(self) -> None:
        if self.cursor.description:
            rows = self.cursor.fetchall()
            self.cursor_fetch_strategy = FullyBufferedCursorFetchStrategy(
                self.cursor, self.cursor.description, rows
            )


class SharedDialect(Dialect):
    """DuckDB's dialect for a connection that somebody else owns: it begins, ends and closes nothing."""

    execution_ctx_cls = _FetchAtOnce
    # DuckDB takes backslashes in text as they stand; PostgreSQL's dialect would double them in literals.
    _backslash_escapes = False

    def do_begin(self, dbapi_connection: object) -> None:
        """Leave the transaction to the owner."""

    def do_commit(self, dbapi_connection: object) -> None:
        """Leave the transaction to the owner."""

    def do_rollback(self, dbapi_connection: object) -> None:
        """Leave the transaction to the owner."""

    def do_close(self, dbapi_connection: object) -> None:
        """Leave the connection to the owner."""

    def get_columns(
        self,
        connection: Connection,
        table_name: str,
        schema: str | None = None,  # noqa: ARG002
        **_: Any,  # noqa: ANN401
    ) -> list[ReflectedColumn]:
        """Return a relation's columns by `describe`.

        The inherited query on `pg_catalog` fails on DuckDB 2, and a failure there aborts the transaction.
        """
        quote = self.identifier_preparer.quote
        rows = connection.execute(text(f"describe {quote(table_name)}"))
        return [{"name": row[0], "type": NullType(), "nullable": True, "default": None} for row in rows]

    def get_pk_constraint(
        self,
        connection: Connection,  # noqa: ARG002
        table_name: str,  # noqa: ARG002
        schema: str | None = None,  # noqa: ARG002
        **_: Any,  # noqa: ANN401
    ) -> ReflectedPrimaryKeyConstraint:
        """Return that there is no primary key: our relations have none, and the inherited query is a slow one."""
        return {"constrained_columns": [], "name": None}


@contextmanager
def share_connection(connection: duckdb.DuckDBPyConnection) -> Iterator[dict[str, Any]]:
    """Lend the connection as the keyword arguments of `create_engine(URL, ...)`.

    It is taken back at the end: whoever still holds the engine then does not keep the database open.
    """
    registry.register("turnrow", __name__, SharedDialect.__name__)
    lent = [ConnectionWrapper(connection)]
    try:
        yield {"poolclass": NullPool, "creator": lambda: lent[0]}
    finally:
        lent.clear()
