"""Exported folders after an erasure: written anew from the warehouse, or at least with sums that are true.

A datasheet and a description tell of all rows of a set: of its recordings, times, contexts. So taking rows out is
not enough where the set can be exported again.
"""

import json
import secrets
import shutil
from collections.abc import Iterable, Mapping, Sequence
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
_RENEWED = ".renewed"


@dataclass(frozen=True)
class _Noted:
    """What a folder was last given; `files`: name to SHA-256, none while it is written."""

    version: str
    files: Mapping[str, str]


def list_descriptions(loop: Loop, versions: Iterable[str]) -> set[Path]:
    """Return the descriptions of sets of these versions that are as they were exported: they are made anew."""
    exported, given = _read_exported(loop), _list_given(loop)
    return {
        folder / name
        for folder, noted in exported.items()
        if noted.version in set(versions) and _is_ours(folder, noted.version, given)
        for name in DESCRIPTIONS
        if name != DATASHEET or not _is_answered(folder, given)
    }


def renew_exports(loop: Loop, versions: Iterable[str]) -> tuple[list[str], list[str]]:
    """Renew every exported folder that holds one of these versions, and the sums of all.

    A set that may not or cannot be exported any more keeps its folder, without the rows that were taken out and
    without what describes all of them. A datasheet into which people have written stays. Returns what went wrong,
    and what a person has to look at.
    """
    problems: list[str] = []
    told: list[str] = []
    exported, given = _read_exported(loop), _list_given(loop)
    for folder, noted in exported.items():
        if noted.version not in set(versions):
            continue
        if not noted.files or folder.suffix == _RENEWED:
            # What a killed command left; an export that is at work finds the erasure, and stops.
            shutil.rmtree(folder, ignore_errors=True)
            _forget_folder(loop, folder)
        elif folder.is_dir():
            told += _renew_export(loop, folder, noted.version, given)
    folders = {folder for folder in exported if (folder / SUMS).is_file()}
    folders |= {path.parent for path in loop.locate("training_sets").rglob(SUMS)}
    for folder in sorted(folders):
        try:
            renew_sums(folder)
        except (InputError, OSError, ValueError) as error:
            problems.append(f"{folder}: its sums cannot be made anew ({error}); export the set again")
    _note_sums(loop, [folder for folder in exported if (folder / SUMS).is_file()])
    return problems, told


def _read_exported(loop: Loop) -> dict[Path, _Noted]:
    """Return what each folder was last given, as the warehouse noted it."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(read_sql("erase/exported_folders")).fetchall()
    return {loop.locate(str(folder)): _Noted(str(version), json.loads(files)) for folder, version, files in rows}


def _list_given(loop: Loop) -> list[_Noted]:
    """Return all that was ever exported, also by a renewal that was killed."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute("select distinct version, files from exported_set").fetchall()
    return [_Noted(str(version), json.loads(files)) for version, files in rows]


def _is_ours(folder: Path, version: str, given: Sequence[_Noted]) -> bool:
    """Tell whether the folder's own sums are those that the version was exported with."""
    sums = folder / SUMS
    try:
        return sums.is_file() and any(_Noted(version, read_sums(sums)) == noted for noted in given)
    except (InputError, OSError, ValueError):
        return False


def _is_answered(folder: Path, given: Sequence[_Noted]) -> bool:
    """Tell whether people have written into the datasheet, as it asks them to."""
    sheet = folder / DATASHEET
    return sheet.is_file() and hash_content(sheet) not in {noted.files.get(DATASHEET) for noted in given}


def _renew_export(loop: Loop, folder: Path, version: str, given: Sequence[_Noted]) -> list[str]:
    """Write a folder anew that holds what was exported, without the erased rows; tell what to look at.

    A folder that another loop, or a person, has filled since keeps what it has: it was only looked through.
    """
    if not _is_ours(folder, version, given):
        return [f"{folder}: is no longer what was exported to it, so only its rows and texts were looked through"]
    is_answered = _is_answered(folder, given)
    is_whole = _export_again(loop, folder, version, keep=is_answered)
    gone = [] if is_whole else [name for name in DESCRIPTIONS if not (name == DATASHEET and is_answered)]
    for name in gone:
        (folder / name).unlink(missing_ok=True)
    told = [f"{folder}: cannot be exported any more; {' and '.join(gone)}, which told of all rows, are gone"]
    stays = [f"{folder / DATASHEET}: people have written into it, so it stays; its figures are from before"]
    return (told if gone else []) + (stays if is_answered else [])


def _export_again(loop: Loop, folder: Path, version: str, *, keep: bool) -> bool:
    """Export beside, move file by file, the sums last, and forget the folder beside; tell whether it could."""
    from tasks.export_training_set import export_training_set

    fresh = folder.with_name(f".{folder.name}.{secrets.token_hex(8)}{_RENEWED}")
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
