"""Exported folders after an erasure: written anew from the warehouse, or at least with sums that are true.

A datasheet and a description tell of all rows of a set: of its recordings, times, contexts. So taking rows out is
not enough where the set can be exported again.
"""

import json
import shutil
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from schemas.sql_files import read_sql
from tasks.errors import InputError, TurnrowError
from tasks.loop import Loop
from tasks.renew_sums import SUMS, read_sums, renew_sums
from tasks.warehouse import open_warehouse


def renew_exports(loop: Loop, versions: Iterable[str]) -> list[str]:
    """Renew every exported folder that holds one of these versions, and the sums of all; return what went wrong.

    A set that may not or cannot be exported any more keeps its folder, without the rows that were taken out.
    """
    problems: list[str] = []
    exported = _read_exported(loop)
    for folder, version in exported.items():
        if version in set(versions) and folder.is_dir():
            _export_again(loop, folder, version)
    folders = {folder for folder in exported if (folder / SUMS).is_file()}
    folders |= {path.parent for path in loop.locate("training_sets").rglob(SUMS)}
    for folder in sorted(folders):
        try:
            renew_sums(folder)
        except (InputError, OSError, ValueError) as error:
            problems.append(f"{folder}: its sums cannot be made anew ({error}); export the set again")
    _note_sums(loop, [folder for folder in exported if (folder / SUMS).is_file()])
    return problems


def _read_exported(loop: Loop) -> dict[Path, str]:
    """Return the version that each folder was last given, as the warehouse noted it."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(read_sql("erase/exported_folders")).fetchall()
    return {loop.locate(str(folder)): str(version) for folder, version in rows}


def _export_again(loop: Loop, folder: Path, version: str) -> None:
    """Export beside, move file by file, the sums last, and forget the folder beside."""
    from tasks.export_training_set import export_training_set

    fresh = folder.with_name(f".{folder.name}.renewed")
    shutil.rmtree(fresh, ignore_errors=True)
    try:
        summary = export_training_set(loop, version, fresh, without_restricted=True, failed_too=True)
        for name in (*summary.files, SUMS):
            (fresh / name).replace(folder / name)
    except TurnrowError:
        return  # its rows are out of it, and its sums are renewed
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        _forget_folder(loop, fresh)


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
