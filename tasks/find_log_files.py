"""Which files a pull looks at, and by what content it knows them."""

import glob
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from itertools import takewhile
from pathlib import Path

import duckdb

from schemas.log_contract import COMPRESSIONS, FORMATS
from schemas.sql_files import read_sql
from tasks.errors import InputError, spell_printable
from tasks.hash_artefact import hash_content
from tasks.loop import Loop
from tasks.resolve_secret import resolve_environment
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class FoundFile:
    """A file as it was when it was looked at; `sha256` is empty until its content is known."""

    path: Path
    name: str
    size_bytes: int
    modified_ns: int
    sha256: str = ""
    is_seen: bool = False


def list_inbox(loop: Loop) -> list[Path]:
    """Return the prediction logs and label files that the globs of `[pull]` match, sorted, each once.

    With them the folders that may not be read: `look_at_file` says so of each.
    """
    pull = loop.settings.pull
    predictions = match_globs(loop, "predictions", pull.predictions)
    labels = match_globs(loop, "labels", pull.labels)
    closed = list_closed(loop, "predictions", pull.predictions) | list_closed(loop, "labels", pull.labels)
    return sorted(predictions | labels | closed)


def list_unread(loop: Loop) -> list[str]:
    """Return the files of `inbox/` that could be read, that no glob of [pull] matches and nobody pulled by name.

    A log that somebody puts there in another format than the settings ask for would otherwise wait for ever.
    """
    names = list_unmatched(loop)
    if not names:
        return []
    with open_warehouse(loop, write=False) as warehouse:
        return drop_seen(warehouse.connection, names)


def drop_seen(connection: duckdb.DuckDBPyConnection, names: Sequence[str]) -> list[str]:
    """Return the names of files that nobody has pulled."""
    seen = read_seen(connection) if names else {}
    return [name for name in names if name not in seen]


def describe_unread(names: Sequence[str]) -> str:
    """Say of files that `list_unread` returned, one or more, why nobody reads them."""
    more = f" and {len(names) - 1:,} more are" if len(names) > 1 else " is"
    return f"{names[0]}{more} matched by no pattern of [pull], so never read"


def list_unmatched(loop: Loop) -> list[str]:
    """Return the files of `inbox/` that could be read and that no glob of [pull] matches, by name, sorted."""
    pull = loop.settings.pull
    matched = {
        path.resolve()
        for key, patterns in (
            ("predictions", pull.predictions),
            ("labels", pull.labels),
            ("answers", pull.answers),
        )
        for path in match_globs(loop, key, patterns)
    }
    there = (path for path in (loop.folder / "inbox").rglob("*") if _is_readable(path))
    return sorted(loop.relate(path) for path in there if path.resolve() not in matched)


def _is_readable(path: Path) -> bool:
    suffixes = [suffix for suffix in path.suffixes[-2:] if suffix not in COMPRESSIONS]
    return path.is_file() and bool(suffixes) and suffixes[-1] in FORMATS and not path.name.startswith(".")


def match_globs(loop: Loop, key: str, patterns: Iterable[str]) -> set[Path]:
    """Return the files that some globs of `[pull]` match; `key` names their setting in an error."""
    found: set[Path] = set()
    for pattern in patterns:
        text = _resolve(key, pattern)
        matched = glob.glob(text, root_dir=loop.folder, recursive=True)  # noqa: PTH207 - a Path takes no absolute glob
        found.update(path for path in (loop.folder / name for name in matched) if not _is_folder(path))
    return found


def list_closed(loop: Loop, key: str, patterns: Iterable[str]) -> set[Path]:
    """Return the folders that some globs of `[pull]` lead into and that may not be read: glob passes over them."""
    closed: set[Path] = set()
    for parts in {_cut_file((loop.folder / _resolve(key, pattern)).parts) for pattern in patterns}:
        fixed = list(takewhile(lambda part: not glob.has_magic(part), parts[:-1]))
        closed.update(_walk_closed(Path(*fixed), parts[len(fixed) :]))
    return closed


def _cut_file(parts: tuple[str, ...]) -> tuple[str, ...]:
    """Return a pattern's parts but for what it asks of files: several formats lead into the same folders."""
    return parts if parts[-1] == "**" else (*parts[:-1], "*")


def _walk_closed(folder: Path, parts: Sequence[str]) -> Iterator[Path]:
    """Go where glob goes, by the parts of a pattern that are left; `**` leads everywhere but through links."""
    try:
        names = os.listdir(folder)  # noqa: PTH208 - names, to be compared with a part of the pattern
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError:
        yield folder
        return
    is_deep = parts[0] == "**"
    if len(parts) == 1 and not is_deep:
        return
    for name in names:
        below = folder / name
        if name.startswith(".") > parts[0].startswith(".") or not _is_folder(below):
            continue
        if is_deep and not below.is_symlink():
            yield from _walk_closed(below, parts)
        elif not is_deep and fnmatchcase(name, parts[0]):
            yield from _walk_closed(below, parts[1:])


def _resolve(key: str, pattern: str) -> str:
    return str(Path(resolve_environment(pattern, f"turnrow.toml, pull.{key}")).expanduser())


def _is_folder(path: Path) -> bool:
    return os.path.isdir(path)  # noqa: PTH112 - a Path raises where a folder above may not be entered


def look_at_file(loop: Loop, path: Path) -> FoundFile:
    """Return a file's name as stored, its size and its time.

    Raises InputError if it is no file, or has a name that the warehouse cannot hold, which is UTF-8 throughout.
    """
    name = loop.relate(path)
    try:
        state = path.stat()
    except OSError as error:
        raise InputError(f"{name}: cannot be read ({error.strerror}); check the path") from error
    if path.is_dir() and not os.access(path, os.R_OK | os.X_OK):
        raise InputError(f"{name}: this folder may not be read, nor what is in it; change its permissions")
    if spell_printable(str(path)) != str(path):
        raise InputError(f"{name}: its name is not UTF-8; rename it")
    if not path.is_file():
        raise InputError(f"{name}: is no file; name the files in it, or set [pull] to match them")
    return FoundFile(path, name, state.st_size, state.st_mtime_ns)


def hash_file(file: FoundFile) -> FoundFile:
    """Return the same file with the SHA-256 of its bytes. Raises InputError if they cannot be read."""
    try:
        digest = hash_content(file.path)
    except OSError as error:
        raise InputError(f"{file.name}: cannot be read ({error.strerror}); check its permissions") from error
    return replace(file, sha256=digest)


def has_changed(file: FoundFile) -> bool:
    """Tell whether a file is no longer what it was when it was looked at."""
    try:
        state = file.path.stat()
    except OSError:
        return True
    return (state.st_size, state.st_mtime_ns) != (file.size_bytes, file.modified_ns)


def recognise_seen(file: FoundFile, seen: Mapping[str, tuple[int, int, str]]) -> FoundFile:
    """Return the file with the content it had before, if its size and time are the same."""
    size_bytes, modified_ns, sha256 = seen.get(file.name, (-1, -1, ""))
    if (size_bytes, modified_ns) != (file.size_bytes, file.modified_ns):
        return file
    return replace(file, sha256=sha256, is_seen=True)


def read_seen(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int, str]]:
    """Return by path what earlier pulls saw: size, time, content."""
    rows = connection.execute("select path, size_bytes, modified_ns, content_sha256 from seen_file").fetchall()
    return {row[0]: (row[1], row[2], row[3]) for row in rows}


def remember_seen(connection: duckdb.DuckDBPyConnection, files: Iterable[FoundFile]) -> None:
    """Note size, time and content of files, so that the next pull need not hash them."""
    rows: Sequence[list[object]] = [[f.name, f.size_bytes, f.modified_ns, f.sha256] for f in files]
    if rows:
        connection.execute(
            "create or replace temp table looked_at "
            "(path varchar, size_bytes bigint, modified_ns bigint, content_sha256 varchar)"
        )
        connection.executemany("insert into looked_at values (?, ?, ?, ?)", rows)
        connection.execute("delete from seen_file where path in (select path from looked_at)")
        connection.execute(read_sql("pull/insert_seen_file"))
