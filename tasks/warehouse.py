"""The only module that opens a warehouse: a DuckDB file, or a DuckLake; the same SQL runs on both.

A step opens, works and closes. It may read and stage on an `Engine` before it attaches the warehouse, and
whatever it adds goes through `Warehouse.write`: one transaction under the writers' lock.
"""

import re
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import duckdb

from schemas.sql_files import list_sql, read_sql
from schemas.tables import DATED_FACTS, DEPENDENT_FACTS, SAMPLE_FACTS, SAMPLE_VIEWS, VIEWS
from tasks.errors import BusyWarehouseError, InputError, WarehouseError
from tasks.keep_instances import Instance, use_instance
from tasks.locate_warehouse import Location, attach_statement, find_location, hide_secrets
from tasks.lock import describe_wait, hold_advisory_lock, hold_file_lock
from tasks.loop import Loop

T = TypeVar("T")
_CONFLICT_TRIES = 20
_NARROWED_ONCE = ("label_revision", "label_fix", "fix_outcome", "attribute_definition")
_SPANNED = ("sample", "prediction", "label_revision")  # facts that say when their sample was observed
_WITHIN_SPAN = "observed_at >= $first and observed_at < $end"
_SAMPLE_LISTS = ("training_set_member", "listed_set_member")  # what else is narrowed where a past set is made anew


@dataclass
class Warehouse:
    """An attached warehouse; its catalogue is in use, so plain table names work."""

    connection: duckdb.DuckDBPyConnection
    loop: Loop
    location: Location

    def write(self, insert: Callable[[datetime], T]) -> T:
        """Run `insert(known_at)` as one transaction under the writers' lock and return its result.

        The first statement moves the warehouse's clock, so known_at rises in commit order on every host. If
        another writer got between (a lost lock), `insert` alone is rerun: what it reads it has prepared.
        Raises WarehouseError where a recording was erased since it was prepared: it could come back with it.
        """
        erasures = self._count_erasures()
        with self.hold_writers_lock():
            for attempt in range(1, _CONFLICT_TRIES):
                try:
                    return self._write_once(insert, erasures)
                except duckdb.Error as error:
                    if not _is_conflict(error):
                        raise
                    time.sleep(0.01 * attempt)
            return self._write_once(insert, erasures)

    def _write_once(self, insert: Callable[[datetime], T], erasures: int) -> T:
        self.connection.execute("commit")  # of what was read and staged so far
        self.connection.execute("begin transaction")
        try:
            known_at = self._move_clock()
            if self._count_erasures() != erasures:
                raise WarehouseError("a recording was erased while this step was at work: run it again")
            result = insert(known_at)
            self.connection.execute("commit")
        except BaseException:
            # RuntimeError: of a query that a signal broke off, DuckDB's connection refuses its own rollback.
            with suppress(duckdb.Error, RuntimeError):
                self.connection.execute("rollback")
            raise
        finally:
            self.connection.execute("begin transaction")
        return result

    def _count_erasures(self) -> int:
        """Count what was erased so far; in a file it cannot change while that is attached, for it is locked."""
        if self.location.kind == "file":
            return 0
        row = self.connection.execute("select count(*) from erasure").fetchone()
        return int(row[0]) if row else 0

    def _move_clock(self) -> datetime:
        self.connection.execute(
            "update warehouse_clock set known_at = greatest($now, known_at + interval 1 microsecond)",
            {"now": self.loop.clock()},
        )
        return self.read_clock()

    def read_clock(self) -> datetime:
        """Return the moment of the latest committed step."""
        row = self.connection.execute("select known_at from warehouse_clock").fetchone()
        if row is None:
            raise WarehouseError("the warehouse has lost its clock row; restore it from a copy")
        return as_utc(row[0])

    @contextmanager
    def hold_writers_lock(self) -> Iterator[None]:
        """Hold the lock that lets one writer at a time in; a file is locked for as long as it is attached."""
        if self.location.kind != "lake_postgres":
            yield  # attached for writing: the file's lock is held already
            return
        name = f"turnrow warehouse {self.location.schema}"
        wait = self.loop.settings.warehouse.wait_seconds
        with hold_advisory_lock(self.location.target, name, wait_seconds=wait):
            yield


@dataclass
class Engine:
    """An in-memory DuckDB with the loop's limits, to stage on before a warehouse is attached."""

    connection: duckdb.DuckDBPyConnection
    loop: Loop
    instance: Instance

    @contextmanager
    def attach(self, *, write: bool, create: bool = False) -> Iterator[Warehouse]:
        """Attach the loop's warehouse and use it, for reading or for reading and writing.

        One that is not there is made only where `create` says so: it may just not be mounted.
        Raises BusyWarehouseError when others hold it for too long, WarehouseError when it can't be opened, or when
        what is to be written finds no room on its disk.
        """
        location = find_location(self.loop)
        with _hold_open(location, self.loop, write=write, create=create), _blame(location):
            _attach(self, location, write=write, create=create)
            warehouse = Warehouse(self.connection, self.loop, location)
            try:
                self.connection.execute("use wh")
                _migrate(warehouse, write=write, create=create)
                # One snapshot for all that a step reads; on a lake also much faster than one a statement.
                self.connection.execute("begin transaction")
                yield warehouse
            except RuntimeError as error:  # what DuckDB makes of Ctrl-C while a query runs
                if str(error) == "Query interrupted":
                    raise KeyboardInterrupt from error
                raise
            finally:
                self._detach()

    def _detach(self) -> None:
        with suppress(duckdb.Error, RuntimeError):
            self.connection.execute("rollback")
        self.connection.execute("use memory")
        self.connection.execute("detach wh")


@contextmanager
def open_engine(loop: Loop) -> Iterator[Engine]:
    """Open an in-memory DuckDB with the loop's memory limit, threads and folder for what does not fit."""
    settings = loop.settings.warehouse
    spill = loop.folder / ".spill"
    config: dict[str, str | int] = {
        "memory_limit": settings.memory_limit,
        "threads": settings.threads,
        "temp_directory": str(spill.absolute()),
    }
    try:
        with use_instance(config) as (instance, connection):
            connection.execute("set TimeZone = 'UTC'")
            connection.execute("set python_enable_replacements = false")
            connection.execute("set checkpoint_threshold = '1GB'")
            connection.execute(read_sql("macros"))
            yield Engine(connection, loop, instance)
    finally:
        with suppress(OSError):
            spill.rmdir()


@contextmanager
def open_warehouse(loop: Loop, *, write: bool, create: bool = False) -> Iterator[Warehouse]:
    """Open the loop's warehouse for one step, and close it after; a new one is made only with `create`."""
    with open_engine(loop) as engine, engine.attach(write=write, create=create) as warehouse:
        yield warehouse


def as_utc(moment: datetime) -> datetime:
    """Return a moment in UTC; one without an offset is taken as UTC."""
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


@contextmanager
def _hold_open(location: Location, loop: Loop, *, write: bool, create: bool) -> Iterator[None]:
    if location.kind == "lake_postgres":
        yield
        return
    if not create and not Path(location.target).exists():
        raise _say_missing(loop.relate(Path(location.target)))
    wait = loop.settings.warehouse.wait_seconds
    with hold_file_lock(location.lock_path, shared=not write, wait_seconds=wait):
        yield


def _say_missing(name: str) -> WarehouseError:
    return WarehouseError(
        f"{name}: no warehouse there; bring it back if there was one (is its disk mounted?), or make a new one: "
        "`turnrow init`"
    )


@contextmanager
def _blame(location: Location) -> Iterator[None]:
    """Raise WarehouseError where DuckDB could not write a file: the disk is full, or a limit is reached.

    A commit that failed has left nothing; one before it is in the file or in its log, and is read from there.
    Of no other error a lake's secrets are seen.
    """
    try:
        yield
    except duckdb.Error as error:
        _, found, why = str(error).partition("Could not write")
        if found:
            raise WarehouseError(
                f"the warehouse cannot be written ({found}{why.splitlines()[0].rstrip('.')}): make room on that "
                "disk and run again; finished steps are kept, and of the others nothing"
            ) from error
        told = hide_secrets(location, str(error))
        if told != str(error):
            raise type(error)(told) from None
        raise


def _attach(engine: Engine, location: Location, *, write: bool, create: bool) -> None:
    connection, loop = engine.connection, engine.loop
    if location.kind != "file":
        _load_lake(engine, location)
    text = attach_statement(location, write=write, create=create)
    deadline = time.monotonic() + loop.settings.warehouse.wait_seconds
    while True:
        try:
            connection.execute(text)
        except duckdb.Error as error:
            if "creating a new DuckLake is explicitly disabled" in str(error):
                raise _say_missing("turnrow.toml, warehouse.location") from None
            holder = re.search(r"PID (\d+)", str(error))
            if not holder or "lock" not in str(error).lower():
                told = hide_secrets(location, _first_line(error))
                cause = error if told == _first_line(error) else None
                raise WarehouseError(f"the warehouse cannot be opened: {told}") from cause
            if time.monotonic() >= deadline:
                name = loop.relate(Path(location.target))
                raise BusyWarehouseError(
                    describe_wait(name, f"process {holder[1]}", loop.settings.warehouse.wait_seconds)
                ) from error
            time.sleep(0.05)
        else:
            return


def _load_lake(engine: Engine, location: Location) -> None:
    needed = {"lake_postgres": ["postgres_scanner"], "lake_file": []}[location.kind]
    if location.target.endswith(".sqlite"):
        needed = ["sqlite_scanner"]
    for name in ("ducklake", *needed):
        if name not in engine.instance.loaded:
            _load_extension(engine.connection, name)
            engine.instance.loaded.add(name)


def _load_extension(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    from importlib.util import find_spec

    spec = find_spec(f"duckdb_extension_{name}")
    places = list(spec.submodule_search_locations or []) if spec else []
    found = (
        sorted(Path(places[0]).glob(f"extensions/v{duckdb.__version__}/{name}.duckdb_extension")) if places else []
    )
    try:
        if found:
            connection.execute("load '{}'".format(str(found[0]).replace("'", "''")))
        else:
            connection.execute(f"install {name}")
            connection.execute(f"load {name}")
    except duckdb.Error as error:
        raise WarehouseError(
            f"DuckDB {duckdb.__version__} cannot load {name}: install turnrow with its extra `lake` "
            f"({_first_line(error)})"
        ) from error


def _migrate(warehouse: Warehouse, *, write: bool, create: bool) -> None:
    wanted = list_sql("migrations")
    done = _read_schema_version(warehouse.connection)
    if done == 0 and not create:
        raise _say_missing("turnrow.toml, warehouse.location")
    if done > len(wanted):
        raise WarehouseError(
            f"the warehouse has schema version {done}, this Turnrow knows {len(wanted)}: use a newer Turnrow"
        )
    if done == len(wanted):
        return
    if not write:
        raise WarehouseError("the warehouse has an older schema; `turnrow init` brings it up to date")
    with warehouse.hold_writers_lock():
        _apply_migrations(warehouse.connection, wanted)


def _apply_migrations(connection: duckdb.DuckDBPyConnection, wanted: list[str]) -> None:
    done = _read_schema_version(connection)
    connection.execute("begin transaction")
    if done == 0:
        connection.execute("create table schema_version (version integer not null)")
    for number, name in enumerate(wanted[done:], start=done + 1):
        connection.execute(read_sql(name))
        connection.execute("insert into schema_version values ($version)", {"version": number})
    for view in VIEWS:
        connection.execute(f"create or replace view {view} as {read_sql(f'views/{view}')}")
    connection.execute("commit")


def _read_schema_version(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the version, 0 where there is none; outside a transaction, which a missing table would abort.

    It is not looked for in the list of tables, since a lake counts each table's rows for that.
    """
    try:
        row = connection.execute("select max(version) from wh.main.schema_version").fetchone()
    except duckdb.CatalogException:
        return 0
    return int(row[0]) if row and row[0] is not None else 0


@contextmanager
def show_as_of(warehouse: Warehouse, moment: datetime, focus: str | None = None) -> Iterator[None]:
    """Show every fact and view as it was at `moment`, by temporary views of the same names.

    `focus` names a temp table to whose sample_ids facts about samples are narrowed, as by `show_only`. Nothing
    can be written meanwhile. Raises InputError for a moment in the future.
    """
    if as_utc(moment) > max(as_utc(warehouse.loop.clock()), warehouse.read_clock()):
        raise InputError(
            f"as of {moment.isoformat()}: that moment is in the future; facts may still come before it"
        )
    warehouse.connection.execute(
        "create or replace temp table as_of_moment as select $moment::timestamptz as as_of",
        {"moment": moment},
    )
    until = "where known_at <= (select as_of from as_of_moment)"
    cut = dict.fromkeys(DATED_FACTS, until)
    cut |= {name: f"semi join {dated} using ({key})" for name, (key, dated) in DEPENDENT_FACTS.items()}
    if focus is not None:
        narrowed = (*SAMPLE_FACTS, *_SAMPLE_LISTS)
        cut |= {name: f"semi join {focus} using (sample_id) {cut[name]}" for name in narrowed}
        cut["label_fix"] = f"{_narrow_fixes(focus)} {until.replace('where', 'and')}"
        cut["fix_outcome"] = f"semi join label_fix using (fix_id) {until}"
    with _shadow(warehouse.connection, cut, VIEWS, _NARROWED_ONCE if focus else ()):
        yield


@contextmanager
def show_only(
    warehouse: Warehouse,
    focus: str,
    staged: Mapping[str, str] | None = None,
    span: tuple[datetime, datetime] | None = None,
) -> Iterator[None]:
    """Narrow every fact about samples, and every view, to the sample_ids of the temp table `focus`.

    So a step pays for what is new, not for what is stored. `staged`, fact -> temp view, adds rows that are
    not stored (yet), so that the views tell what they would show. Nothing can be written meanwhile.
    Where all those samples were observed within `span` (its end left out), what lies outside is not even
    looked at, and what lies within is read once: a table is mostly stored in the order of its times.
    """
    cut = dict.fromkeys(SAMPLE_FACTS, f"semi join {focus} using (sample_id)")
    if span is not None:
        cut |= {name: f"{cut[name]} where {_WITHIN_SPAN}" for name in _SPANNED}
    cut["label_fix"] = _narrow_fixes(focus)
    cut["fix_outcome"] = "semi join label_fix using (fix_id)"
    for name, view in (staged or {}).items():
        cut[name] = f"{cut.get(name, '')} union all by name select * from {view}"
    # What the views read several times over is narrowed once: on a lake each look at a table has its price.
    cut.setdefault("attribute_definition", "")
    tables = (*_NARROWED_ONCE, *_SPANNED) if span else _NARROWED_ONCE
    with _shadow(warehouse.connection, cut, VIEWS if staged else SAMPLE_VIEWS, tables, span):
        yield


def _narrow_fixes(focus: str) -> str:
    """Return which fixes count: a label carried along a track names the fix of another sample."""
    return f"where (sample_id in (select sample_id from {focus}) or fix_id in (select fix_id from label_revision))"


@contextmanager
def _shadow(
    connection: duckdb.DuckDBPyConnection,
    cut: dict[str, str],
    views: tuple[str, ...],
    tables: tuple[str, ...] = (),
    span: tuple[datetime, datetime] | None = None,
) -> Iterator[None]:
    for name, narrowed in cut.items():
        kind = "table" if name in tables else "view"
        values = dict(zip(("first", "end"), span, strict=True)) if span and _WITHIN_SPAN in narrowed else {}
        connection.execute(f"create temp {kind} {name} as select * from wh.main.{name} {narrowed}", values)
    for view in views:
        connection.execute(f"create temp view {view} as {read_sql(f'views/{view}')}")
    try:
        yield
    finally:
        # After an error inside, the transaction is aborted, and its rollback takes the views away.
        with suppress(duckdb.TransactionException):
            for name in (*reversed(views), *reversed(cut)):
                kind = "table" if name in tables else "view"
                connection.execute(f"drop {kind} if exists temp.main.{name}")


def _is_conflict(error: duckdb.Error) -> bool:
    return "conflict" in str(error).lower()


def _first_line(error: BaseException) -> str:
    return str(error).strip().splitlines()[0]
