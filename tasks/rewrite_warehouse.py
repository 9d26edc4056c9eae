"""Make the warehouse's storage anew, so that nothing of what was deleted is left in it.

DuckDB keeps deleted rows in free blocks and in its log until they are written over. So all that is stored goes
into a new file, which takes the old one's place in one step: whoever is killed leaves the old or the new one.
A lake keeps every earlier snapshot: there its files are rewritten, snapshots ended, and what they held deleted.
"""

import os
from pathlib import Path

from tasks.check_tombstones import sync_folder
from tasks.errors import WarehouseError
from tasks.locate_warehouse import Location
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.match_rows import RowMatch
from tasks.rewrite_lake import clean_lake, vacuum_postgres, vacuum_sqlite
from tasks.warehouse import open_engine, open_warehouse

_FRESH = ".rewritten"


def rewrite_warehouse(loop: Loop, location: Location, tombstone: str, match: RowMatch) -> list[str]:
    """Rewrite the storage and end the erasure's pending mark; return what could not be cleaned, in words.

    On a file the mark is gone in the new file, so both happen in one step; on a lake it goes last.
    Raises BusyWarehouseError where others are at it for too long: then it can be done again.
    """
    if location.kind == "file":
        _rewrite_file(loop, location, tombstone)
        return []
    with open_engine(loop) as engine, engine.attach(write=True) as warehouse:
        told = clean_lake(warehouse, match)
    if location.kind == "lake_postgres":
        told += vacuum_postgres(loop, location)
    elif location.target.endswith(".sqlite"):
        vacuum_sqlite(loop, location)
    else:
        _rewrite_file(loop, location, None)
    with open_warehouse(loop, write=True) as warehouse:
        mark = {"tombstone": tombstone}
        warehouse.write(
            lambda _: warehouse.connection.execute(
                "delete from pending_erasure where tombstone = $tombstone", mark
            )
        )
    return told


def _rewrite_file(loop: Loop, location: Location, tombstone: str | None) -> None:
    """Copy a DuckDB file into a new one, without the pending mark of `tombstone`, and put that in its place."""
    target = Path(location.target).resolve()  # where it is a link, what it leads to is what holds the data
    fresh = target.with_name(target.name + _FRESH)
    wait = loop.settings.warehouse.wait_seconds
    with hold_file_lock(location.lock_path, shared=False, wait_seconds=wait), open_engine(loop) as engine:
        for leftover in (fresh, _find_log(fresh)):
            leftover.unlink(missing_ok=True)
        connection = engine.connection
        for path, name in ((target, "stored"), (fresh, "fresh")):
            quoted = str(path).replace("'", "''")
            connection.execute(f"attach '{quoted}' as {name} (storage_version 'v1.5.0')")
        connection.execute("checkpoint stored")
        connection.execute("copy from database stored to fresh")
        if tombstone is not None:
            connection.execute(
                "delete from fresh.main.pending_erasure where tombstone = $tombstone", {"tombstone": tombstone}
            )
        connection.execute("checkpoint fresh")
        for name in ("fresh", "stored"):
            connection.execute(f"detach {name}")
        if _find_log(fresh).exists():
            raise WarehouseError(f"{loop.relate(fresh)}: was not written to its end; erase again")
        _swap(fresh, target)


def _swap(fresh: Path, target: Path) -> None:
    fresh.chmod(target.stat().st_mode & 0o7777)
    with fresh.open("rb") as handle:
        os.fsync(handle.fileno())
    # A log that outlived the old file would be played into the new one.
    _find_log(target).unlink(missing_ok=True)
    fresh.replace(target)
    sync_folder(target.parent)


def _find_log(path: Path) -> Path:
    return path.with_name(f"{path.name}.wal")
