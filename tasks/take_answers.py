"""The part of `nightly` that takes in answer files: those that are new, or have changed, since the last time."""

from pathlib import Path

from tasks.errors import InputError
from tasks.find_log_files import (
    hash_file,
    list_closed,
    look_at_file,
    match_globs,
    read_seen,
    recognise_seen,
    remember_seen,
)
from tasks.import_answers import ImportSummary, import_answers
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


def find_new_answers(loop: Loop) -> list[Path]:
    """Return the files of `[pull] answers` that were not taken in as they are now, sorted.

    With them the folders that may not be read: `take_answers` says so of each.
    """
    patterns = loop.settings.pull.answers
    found = sorted(match_globs(loop, "answers", patterns) | list_closed(loop, "answers", patterns))
    if not found:
        return []
    with open_warehouse(loop, write=False) as warehouse:
        seen = read_seen(warehouse.connection)
    return [path for path in found if not _is_seen(loop, path, seen)]


def take_answers(loop: Loop, path: Path) -> ImportSummary:
    """Import one file of answers, and remember that it was taken in.

    Raises InputError where it cannot be read; it is then tried again the next time.
    """
    file = look_at_file(loop, path)
    summary = import_answers(loop, path)
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        warehouse.write(lambda _: remember_seen(connection, [hash_file(file)]))
    return summary


def _is_seen(loop: Loop, path: Path, seen: dict[str, tuple[int, int, str]]) -> bool:
    try:
        return recognise_seen(look_at_file(loop, path), seen).is_seen
    except InputError:
        return False  # whoever imports it says what is wrong with it
