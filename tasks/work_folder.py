"""Folders that trainers work in: outside the loop folder, gone afterwards, also where their process was killed."""

import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tasks.know_process import is_dead, name_process

_PREFIX = "turnrow-trainer-"
# The name tells whose the folder is: process, since when, and host; then what keeps names apart.
_NAME = re.compile(rf"{_PREFIX}(\d+)-(\d+|None)-(.+)-[^-]+")


@contextmanager
def make_work_folder() -> Iterator[Path]:
    """Make a folder for trainers and remove it after; those that killed processes left are removed first."""
    clear_work_folders()
    named = name_process()
    prefix = f"{_PREFIX}{named['process']}-{named['process_started']}-{named['host']}-"
    with tempfile.TemporaryDirectory(prefix=prefix) as name:
        yield Path(name)


def clear_work_folders() -> list[Path]:
    """Remove the folders of processes that are gone; return those of which that cannot be told, or done."""
    folders = sorted(Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"))
    for folder in folders:
        if _is_left(folder.name):
            shutil.rmtree(folder, ignore_errors=True)
    return [folder for folder in folders if folder.exists()]


def _is_left(name: str) -> bool:
    found = _NAME.fullmatch(name)
    if found is None:
        return False
    number, started, host = found.groups()
    known_start = None if started == "None" else started
    return is_dead({"host": host, "process": int(number), "process_started": known_start})
