"""Builders of what a loop lives on: predictions and labels by file, cases, answers; and ids made without it.

A row says only what a test is about; the rest is an invented cart in an invented orchard.
"""

import hashlib
import itertools
import json
import struct
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest
from duckdb import DuckDBPyConnection

from schemas.case_file import FailureCase
from tasks.export_fixes import QueueFilter, list_fixes
from tasks.import_answers import ImportSummary, import_answers
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.read_settings import read_case
from tasks.warehouse import open_warehouse

Row = dict[str, Any]
WriteRows = Callable[[Loop, Sequence[Row]], list[str]]
ReadRows = Callable[..., list[tuple[Any, ...]]]
InsertRows = Callable[[Loop, str, Sequence[Row]], None]
WriteCase = Callable[..., FailureCase]
Answer = Callable[[Loop, Sequence[tuple[str, ...]]], ImportSummary]
OpenFixes = Callable[[Loop], dict[str, str]]
MakeId = Callable[..., str]

_SAMPLE = {
    "recording_id": "run-1",
    "object_id": "track-1",
    "observed_at": "2026-05-01T06:00:00Z",
    "attribute": "obstacle",
}
_PREDICTION = {"model_version": "obstacle-1", "predicted": "crate", "confidence": 0.9}
_LABEL = {"label": "person", "origin": "person"}
_numbers = itertools.count()
_LAKE = '[warehouse]\nlocation = "ducklake:lake.ducklake"\n[attribute.obstacle]\nlabels = ["person", "crate"]\n'
_CLEAN_SET = Path(__file__).with_name("clean_set.sql").read_text(encoding="utf-8")


def make_id(*fields: object) -> str:
    """Return an id by hashlib alone: SHA-256 over the fields joined by U+001F, none of the product's code."""
    texts = [_spell_field(value) for value in fields]
    return hashlib.sha256("\x1f".join(texts).encode()).hexdigest()[:32]


def _spell_field(value: object) -> str:
    if value is None:
        return "\x00"
    if isinstance(value, datetime):
        return str(int(value.timestamp()) * 1_000_000 + value.microsecond)
    if isinstance(value, float):
        return struct.pack(">d", value).hex()
    return unicodedata.normalize("NFC", str(value))


def name_sample(row: Row) -> str:
    """Return the sample_id of a row, whose defaults are filled in."""
    whole = _SAMPLE | row
    moment = datetime.fromisoformat(whole["observed_at"])
    return make_id(whole["recording_id"], whole["object_id"], moment, whole["attribute"])


def _write(loop: Loop, rows: Sequence[Row], defaults: Row) -> list[str]:
    path = loop.folder / f"rows-{next(_numbers)}.jsonl"
    whole = [_SAMPLE | defaults | row for row in rows]
    path.write_text("".join(json.dumps(row) + "\n" for row in whole), encoding="utf-8")
    (pulled,) = pull_files(loop, [path]).files
    assert (pulled.error, pulled.rows_quarantined) == ("", 0), read_rows(loop, "select * from quarantined_row")
    return [name_sample(row) for row in rows]


def read_rows(loop: Loop, query: str, **values: object) -> list[tuple[Any, ...]]:
    """Return what a query gives on the loop's warehouse."""
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(query, values).fetchall()


@pytest.fixture(name="make_id")
def make_id_fixture() -> MakeId:
    """Return a maker of ids that shares nothing with the product's."""
    return make_id


@pytest.fixture(name="read_rows")
def read_rows_fixture() -> ReadRows:
    """Return a reader of rows: loop, query and bound values in, tuples out."""
    return read_rows


@pytest.fixture
def write_predictions() -> WriteRows:
    """Return a writer of a prediction log that is pulled at once; it returns the rows' sample_ids."""
    return lambda loop, rows: _write(loop, rows, _PREDICTION)


@pytest.fixture
def write_labels() -> WriteRows:
    """Return a writer of a label file that is pulled at once; it returns the rows' sample_ids."""
    return lambda loop, rows: _write(loop, rows, _LABEL)


@pytest.fixture
def insert_rows() -> InsertRows:
    """Return a writer of facts that no command writes yet, such as a lot that failed."""

    def insert(loop: Loop, table: str, rows: Sequence[Row]) -> None:
        with open_warehouse(loop, write=True) as warehouse:

            def put(known_at: datetime) -> None:
                for row in rows:
                    whole = row | {"known_at": known_at}
                    names = ", ".join(whole)
                    places = ", ".join(f"${name}" for name in whole)
                    warehouse.connection.execute(f"insert into {table} ({names}) values ({places})", whole)

            warehouse.write(put)

    return insert


@pytest.fixture
def write_case() -> WriteCase:
    """Return a writer of case files: loop, name, members.where and any further top keys in, the case out."""

    def write(loop: Loop, name: str, where: str, tail: str = "", **keys: str) -> FailureCase:
        top = {"case": name, "attribute": "obstacle", "question": "Is it?"} | keys
        text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in top.items())
        path: Path = loop.folder / "cases" / f"{name}.toml"
        path.write_text(f"{text}[members]\nwhere = {json.dumps(where)}\n{tail}", encoding="utf-8")
        return read_case(path, loop.settings)

    return write


@pytest.fixture
def answer() -> Answer:
    """Return a writer of answers that are imported at once: (fix_id, annotator, answer[, answered_at])."""

    def write(loop: Loop, answers: Sequence[tuple[str, ...]]) -> ImportSummary:
        names = ("fix_id", "annotator", "answer", "answered_at")
        rows = [dict(zip(names, row, strict=False)) for row in answers]
        path = loop.folder / f"answers-{next(_numbers)}.jsonl"
        path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        return import_answers(loop, path)

    return write


@pytest.fixture
def open_fixes() -> OpenFixes:
    """Return a reader of the queue: sample_id -> fix_id of its open fix."""
    return lambda loop: {str(fix["sample_id"]): str(fix["fix_id"]) for fix in list_fixes(loop, QueueFilter())}


@pytest.fixture(params=["file", "lake"])
def either(request: pytest.FixtureRequest, make_file_loop: Callable[..., Loop]) -> Iterator[DuckDBPyConnection]:
    """A connection that uses an attached warehouse of either kind and holds a clean set."""
    loop = make_file_loop() if request.param == "file" else make_file_loop(_LAKE)
    with open_warehouse(loop, write=True) as warehouse:
        warehouse.connection.execute(_CLEAN_SET)
        yield warehouse.connection


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[DuckDBPyConnection]:
    """A bare connection, used as the steps use theirs: in memory, a file attached and in use."""
    with duckdb.connect() as opened:
        opened.execute("set TimeZone = 'UTC'")
        opened.execute(f"attach '{tmp_path / 'warehouse.duckdb'}' as wh; use wh")
        opened.execute(_CLEAN_SET)
        yield opened
