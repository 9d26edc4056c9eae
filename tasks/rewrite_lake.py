"""Clean a lake: data files, snapshots, inlined rows, statistics, orphaned files, and the catalogue's dead rows."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from schemas.sql_files import read_sql
from tasks.errors import BusyWarehouseError, InputError, WarehouseError
from tasks.locate_warehouse import Location
from tasks.lock import describe_wait, hold_advisory_lock, hold_file_lock
from tasks.loop import Loop
from tasks.match_rows import RowMatch
from tasks.rewrite_files import Stripped
from tasks.warehouse import Warehouse

_CLEARS_STATISTICS = 180_000  # the version of PostgreSQL that brought pg_clear_attribute_stats

if TYPE_CHECKING:
    import psycopg


def clean_lake(warehouse: Warehouse, match: RowMatch) -> list[str]:
    """Rewrite the data files that hold deleted rows, end all earlier snapshots, delete what only they needed.

    Under the writers' lock, so no other writer has files that are not in the catalogue yet. Returns what was not
    looked at, in words.
    """
    connection = warehouse.connection
    with warehouse.hold_writers_lock():
        connection.execute("commit")  # of the snapshot that was read: these calls are transactions of their own
        try:
            for name in ("flush_inlined", "rewrite_files", "expire_snapshots", "cleanup_files"):
                connection.execute(read_sql(f"erase/lake_{name}")).fetchall()
            told = _delete_orphans(warehouse, match)
        finally:
            connection.execute("begin transaction")
    return told


def _delete_orphans(warehouse: Warehouse, match: RowMatch) -> list[str]:
    """Delete files that a killed writer left in the lake's folder, if they hold the recording's data."""
    data_path = warehouse.location.data_path
    if "://" in data_path:
        return [
            f"{data_path}: files of killed writers there, which the catalogue does not know, were not looked into"
        ]
    known = {Path(name).name for name in _list_files(warehouse.connection)}
    told: list[str] = []
    for path in sorted(Path(data_path).rglob("*.parquet")):
        if path.name in known:
            continue
        try:
            if _holds(path, match):
                path.unlink()
        except (InputError, OSError, ValueError) as error:
            told.append(f"{path}: an orphaned file that cannot be looked into ({error}); delete it yourself")
    return told


def _holds(path: Path, match: RowMatch) -> bool:
    from tasks.rewrite_parquet import strip_parquet

    done = Stripped()
    strip_parquet(path, None, match, done)
    return done.is_touched or done.still_named > 0


def _list_files(connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
    tables = connection.execute(
        "select table_name from duckdb_tables() where database_name = 'wh' and schema_name = 'main'"
    ).fetchall()
    for (table,) in tables:
        rows = connection.execute(
            "select data_file, delete_file from ducklake_list_files('wh', $table)", {"table": table}
        ).fetchall()
        yield from (str(name) for row in rows for name in row if name)


def vacuum_postgres(loop: Loop, location: Location) -> list[str]:
    """Rewrite the catalogue's tables, so that no dead row and no statistic of one is left in them.

    Returns in words what the server did not allow. Raises BusyWarehouseError where somebody reads the catalogue
    for longer than `wait_seconds`.
    """
    import psycopg

    schema = location.schema or "public"
    wait = loop.settings.warehouse.wait_seconds
    name = f"turnrow warehouse {location.schema}"
    with (
        hold_advisory_lock(location.target, name, wait_seconds=wait),
        psycopg.connect(location.target, autocommit=True) as session,
    ):
        session.execute("select set_config('lock_timeout', %s, false)", [f"{max(1, int(wait * 1000))}ms"])
        tables = session.execute(read_sql("erase/postgres_tables"), [schema]).fetchall()
        try:
            refused = [table for (table,) in tables if not _vacuum(session, schema, table)]
        except psycopg.errors.LockNotAvailable:
            raise BusyWarehouseError(describe_wait("the lake's catalogue", "", wait)) from None
        is_old = session.info.server_version < _CLEARS_STATISTICS
    told = []
    if refused:
        told.append(
            f"this login may not run `vacuum full` on {', '.join(refused)} in schema {schema}: have the owner do "
            "it, or deleted values stay in the server's files until it reuses their place"
        )
    if is_old:
        told.append(
            f"a PostgreSQL before 18 keeps the statistics that it sampled of a table that is empty now: have a "
            f"superuser delete those of schema {schema} from pg_statistic"
        )
    return told


def _vacuum(session: "psycopg.Connection[tuple[object, ...]]", schema: str, table: str) -> bool:
    """Vacuum one table; tell whether it was allowed. Of a table that is empty now, old statistics go too."""
    import psycopg
    from psycopg import sql

    row = session.execute(read_sql("erase/postgres_owner"), [schema, table]).fetchone()
    if row is None or not row[0]:
        return False
    for (column,) in session.execute(read_sql("erase/postgres_statistics"), [schema, table]).fetchall():
        with suppress(psycopg.errors.UndefinedFunction, psycopg.errors.InsufficientPrivilege):
            session.execute("select pg_clear_attribute_stats(%s, %s, %s, false)", [schema, table, column])
    session.execute(sql.SQL("vacuum (full, analyze) {}").format(sql.Identifier(schema, table)))
    return True


def vacuum_sqlite(loop: Loop, location: Location) -> None:
    """Rewrite a catalogue that is an SQLite file; deleted rows stay in its free pages otherwise."""
    wait = loop.settings.warehouse.wait_seconds
    with (
        hold_file_lock(location.lock_path, shared=False, wait_seconds=wait),
        closing(sqlite3.connect(location.target, timeout=wait, isolation_level=None)) as session,
    ):
        try:
            session.execute("pragma wal_checkpoint(truncate)")
            session.execute("vacuum")
            session.execute("pragma wal_checkpoint(truncate)")
        except sqlite3.Error as error:
            raise WarehouseError(
                f"{loop.relate(Path(location.target))}: cannot be rewritten ({error}); erase again"
            ) from error
