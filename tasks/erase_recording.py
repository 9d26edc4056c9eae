"""`erase`: a recording's data, or an object's, out of the warehouse, its storage, and the files around it.

In this order: the facts and the tombstone in one transaction, with a pending mark; the files; the storage made
anew, and with it the end of the mark. Whatever is stopped half-way is finished by erasing again.
"""

import json
import os
import unicodedata
from collections.abc import Set
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from tasks.check_tombstones import check_value, find_key, hash_name, make_key, require_key, use_key
from tasks.erase_facts import FactsPlan, StillNamed, TableChange, Target, plan_facts, read_ids, remove_facts
from tasks.erase_files import FileChange, FilesDone, erase_from_files
from tasks.errors import BusyWarehouseError, InputError, UnknownNameError
from tasks.fetch_rows import Row
from tasks.find_kept_files import KeptFile, KnownFiles, list_kept_files, read_known_files
from tasks.find_leftovers import clear_leftovers
from tasks.find_log_files import read_seen
from tasks.keep_schedule import clear_schedule_home
from tasks.locate_warehouse import find_location
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.match_rows import RowMatch
from tasks.name_concerned import Concerned, insert_erasure, is_erased, is_pending, name_concerned, read_hashes
from tasks.record_run import record_run
from tasks.renew_exports import list_descriptions, renew_exports
from tasks.rewrite_warehouse import rewrite_warehouse
from tasks.warehouse import Engine, open_engine, open_warehouse

CAUTIONS = (
    "Models are not changed: the weights of those named here may still carry the data. Train anew without it, and "
    "take them out of service, where that must not be.",
    "Copies elsewhere are out of reach: backups and snapshots of disks, exports and questions that were handed "
    "out or moved away, pictures that media_uri points to, folders that a killed training left in the temporary "
    "directory, what a Prefect server that PREFECT_API_URL names remembers of runs, logs and "
    "write-ahead files of a PostgreSQL.",
    "Blocks that a file system has freed are not wiped: encrypt the disk, or wipe its free space.",
)


@dataclass(frozen=True)
class ErasureSummary:
    """What an erasure did, or would do (`is_dry_run`).

    `is_new`: it was not erased before. `is_rewritten`: the storage was made anew. `versions` cannot be rebuilt,
    each with the reason; with `models` and `holdouts` they are also told where it was erased before.
    `unreachable`: exported folders that are no longer where they were written; `told`: what could not be cleaned.
    """

    recording_id: str
    object_id: str | None
    tombstone: str | None
    is_dry_run: bool
    is_new: bool
    is_rewritten: bool
    tables: tuple[TableChange, ...]
    files: tuple[FileChange, ...]
    versions: dict[str, str]
    models: tuple[Row, ...]
    holdouts: tuple[Row, ...]
    still_named: tuple[StillNamed, ...]
    unreachable: tuple[str, ...]
    told: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


@dataclass(frozen=True)
class _Found:
    """What there is of a target before anything is changed."""

    plan: FactsPlan
    concerned: Concerned
    known_files: KnownFiles
    match: RowMatch
    tombstone: str | None
    is_known: bool
    is_pending: bool


def erase_recording(
    loop: Loop,
    recording_id: str,
    object_id: str | None = None,
    *,
    with_sources: bool = False,
    is_dry_run: bool = False,
) -> ErasureSummary:
    """Erase a recording, or one object of it; sources are rewritten only `with_sources`; a dry run writes nothing.

    Again, it finishes what was stopped, and else finds nothing new. Raises UnknownNameError where neither the
    warehouse nor a file holds anything of it, WarehouseError where earlier erasures were made with another key.
    """
    target = Target(_normalise(recording_id), None if object_id is None else _normalise(object_id))
    if not target.recording_id or target.object_id == "":
        raise InputError("an empty name erases nothing; give the recording's name as the logs have it")
    if is_dry_run:
        return _look(loop, target, with_sources=with_sources)
    wait = loop.settings.warehouse.wait_seconds
    with hold_file_lock(loop.folder / ".erase.lock", shared=False, wait_seconds=wait):
        return _erase(loop, target, with_sources=with_sources)


def _normalise(name: str) -> str:
    return unicodedata.normalize("NFC", name)


def _look(loop: Loop, target: Target, *, with_sources: bool) -> ErasureSummary:
    with open_engine(loop) as engine:
        found = _find(engine, target)
    done = _work_on_files(loop, found, with_sources=with_sources, is_dry_run=True)
    _refuse_unknown(target, found, done)
    return _summarise(target, found, done, is_dry_run=True)


def _erase(loop: Loop, target: Target, *, with_sources: bool) -> ErasureSummary:
    with open_engine(loop) as engine:
        found = _find(engine, target)
        if not found.is_known and not found.plan.list_changes():
            _refuse_unknown(target, found, _work_on_files(loop, found, with_sources=with_sources, is_dry_run=True))
        if found.plan.list_changes() or not found.is_known:
            found = _erase_facts(engine, target, found)
    fresh = list_descriptions(loop, found.concerned.versions) if found.is_pending else set()
    done = _work_on_files(loop, found, with_sources=with_sources, is_dry_run=False, but=fresh)
    told: list[str] = []
    if found.is_pending:
        problems, told = renew_exports(loop, found.concerned.versions)
        done.problems += problems
    if found.is_pending or done.has_rewritten:
        _recognise_rewritten(loop)
    told += [
        f"{change.path} is gone; turnrow report MODEL writes it anew, without the recording"
        for change in done.changes
        if change.done == "removed" and change.path.startswith("reports/")
    ]
    is_rewritten = found.is_pending and not done.problems
    if is_rewritten:
        told += _rewrite(loop, found) + clear_leftovers(loop) + clear_schedule_home(loop)
    return _summarise(target, found, done, told=told, is_rewritten=is_rewritten)


def _find(engine: Engine, target: Target) -> _Found:
    """Look at the warehouse; what was staged stays in the engine's temp tables."""
    loop = engine.loop
    with engine.attach(write=False) as warehouse:
        connection = warehouse.connection
        key = require_key(connection, loop) or find_key(loop)
        tombstone, is_known = None, False
        if key is not None:
            use_key(connection, key)
            tombstone = _make_tombstone(key, target)
            is_known = is_erased(connection, tombstone)
        plan = plan_facts(connection, loop, target, tombstone if is_known else None)
        sample_ids, fix_ids = read_ids(connection)
        hashes = read_hashes(connection, str(tombstone)) if is_known else frozenset()
        match = RowMatch(
            target.recording_id, target.object_id, target.mention, sample_ids, fix_ids, key, frozenset(hashes)
        )
        return _Found(
            plan,
            name_concerned(connection, tombstone),
            read_known_files(connection, loop),
            match,
            tombstone,
            is_known,
            is_known and is_pending(connection, str(tombstone)),
        )


def _make_tombstone(key: bytes, target: Target) -> str:
    if target.object_id is None:
        return hash_name(key, "recording", target.recording_id)
    return hash_name(key, "object", target.recording_id, target.object_id)


def _work_on_files(
    loop: Loop, found: _Found, *, with_sources: bool, is_dry_run: bool, but: Set[Path] = frozenset()
) -> FilesDone:
    """Work on all files, and only look into those of `but`, which are made anew anyway."""
    kept = list_kept_files(loop, find_location(loop), found.known_files)

    def work(files: list[KeptFile], *, is_look: bool) -> FilesDone:
        return erase_from_files(
            loop, files, found.known_files, found.match, with_sources=with_sources, is_dry_run=is_look
        )

    done = work([file for file in kept if file.path not in but], is_look=is_dry_run)
    looked = work([file for file in kept if file.path in but], is_look=True)
    changes = sorted((*done.changes, *looked.changes), key=lambda change: change.path)
    return FilesDone(changes, done.problems + looked.problems)


def _refuse_unknown(target: Target, found: _Found, done: FilesDone) -> None:
    """Say so where there is nothing to erase; near names are not told, since they are other recordings' names."""
    if found.is_known or found.plan.list_changes() or any(change.rows for change in done.changes):
        return
    raise UnknownNameError(
        f"{target.words}: neither the warehouse nor a file of the loop folder knows it; nothing was erased. Give "
        "the name exactly as the logs have it"
    )


def _erase_facts(engine: Engine, target: Target, found: _Found) -> _Found:
    """Take out the facts and leave a tombstone, in one transaction; what is found is what is found in it."""
    loop, started_at = engine.loop, engine.loop.clock()
    key = make_key(loop)
    tombstone = _make_tombstone(key, target)
    with engine.attach(write=True) as warehouse:

        def insert(known_at: datetime) -> _Found:
            connection = warehouse.connection
            require_key(connection, loop)
            use_key(connection, key)
            plan = plan_facts(connection, loop, target, tombstone if found.is_known else None)
            concerned = name_concerned(connection, tombstone)
            sample_ids, fix_ids = read_ids(connection)
            counts = {change.table: change.deleted + change.changed for change in plan.list_changes()}
            place: dict[str, object] = {
                "tombstone": tombstone,
                "scope": "recording" if target.object_id is None else "object",
                "inside": hash_name(key, "recording", target.recording_id),
                "key_check": check_value(key),
                "counts": json.dumps(counts, sort_keys=True),
                "known_at": known_at,
            }
            insert_erasure(connection, place, concerned.versions)
            remove_facts(connection, plan)
            record_run(
                connection,
                "erase",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"tombstone": tombstone},
                counts=counts,
            )
            match = replace(found.match, key=key, sample_ids=sample_ids, fix_ids=fix_ids)
            return replace(
                found, plan=plan, concerned=concerned, match=match, tombstone=tombstone, is_pending=True
            )

        return warehouse.write(insert)


def _recognise_rewritten(loop: Loop) -> None:
    """Have rewritten files recognised by size and time, so that the next pull does not take them for new ones.

    A rewritten file keeps its time, so it is one that has another size at the same time: also where an earlier run
    was stopped before it came here.
    """
    with open_warehouse(loop, write=False) as warehouse:
        seen = read_seen(warehouse.connection)
    sizes = {
        name: state.st_size
        for name, (size, modified_ns, _) in seen.items()
        if (state := _look_at(loop.locate(name))) and state.st_mtime_ns == modified_ns and state.st_size != size
    }
    if not sizes:
        return
    with open_warehouse(loop, write=True) as warehouse:

        def update(_: datetime) -> None:
            for name, size in sizes.items():
                warehouse.connection.execute(
                    "update seen_file set size_bytes = $size where path = $name", {"name": name, "size": size}
                )

        warehouse.write(update)


def _look_at(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except OSError:
        return None


def _rewrite(loop: Loop, found: _Found) -> list[str]:
    try:
        return rewrite_warehouse(loop, find_location(loop), str(found.tombstone), found.match)
    except BusyWarehouseError as error:
        raise BusyWarehouseError(
            f"{error}. Tables and files are cleaned already; only the storage has to be made anew: erase again"
        ) from error


def _is_gone(folder: Path) -> bool:
    """Tell whether a set was exported to the folder and moved away since; one that was never finished is none."""
    return folder.suffix != ".part" and not folder.is_dir()


def _summarise(
    target: Target,
    found: _Found,
    done: FilesDone,
    *,
    is_dry_run: bool = False,
    is_rewritten: bool = False,
    told: list[str] | None = None,
) -> ErasureSummary:
    return ErasureSummary(
        recording_id=target.recording_id,
        object_id=target.object_id,
        tombstone=found.tombstone,
        is_dry_run=is_dry_run,
        is_new=not found.is_known,
        is_rewritten=is_rewritten,
        tables=found.plan.list_changes(),
        files=tuple(done.changes),
        versions=found.concerned.versions,
        models=found.concerned.models,
        holdouts=found.concerned.holdouts,
        still_named=found.plan.still_named,
        unreachable=tuple(sorted(str(folder) for folder in found.known_files.exported if _is_gone(folder))),
        told=tuple(told or ()),
        problems=tuple(done.problems),
    )
