"""Pull prediction logs and label files into the warehouse: which files, in which chunks, and what came of them."""

import glob
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.sql_files import read_sql
from tasks.check_log_rows import empty_staging, prepare_staging, stage_file
from tasks.errors import InputError, TurnrowError
from tasks.insert_log_rows import insert_staged
from tasks.loop import Loop
from tasks.read_log_file import LogFile, open_log
from tasks.resolve_secret import resolve_environment
from tasks.warehouse import Engine, Warehouse, open_engine

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


@dataclass(frozen=True)
class _Found:
    path: Path
    name: str
    size_bytes: int
    modified_ns: int
    sha256: str = ""


def pull_files(
    loop: Loop, paths: Sequence[Path] | None = None, run_id: str | None = None
) -> PullSummary:
    """Take in exactly `paths`, or what the globs of `[pull]` find, and say what came of each file.

    A file that cannot be read fails alone: its entry has an `error`, and nothing of it is stored.
    """
    found, failed = _look_at(loop, _list_inbox(loop) if paths is None else paths)
    with open_engine(loop) as engine:
        prepare_staging(engine.connection, loop)
        hashed, unreadable = _hash_unseen(engine, found)
        failed += unreadable
        for chunk in _split_new(engine, hashed):
            failed += _pull_chunk(engine, chunk, run_id)
        broken = {file.path for file in failed}
        stored = _record_seen(engine, [file for file in hashed if file.name not in broken])
    return PullSummary(tuple(sorted([*failed, *stored], key=lambda file: file.path)))
