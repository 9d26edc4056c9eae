"""Look for texts and numbers in everything that a loop keeps, decoded: compressed bytes would hide them.

Tables (nested values and JSON included), every snapshot of a lake, every data file in its folder, every table of
its PostgreSQL catalogue with the server's statistics, every file of the loop folder by its format; and last the
bare bytes of everything.
"""

import gzip
import json
import re
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from tasks.locate_warehouse import Location, find_location
from tasks.loop import Loop
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    import psycopg

_NUMBER = re.compile(r"-?\d+\.?\d*(?:[eE][-+]?\d+)?")


@dataclass(frozen=True)
class Planted:
    """What is looked for: texts anywhere inside a text, numbers as float32."""

    texts: tuple[str, ...]
    numbers: tuple[float, ...]

    @cached_property
    def singles(self) -> frozenset[bytes]:
        """The numbers as they are kept: four bytes each."""
        return frozenset(_single(number) for number in self.numbers)

    @cached_property
    def spellings(self) -> frozenset[str]:
        """The texts as they stand in text and in JSON."""
        return frozenset(spelling for text in self.texts for spelling in (text, json.dumps(text)[1:-1]))

    def is_in(self, value: object) -> bool:
        """Tell whether a value, or anything inside it, holds something planted."""
        if value is None or isinstance(value, bool):
            return False
        if isinstance(value, int | float):
            return _single(value) in self.singles
        if isinstance(value, bytes | bytearray | memoryview):
            return self.is_in(bytes(value).decode("utf-8", "replace"))
        if isinstance(value, str):
            return self._is_in_text(value)
        if isinstance(value, Mapping):
            return any(self.is_in(item) for pair in value.items() for item in pair)
        if isinstance(value, Sequence | set | frozenset):
            return any(self.is_in(item) for item in value)
        return self._is_in_text(str(value))

    def _is_in_text(self, text: str) -> bool:
        if any(spelling in text for spelling in self.spellings):
            return True
        return any(_single(float(found)) in self.singles for found in _NUMBER.findall(text) if len(found) < 40)


def _single(value: float) -> bytes:
    try:
        return struct.pack("<f", value)
    except OverflowError:
        return b""


def scan_everything(loop: Loop, planted: Planted) -> set[str]:
    """Return the places that hold something planted: `table NAME.COLUMN`, `file NAME`, and so on."""
    location = find_location(loop)
    return {
        *_scan_tables(loop, planted),
        *(_scan_lake(loop, location, planted) if location.kind != "file" else ()),
        *_scan_files(loop, location, planted),
        *_scan_bytes(loop, planted),
    }


def _scan_tables(loop: Loop, planted: Planted) -> Iterator[str]:
    with open_warehouse(loop, write=False) as warehouse:
        for table in _list_tables(warehouse.connection):
            for column in _find_columns(warehouse.connection, f"select * from {table}", planted):
                yield f"table {table}.{column}"


def _list_tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
    rows = connection.execute("select table_name from duckdb_tables() where database_name = 'wh'").fetchall()
    return sorted(str(row[0]) for row in rows)


def _find_columns(connection: duckdb.DuckDBPyConnection, query: str, planted: Planted) -> Iterator[str]:
    found = connection.execute(query)
    names = [column[0] for column in found.description or []]
    rows = found.fetchall()
    for place, name in enumerate(names):
        if any(planted.is_in(row[place]) for row in rows):
            yield name


def _scan_lake(loop: Loop, location: Location, planted: Planted) -> Iterator[str]:
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        for table, number in _list_states(connection, location):
            query = f"select * from {table} at (version => {number})"
            yield from (f"snapshot {table}.{name}" for name in _find_columns(connection, query, planted))
    for path in Path(location.data_path).rglob("*"):
        if path.suffix == ".parquet" and planted.is_in(pq.read_table(path).to_pylist()):
            yield f"data file of {path.parent.name}"
    if location.kind == "lake_postgres":
        yield from _scan_catalogue(location, planted)


def _list_states(connection: duckdb.DuckDBPyConnection, location: Location) -> Iterator[tuple[str, int]]:
    """Yield each table with every snapshot that changed it, and with the oldest: between them it is the same."""
    catalogue = f'__ducklake_metadata_wh."{location.schema or "main"}".ducklake_table'
    tables = connection.execute(f"select table_id, table_name, begin_snapshot from {catalogue}").fetchall()
    snapshots = connection.execute(
        "select snapshot_id, changes from ducklake_snapshots('wh') order by 1"
    ).fetchall()
    for place, (number, changes) in enumerate(snapshots):
        touched = {str(name) for names in (changes or {}).values() for name in names}
        for table_id, table, begin in tables:
            if begin <= number and (place == 0 or str(table_id) in touched):
                yield table, number


def _scan_catalogue(location: Location, planted: Planted) -> Iterator[str]:
    import psycopg

    schema = location.schema or "public"
    with psycopg.connect(location.target) as session:
        names = session.execute("select tablename from pg_tables where schemaname = %s", [schema]).fetchall()
        for (name,) in names:
            rows = session.execute(f'select * from "{schema}"."{name}"'.encode()).fetchall()
            if planted.is_in(rows):
                yield f"catalogue {name}"
        sampled = session.execute(
            "select tablename, most_common_vals::text, histogram_bounds::text from pg_stats where schemaname = %s",
            [schema],
        ).fetchall()
        yield from (f"statistics {row[0]}" for row in sampled if planted.is_in(row[1:]))
        session.execute("create extension if not exists pageinspect")
        for (name,) in names:
            if any(planted.is_in(page) for page in _read_pages(session, f'"{schema}"."{name}"')):
                yield f"dead rows {name}"
        session.rollback()


def _read_pages(session: "psycopg.Connection[tuple[object, ...]]", name: str) -> Iterator[bytes]:
    """Yield what a table's pages hold, rows that are dead included."""
    size = session.execute("select pg_relation_size(%s::regclass) / current_setting('block_size')::int", [name])
    row = size.fetchone()
    for number in range(int(str(row[0])) if row else 0):
        page = session.execute("select get_raw_page(%s, %s)", [name, number]).fetchone()
        if page is not None:
            assert isinstance(page[0], bytes)
            yield page[0]


def _scan_files(loop: Loop, location: Location, planted: Planted) -> Iterator[str]:
    warehouse = Path(location.target) if location.kind != "lake_postgres" else None
    for path in _list_files(loop.folder):
        if path == warehouse or path.name == "turnrow.toml":
            continue
        if planted.is_in(_decode(path)):
            yield f"file {path.relative_to(loop.folder).as_posix()}"


def _list_files(folder: Path) -> Iterable[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _decode(path: Path) -> object:
    name = path.name.removesuffix(".part")
    if name.endswith(".parquet"):
        table = pq.read_table(path)
        return [table.to_pylist(), table.schema.metadata]
    content = path.read_bytes()
    if name.endswith(".gz"):
        content = gzip.decompress(content)
    if name.endswith(".zst"):
        content = pa.input_stream(str(path), compression="zstd").read()
    return [path.name, content.decode("utf-8", "replace")]


def _scan_bytes(loop: Loop, planted: Planted) -> Iterator[str]:
    """Look at bare bytes too: a log or a free block is not decoded by anybody."""
    vectors = b"".join(_single(number) for number in planted.numbers)
    for path in _list_files(loop.folder):
        content = path.read_bytes()
        if any(text.encode() in content for text in planted.texts) or (vectors and vectors in content):
            yield f"bytes of {path.relative_to(loop.folder).as_posix()}"
