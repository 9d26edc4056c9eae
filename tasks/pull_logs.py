"""Pull prediction logs and label files into the warehouse: which files, in which chunks, what came of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.sql_files import read_sql
from tasks.check_log_rows import empty_staging, prepare_staging, stage_file
from tasks.check_tombstones import refuse_erased_rows
from tasks.errors import InputError
from tasks.find_log_files import (
    FoundFile,
    has_changed,
    hash_file,
    list_inbox,
    look_at_file,
    read_seen,
    recognise_seen,
    remember_seen,
)
from tasks.insert_log_rows import insert_staged
from tasks.loop import Loop
from tasks.read_log_file import LogFile, UnreadableFileError, blame_file, open_log
from tasks.record_run import record_run
from tasks.warehouse import Engine, open_engine

_FILES_A_CHUNK = 200
_ROWS_A_CHUNK = 500_000


@dataclass(frozen=True)
class PulledFile:
    """What became of one file: the counts of its `pull_batch` row, or why it could not be read.

    `is_known`: its content was in the warehouse before, and the counts are those of that time.
    """

    path: str
    kind: str = ""
    batch_id: str = ""
    rows_read: int = 0
    rows_kept: int = 0
    rows_duplicate: int = 0
    rows_quarantined: int = 0
    is_known: bool = False
    error: str = ""


@dataclass(frozen=True)
class PullSummary:
    """What a pull did, one entry a file, by path."""

    files: tuple[PulledFile, ...]

    @property
    def failed(self) -> tuple[PulledFile, ...]:
        """The files that could not be read; the next pull tries them again."""
        return tuple(file for file in self.files if file.error)


@dataclass
class _Chunk:
    """Files that are staged and commit together; by file number."""

    files: dict[int, FoundFile] = field(default_factory=dict)
    logs: dict[int, LogFile] = field(default_factory=dict)


@dataclass
class _Pull:
    """One pull under way: its engine, the copies of each content, and what it has found out so far."""

    engine: Engine
    run_id: str | None
    started_at: datetime
    copies: dict[str, list[FoundFile]] = field(default_factory=dict)
    added: set[str] = field(default_factory=set)
    errors: dict[str, str] = field(default_factory=dict)

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        return self.engine.connection


def pull_files(loop: Loop, paths: Sequence[Path] | None = None, run_id: str | None = None) -> PullSummary:
    """Take in exactly `paths`, or what the globs of `[pull]` find, and say what came of each file.

    A file that cannot be read fails alone: its entry has an `error`, and nothing of it is stored.
    """
    with open_engine(loop) as engine:
        pull = _Pull(engine, run_id, loop.clock())
        prepare_staging(engine.connection, loop)
        files, known = _identify(pull, list_inbox(loop) if paths is None else paths)
        for file in files:
            pull.copies.setdefault(file.sha256, []).append(file)
        _pull_new(pull, [sha256 for sha256 in sorted(pull.copies) if sha256 not in known])
        return _summarise(pull, files, known)


def _identify(pull: _Pull, paths: Sequence[Path]) -> tuple[list[FoundFile], set[str]]:
    """Return the files with their content, and which contents the warehouse knows."""
    with pull.engine.attach(write=False) as warehouse:
        seen = read_seen(warehouse.connection)
        rows = warehouse.connection.execute("select distinct content_sha256 from pull_batch").fetchall()
    files: dict[str, FoundFile] = {}
    for path in paths:
        try:
            file = recognise_seen(look_at_file(pull.engine.loop, path), seen)
            files[file.name] = file if file.is_seen else hash_file(file)
        except InputError as error:
            pull.errors[pull.engine.loop.relate(path)] = str(error)
    return [files[name] for name in sorted(files)], {str(row[0]) for row in rows}


def _pull_new(pull: _Pull, contents: Sequence[str]) -> None:
    chunk, row_count = _Chunk(), 0
    for number, sha256 in enumerate(contents, start=1):
        row_count += _stage(pull, chunk, number, pull.copies[sha256])
        if len(chunk.files) >= _FILES_A_CHUNK or row_count >= _ROWS_A_CHUNK:
            _commit(pull, chunk)
            chunk, row_count = _Chunk(), 0
    _commit(pull, chunk)


def _stage(pull: _Pull, chunk: _Chunk, number: int, copies: Sequence[FoundFile]) -> int:
    """Stage the first copy of a content that can be read, and return how many rows it has."""
    for file in copies:
        try:
            return _stage_one(pull, chunk, number, file)
        except InputError as error:
            pull.errors[file.name] = str(error)
            _unstage(pull, chunk, number)
    return 0


def _stage_one(pull: _Pull, chunk: _Chunk, number: int, file: FoundFile) -> int:
    with blame_file(number, file.name):
        log = open_log(pull.connection, file.path, file.name, number)
        row_count = stage_file(pull.connection, log, number)
    _refuse_changed(number, file)
    chunk.files[number], chunk.logs[number] = file, log
    pull.connection.execute(
        "insert into staged_file values ($number, make_batch_id($sha256), $name, $sha256, $kind)",
        {"number": number, "sha256": file.sha256, "name": file.name, "kind": log.kind},
    )
    return row_count


def _unstage(pull: _Pull, chunk: _Chunk, number: int) -> None:
    for table in ("staged_row", "staged_file"):
        pull.connection.execute(f"delete from {table} where file_number = $number", {"number": number})
    pull.connection.execute(f"drop table if exists text_log_{number}")
    chunk.files.pop(number, None)
    chunk.logs.pop(number, None)


def _refuse_changed(number: int, file: FoundFile) -> None:
    if has_changed(file):
        raise UnreadableFileError(number, f"{file.name}: changed while it was read; pull it again")


def _commit(pull: _Pull, chunk: _Chunk) -> None:
    """Write a chunk as one transaction; should a file turn out unreadable there, the others without it."""
    while chunk.files:
        try:
            with pull.engine.attach(write=True) as warehouse:
                warehouse.write(lambda known_at: _insert(pull, chunk, known_at))
        except UnreadableFileError as error:
            broken = chunk.files[error.file_number]
            for copy in pull.copies[broken.sha256]:
                pull.errors[copy.name] = str(error).replace(broken.name, copy.name, 1)
            _unstage(pull, chunk, error.file_number)
        else:
            pull.added.update(file.name for file in chunk.files.values())
            break
    empty_staging(pull.connection, list(chunk.files))


def _insert(pull: _Pull, chunk: _Chunk, known_at: datetime) -> None:
    refuse_erased_rows(pull.connection, pull.engine.loop)
    insert_staged(pull.connection, chunk.logs, known_at, pull.run_id)
    record_run(
        pull.connection,
        "pull",
        started_at=pull.started_at,
        ended_at=pull.engine.loop.clock(),
        counts={"files": len(chunk.files), "unreadable": len(pull.errors)},
    )
    remember_seen(pull.connection, _list_readable(pull, chunk.files.values()))
    for number, file in chunk.files.items():
        _refuse_changed(number, file)


def _list_readable(pull: _Pull, files: Iterable[FoundFile]) -> list[FoundFile]:
    copies = [copy for file in files for copy in pull.copies[file.sha256]]
    return [copy for copy in copies if copy.name not in pull.errors]


def _summarise(pull: _Pull, files: Sequence[FoundFile], known: set[str]) -> PullSummary:
    renamed = [file for file in files if not file.is_seen and file.sha256 in known]
    if renamed:
        with pull.engine.attach(write=True) as warehouse:
            warehouse.write(lambda _: remember_seen(warehouse.connection, renamed))
    with pull.engine.attach(write=False) as warehouse:
        rows = warehouse.connection.execute(read_sql("pull/read_batches")).fetchall()
    batches = {str(row[0]): _describe(*row[1:]) for row in rows}
    entries = [PulledFile(name, error=error) for name, error in pull.errors.items()]
    for file in files:
        if file.name not in pull.errors:
            batch = batches[file.sha256]
            entries.append(replace(batch, path=file.name, is_known=file.name not in pull.added))
    return PullSummary(tuple(sorted(entries, key=lambda entry: entry.path)))


def _describe(kind: str, batch_id: str, read: int, kept: int, duplicate: int, quarantined: int) -> PulledFile:
    return PulledFile("", kind, batch_id, read, kept, duplicate, quarantined)
