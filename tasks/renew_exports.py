"""Exported folders after an erasure: written anew from the warehouse, or at least with sums that are true.

A datasheet and a description tell of all rows of a set: of its recordings, times, contexts. So taking rows out is
not enough where the set can be exported again.
"""

import json
import secrets
import shutil
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from schemas.sql_files import read_sql
from tasks.errors import InputError, TurnrowError
from tasks.hash_artefact import hash_content
from tasks.list_sums import SUMS, read_sums
from tasks.loop import Loop
from tasks.renew_sums import renew_sums
from tasks.warehouse import open_warehouse

CROISSANT, DATASHEET = "croissant.json", "datasheet.md"
DESCRIPTIONS = (DATASHEET, CROISSANT)


@dataclass(frozen=True)
class _Noted:
    """What a folder was last given; `files`: name to SHA-256, none while it is written."""

    version: str
    files: Mapping[str, str]


def list_answered_sheets(loop: Loop) -> set[Path]:
    """Return the exported folders in whose datasheet people have written, as it asks them to.

    To be asked before anything is cut out of texts: then every datasheet is another one than was exported.
    """
    return {
        folder
        for folder, noted in _read_exported(loop).items()
        if (folder / DATASHEET).is_file() and hash_content(folder / DATASHEET) != noted.files.get(DATASHEET)
    }


def renew_exports(loop: Loop, versions: Iterable[str], answered: Set[Path]) -> list[str]:
    """Renew every exported folder that holds one of these versions, and the sums of all; return what went wrong.

    A set that may not or cannot be exported any more keeps its folder, without the rows that were taken out and
    without what describes all of them. Of the `answered` folders the datasheet stays.
    """
    problems: list[str] = []
    exported = _read_exported(loop)
    for folder, noted in exported.items():
        if noted.version not in set(versions) or not folder.is_dir():
            continue
        if not noted.files:
            shutil.rmtree(folder)  # an export that was killed; one that is at work finds the erasure, and stops
        else:
            problems += _renew_export(loop, folder, noted, is_answered=folder in answered)
    folders = {folder for folder in exported if (folder / SUMS).is_file()}
    folders |= {path.parent for path in loop.locate("training_sets").rglob(SUMS)}
    for folder in sorted(folders):
        try:
            renew_sums(folder)
        except (InputError, OSError, ValueError) as error:
            problems.append(f"{folder}: its sums cannot be made anew ({error}); export the set again")
    _note_sums(loop, [folder for folder in exported if (folder / SUMS).is_file()])
    return problems


def _read_exported(loop: Loop) -> dict[Path, _Noted]:
    """Return what each folder was last given, as the warehouse noted it."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(read_sql("erase/exported_folders")).fetchall()
    return {loop.locate(str(folder)): _Noted(str(version), json.loads(files)) for folder, version, files in rows}


def _renew_export(loop: Loop, folder: Path, noted: _Noted, *, is_answered: bool) -> list[str]:
    """Write a folder anew whose files are those that were noted, but for the rows taken out; tell what stays.

    A folder that another loop, or a person, has filled since keeps what it has, without the erased rows.
    """
    if not (folder / SUMS).is_file() or read_sums(folder / SUMS) != noted.files:
        return [f"{folder}: is no longer what was exported to it, so only its rows and texts were looked through"]
    if not _export_again(loop, folder, noted.version, keep=is_answered):
        gone = [name for name in DESCRIPTIONS if not (name == DATASHEET and is_answered)]
        for name in gone:
            (folder / name).unlink(missing_ok=True)
        if not is_answered:
            return [
                f"{folder}: cannot be exported any more; {' and '.join(gone)}, which told of all rows, are gone"
            ]
    if is_answered:
        return [f"{folder / DATASHEET}: was changed by people and stays; look through it, its figures are older"]
    return []


def _export_again(loop: Loop, folder: Path, version: str, *, keep: bool) -> bool:
    """Export beside, move file by file, the sums last, and forget the folder beside; tell whether it could."""
    from tasks.export_training_set import export_training_set

    fresh = folder.with_name(f".{folder.name}.{secrets.token_hex(8)}.renewed")
    try:
        summary = export_training_set(loop, version, fresh, without_restricted=True, failed_too=True)
        for name in (*summary.files, SUMS):
            if not (keep and name == DATASHEET):
                (fresh / name).replace(folder / name)
    except TurnrowError:
        return False  # its rows are out of it, and its sums are renewed
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        _forget_folder(loop, fresh)
    return True


def _forget_folder(loop: Loop, fresh: Path) -> None:
    place = {"folder": loop.relate(fresh)}
    with open_warehouse(loop, write=True) as warehouse:

        def forget(_: datetime) -> None:
            for name in ("forget_folder", "forget_run"):
                warehouse.connection.execute(read_sql(f"erase/{name}"), place)

        warehouse.write(forget)


def _note_sums(loop: Loop, folders: list[Path]) -> None:
    """Have the warehouse know the sums that the folders have now."""
    sums = {loop.relate(folder): json.dumps(read_sums(folder / SUMS), sort_keys=True) for folder in folders}
    if not sums:
        return
    with open_warehouse(loop, write=True) as warehouse:

        def update(_: datetime) -> None:
            for folder, files in sums.items():
                place = {"folder": folder, "files": files}
                warehouse.connection.execute(read_sql("erase/note_sums"), place)

        warehouse.write(update)
