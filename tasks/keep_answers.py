"""Answers as a person gives them: JSON Lines that only grow, each line on the disk before anybody hears "saved".

A file belongs to one annotator and one start of the answer page: `inbox/answers/SLUG-START.jsonl`. Its rows are
those that `queue import` takes; beside it `SLUG-START.peeks` names, one a line, the fixes whose prediction the
person asked to see before answering, so that it is known even if the page is killed in between.
"""

import errno
import hashlib
import json
import os
import re
import unicodedata
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tasks.errors import BusyWarehouseError, InputError
from tasks.lock import hold_file_lock
from tasks.loop import Loop

_FOLDER = "inbox/answers"
_SLUG_LENGTH = 40
_START = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True)
class KeptRow:
    """One row of an answer file: an answer, or that the one before is taken back; `path` is where it stands."""

    path: Path
    fix_id: str
    answer: str
    saw_prediction: bool
    takes_back: bool


@dataclass(frozen=True)
class KeptAnswers:
    """What an annotator's files say: every row in the order it was given, and the fixes that were peeked at."""

    rows: tuple[KeptRow, ...]
    peeks: frozenset[str]


def find_answer_folder(loop: Loop) -> Path:
    """Return the folder of the answer files, made if it was not there. Raises InputError where it cannot be."""
    folder = loop.locate(_FOLDER)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{_FOLDER}: cannot be made ({error.strerror}); answers are kept there") from error
    return folder


def make_slug(annotator: str) -> str:
    """Return a name as file names have it; a name that had to be changed carries a few digits of its hash."""
    bare = unicodedata.normalize("NFKD", annotator).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", bare).strip("-")[:_SLUG_LENGTH]
    if slug == annotator:
        return slug
    digits = hashlib.sha256(annotator.encode()).hexdigest()[:6]
    return f"{slug}-{digits}" if slug else digits


@contextmanager
def hold_annotator(folder: Path, annotator: str) -> Iterator[None]:
    """Hold the lock that lets one page an annotator write; it dies with its process.

    Raises InputError while another process holds it.
    """
    with ExitStack() as held:
        try:
            held.enter_context(
                hold_file_lock(folder / f".{make_slug(annotator)}.lock", shared=False, wait_seconds=0)
            )
        except BusyWarehouseError as error:
            holder = re.search(r"in use by (.+?) for more", str(error))
            raise InputError(
                f"{annotator}: a page is open already (by {holder[1] if holder else 'another process'}); "
                "answer there, or end it with Ctrl-C first"
            ) from error
        except OSError as error:
            raise InputError(f"{folder}: cannot be written ({error.strerror}); answers are kept there") from error
        yield


def create_file(folder: Path, annotator: str, started_at: datetime) -> Path:
    """Make this start's answer file, empty, its name safe on the disk; return its path."""
    stem = f"{make_slug(annotator)}-{started_at.strftime(_START)}"
    for number in range(1, 1000):
        path = folder / (f"{stem}.jsonl" if number == 1 else f"{stem}-{number}.jsonl")
        try:
            path.open("x").close()
        except FileExistsError:
            continue
        _sync_folder(folder)
        return path
    raise InputError(f"{folder}: already has a thousand files named {stem}; move them away")


def append_row(path: Path, row: dict[str, Any]) -> None:
    """Append one row and return when it is on the disk. Raises OSError; then the file is as it was before."""
    _append(path, json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n")


def append_peek(path: Path, fix_id: str) -> None:
    """Note beside an answer file that the prediction of a fix was asked for. Raises OSError."""
    peeks = path.with_suffix(".peeks")
    is_new = not peeks.exists()
    _append(peeks, f"{fix_id}\n")
    if is_new:
        _sync_folder(peeks.parent)


def _append(path: Path, line: str) -> None:
    content = line.encode()
    handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        before = os.fstat(handle).st_size
        try:
            written = os.write(handle, content)
            if written < len(content):
                raise OSError(errno.ENOSPC, "the disk took only a part of the line")
            os.fsync(handle)
        except OSError:
            os.ftruncate(handle, before)
            raise
    finally:
        os.close(handle)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def read_kept(folder: Path, annotator: str) -> KeptAnswers:
    """Return what an annotator's files hold, half-written last lines cut off first.

    To be called while the annotator's lock is held. A line that is no answer of this annotator's is passed over:
    the import tells of it. Raises InputError for a file that cannot be read or mended.
    """
    rows: list[KeptRow] = []
    peeks: set[str] = set()
    for path in _list_files(folder, annotator):
        try:
            _mend_tail(path)
            rows.extend(_read_rows(path, annotator))
            beside = path.with_suffix(".peeks")
            if beside.exists():
                peeks.update(beside.read_text(encoding="ascii", errors="replace").split())
        except OSError as error:
            raise InputError(
                f"{path}: cannot be read or mended ({error.strerror}); move it away, or correct its permissions"
            ) from error
    return KeptAnswers(tuple(rows), frozenset(peeks))


def _list_files(folder: Path, annotator: str) -> list[Path]:
    """Return an annotator's files in the order in which they were begun."""
    name = re.compile(re.escape(make_slug(annotator)) + r"-(\d{8}T\d{6}Z)(?:-(\d+))?\.jsonl")
    found = [(name.fullmatch(path.name), path) for path in folder.iterdir()]
    return [path for _, path in sorted(((match[1], int(match[2] or 1)), path) for match, path in found if match)]


def _mend_tail(path: Path) -> None:
    """Cut off a last line that was not written to its end: nobody was told that it is saved."""
    content = path.read_bytes()
    if not content or content.endswith(b"\n"):
        return
    kept = content.rfind(b"\n") + 1
    if _read_line(content[kept:]) is not None:
        _append(path, "\n")
        return
    with path.open("r+b") as handle:
        handle.truncate(kept)
        os.fsync(handle.fileno())


def _read_rows(path: Path, annotator: str) -> Iterator[KeptRow]:
    for line in path.read_bytes().splitlines():
        row = _read_line(line)
        if row is None or row.get("annotator") != annotator or not isinstance(row.get("fix_id"), str):
            continue
        yield KeptRow(
            path,
            row["fix_id"],
            str(row.get("answer") or ""),
            row.get("saw_prediction") is True,
            row.get("takes_back") is True,
        )


def _read_line(line: bytes) -> dict[str, Any] | None:
    try:
        row = json.loads(line)
    except ValueError:
        return None
    return row if isinstance(row, dict) else None
