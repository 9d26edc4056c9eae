"""Take a recording out of files: tables lose its rows, texts its name; sources only where that was asked for."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tasks.errors import BusyWarehouseError, InputError
from tasks.find_kept_files import KeptFile, KnownFiles
from tasks.find_mentions import Mention
from tasks.hash_artefact import hash_content
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.match_rows import RowMatch
from tasks.rewrite_files import Stripped, put_in_place, strip_table

_PAGE_FILE = re.compile(r"(.+)-\d{8}T\d{6}Z(?:-\d+)?\.jsonl")
_PAGES = (".html", ".htm", ".svg")
_READABLE = (".json", ".jsonl", ".csv")  # one of anybody's that is no table is looked into as a text
_LARGEST_TEXT = 256 * 1024 * 1024


@dataclass(frozen=True)
class FileChange:
    """What a file held, and what became of it.

    `done`: `rewritten`, `removed`, or `left` (a source, or a text of the user's own, which name it still).
    `path` is where it lies now, in case the name of a file named the recording.
    """

    path: str
    done: str
    rows: int = 0
    texts: int = 0
    is_source: bool = False


@dataclass
class FilesDone:
    """What became of all files; `problems` are those that could not be looked into or written."""

    changes: list[FileChange]
    problems: list[str]

    @property
    def has_rewritten(self) -> bool:
        """Whether any file stands rewritten."""
        return any(change.done == "rewritten" for change in self.changes)


def erase_from_files(
    loop: Loop, files: list[KeptFile], known: KnownFiles, match: RowMatch, *, with_sources: bool, is_dry_run: bool
) -> FilesDone:
    """Look into every file and take out what is the recording's; a dry run only looks."""
    done = FilesDone([], [])
    for file in files:
        try:
            change = _erase_from_file(loop, file, known, match, with_sources=with_sources, is_dry_run=is_dry_run)
        except (InputError, BusyWarehouseError) as error:
            if not file.is_source or match.mention.is_in(loop.relate(file.path)):
                done.problems.append(str(error))
            continue
        except OSError as error:
            done.problems.append(f"{loop.relate(file.path)}: cannot be rewritten ({error.strerror})")
            continue
        if change is not None:
            done.changes.append(change)
    return done


def _erase_from_file(
    loop: Loop, file: KeptFile, known: KnownFiles, match: RowMatch, *, with_sources: bool, is_dry_run: bool
) -> FileChange | None:
    if not file.is_table:
        return _cut_text_file(loop, file, match, is_dry_run=is_dry_run)
    try:
        found = strip_table(file.path, match, is_dry_run=True)
    except InputError:
        if _is_leftover(file.path):
            found = Stripped(rows=1)  # half of a table that a stopped command left: nobody can say what is in it
        elif file.is_made or file.path.suffix.lower() not in _READABLE:
            raise
        else:
            return _cut_text_file(loop, file, match, is_dry_run=is_dry_run)
    names_it = match.object_id is None and match.mention.is_in(loop.relate(file.path))
    if not (found.is_touched or found.still_named or names_it):
        return None
    is_source = file.is_source or (not file.is_made and hash_content(file.path) in known.contents)
    name = loop.relate(file.path)
    is_users = file.path.suffix.lower() == ".json" and not file.is_made and not found.rows
    if (is_source and not with_sources) or is_users or not (found.is_touched or names_it):
        return FileChange(name, "left", found.rows, found.cuts + found.still_named, is_source)
    if _is_leftover(file.path) or (found.kept == 0 and file.path.suffix != ".parquet"):
        if not is_dry_run:
            with _keep_page_out(file.path):
                file.path.unlink()
        return FileChange(name, "removed", found.rows, found.cuts, is_source)
    if not is_dry_run:
        name = loop.relate(_rewrite(loop, file.path, match, found, names_it=names_it))
    return FileChange(name, "rewritten", found.rows, found.cuts, is_source)


def _is_leftover(path: Path) -> bool:
    """Tell whether a command that was stopped left the file, or the folder that it was writing."""
    return ".part" in (path.suffix, path.parent.suffix)


def _rewrite(loop: Loop, path: Path, match: RowMatch, found: Stripped, *, names_it: bool) -> Path:
    with _keep_page_out(path):
        if found.is_touched:
            strip_table(path, match, is_dry_run=False)
        return _rename(loop, path, match.mention) if names_it else path


def _rename(loop: Loop, path: Path, mention: Mention) -> Path:
    """Give a file of the loop folder whose name names the recording another one; folders without files go."""
    if not path.is_relative_to(loop.folder.absolute()):
        return path
    target = loop.folder.absolute() / mention.cut(loop.relate(path))
    place = target
    number = 1
    while place.exists():
        number += 1
        place = target.with_name(f"{target.stem}-{number}{target.suffix}")
    place.parent.mkdir(parents=True, exist_ok=True)
    path.rename(place)
    for folder in path.parents:
        if folder == loop.folder.absolute() or any(folder.iterdir()):
            break
        folder.rmdir()
    return place


@contextmanager
def _keep_page_out(path: Path) -> Iterator[None]:
    """Hold off the answer page that appends to this file; any other file is nobody's."""
    page = _PAGE_FILE.fullmatch(path.name)
    if page is None or path.parent.name != "answers":
        yield
        return
    try:
        with hold_file_lock(path.parent / f".{page[1]}.lock", shared=False, wait_seconds=0):
            yield
    except BusyWarehouseError as error:
        raise InputError(
            f"{path}: holds answers to erase, and an answer page is writing to it; end the page with Ctrl-C, and "
            "erase again"
        ) from error


def _cut_text_file(loop: Loop, file: KeptFile, match: RowMatch, *, is_dry_run: bool) -> FileChange | None:
    """Cut the name out of a text that commands made, remove a page of a report; name a text of the user's own."""
    if file.path.stat().st_size > _LARGEST_TEXT:
        raise InputError(f"{file.path}: is too large to be looked into; look for the recording in it yourself")
    text = file.path.read_text(encoding="utf-8", errors="surrogateescape")
    ids = (name for name in (*match.sample_ids, *match.fix_ids) if name in text) if file.is_made else iter(())
    is_page = file.path.suffix.lower() in _PAGES and next(ids, None) is not None
    if not (match.mention.may_be_in(text) and match.mention.is_in(text)) and not is_page:
        return None
    name = loop.relate(file.path)
    is_leftover = _is_leftover(file.path)
    if not (file.is_made or is_leftover):
        return FileChange(name, "left", texts=1)
    if is_leftover or file.path.suffix.lower() in _PAGES:
        if not is_dry_run:
            file.path.unlink()
        return FileChange(name, "removed", texts=1)
    if not is_dry_run:
        part = file.path.with_name(f".{file.path.name}.part")
        part.write_text(match.mention.cut(text), encoding="utf-8", errors="surrogateescape")
        put_in_place(part, file.path)
    return FileChange(name, "rewritten", texts=1)
