"""One writer at a time: an OS file lock, or an advisory lock of PostgreSQL; both die with their process."""

import fcntl
import hashlib
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING

from tasks.errors import BusyWarehouseError, WarehouseError

if TYPE_CHECKING:
    import psycopg

_POLL_SECONDS = 0.02


@contextmanager
def hold_file_lock(path: Path, *, shared: bool, wait_seconds: float) -> Iterator[None]:
    """Hold an OS lock on `path` (made if absent): shared by readers, or exclusive.

    Who waits holds a second lock, the turn, so that whoever lets go and asks again at once, as the parts of a
    backfill do, comes after those that waited. Raises BusyWarehouseError, naming the writer's process, after
    `wait_seconds`; WarehouseError where the file cannot be made or opened.
    """
    with _open_lock(path) as handle:
        _wait_in_turn(handle, path, shared, wait_seconds)
        try:
            if not shared:
                _write_holder(handle, f"process {os.getpid()}")
            yield
        finally:
            if not shared:
                _write_holder(handle, "")
            fcntl.flock(handle, fcntl.LOCK_UN)


def _open_lock(path: Path) -> IO[str]:
    """Open a lock to write into it. Raises WarehouseError, which names what is in the way and what to do."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():
            raise WarehouseError(f"{path}: is no file; move it away, as a lock is to be there")
        return path.open("a+", encoding="utf-8")
    except OSError as error:
        raise WarehouseError(
            f"{path}: this lock cannot be written ({error.strerror}); "
            "change the permissions of the file and its folder, or run as their owner"
        ) from error


def _wait_in_turn(handle: IO[str], path: Path, shared: bool, wait_seconds: float) -> None:
    deadline = time.monotonic() + wait_seconds
    turn_path = path.with_name(f"{path.name.removesuffix('.lock')}.turn.lock")
    with _open_lock(turn_path) as turn:  # closed, it is free again
        for file, kind in ((turn, fcntl.LOCK_EX), (handle, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)):
            if not _wait_for_file(file, kind, deadline):
                what = path.name.removesuffix(".lock")
                raise BusyWarehouseError(describe_wait(what, _read_holder(handle), wait_seconds))


def _wait_for_file(handle: IO[str], kind: int, deadline: float) -> bool:
    """Lock a file, waiting until the deadline; return whether it is locked."""
    while True:
        try:
            fcntl.flock(handle, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= deadline:
                return False
            time.sleep(_POLL_SECONDS)
        else:
            return True


def _write_holder(handle: IO[str], holder: str) -> None:
    handle.seek(0)
    handle.truncate()
    handle.write(holder)
    handle.flush()


def _read_holder(handle: IO[str]) -> str:
    """Return the writer's process; nothing where readers hold the file, and where it was killed before them."""
    handle.seek(0)
    holder = handle.read().strip()
    number = holder.removeprefix("process ")
    return holder if number.isdecimal() and _is_alive(int(number)) else ""


def _is_alive(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def describe_wait(what: str, holder: str, wait_seconds: float) -> str:
    """Say for whom a command waited in vain, and what can be done."""
    return (
        f"{what}: in use by {holder or 'another process'} for more than {wait_seconds:g} s; "
        "try again, or raise [warehouse] wait_seconds"
    )


@contextmanager
def hold_advisory_lock(conninfo: str, name: str, *, wait_seconds: float) -> Iterator[None]:
    """Hold a session-level advisory lock of PostgreSQL, waiting in line behind earlier askers.

    The key is the first 8 bytes of SHA-256 over `name`. Raises BusyWarehouseError after `wait_seconds`.
    """
    import psycopg

    key = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big", signed=True)
    try:
        session = psycopg.connect(conninfo, autocommit=True, application_name=f"turnrow {os.getpid()}")
    except psycopg.Error as error:
        raise WarehouseError(f"the lake's PostgreSQL cannot be reached: {_first_line(error)}") from error
    with session:
        session.execute("select set_config('lock_timeout', %s, false)", [f"{max(1, int(wait_seconds * 1000))}ms"])
        try:
            session.execute("select pg_advisory_lock(%s)", [key])
        except psycopg.errors.LockNotAvailable:
            holder = _find_advisory_holder(session, key)
            raise BusyWarehouseError(describe_wait("the lake", holder, wait_seconds)) from None
        yield


def _find_advisory_holder(session: "psycopg.Connection[tuple[object, ...]]", key: int) -> str:
    row = session.execute(
        "select a.application_name, a.pid from pg_locks l join pg_stat_activity a on a.pid = l.pid "
        "where l.locktype = 'advisory' and l.granted and l.objsubid = 1 "
        "and ((l.classid::bigint << 32) | l.objid::bigint) = %s",
        [key],
    ).fetchone()
    return f"{row[0]} (server process {row[1]})" if row else ""


def _first_line(error: BaseException) -> str:
    return str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
