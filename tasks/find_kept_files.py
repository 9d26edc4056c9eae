"""Which files may hold a recording's data: all of the loop folder that are tables or texts, and what was pulled.

A *source* came from outside (an inbox file, whatever a pull or import read); everything else Turnrow or its
commands wrote.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb

from tasks.check_tombstones import KEY_FILE
from tasks.find_log_files import match_globs
from tasks.list_sums import SUMS
from tasks.locate_warehouse import Location
from tasks.loop import Loop
from tasks.rewrite_files import find_table_format

_TEXTS = (".html", ".htm", ".md", ".txt", ".log", ".xml", ".toml", ".yaml", ".yml", ".svg")
_OWN_FOLDERS = ("reports", "training_sets")  # what is in them is made by commands, and can be made again
_LEFT_OUT = (".spill", "models", ".git")
_INBOX, _ANSWERS = "inbox", "inbox/answers"


@dataclass(frozen=True)
class KnownFiles:
    """What the warehouse knows of files: what was pulled, by absolute path and by content; exported folders."""

    pulled: frozenset[Path]
    answered: frozenset[Path]
    contents: frozenset[str]
    exported: frozenset[Path]


@dataclass(frozen=True)
class KeptFile:
    """A file to look into: `is_source` if it came from outside, `is_made` if commands made it for good."""

    path: Path
    is_table: bool
    is_source: bool
    is_made: bool


def read_known_files(connection: duckdb.DuckDBPyConnection, loop: Loop) -> KnownFiles:
    """Return what the warehouse knows of files."""
    rows = connection.execute("select kind, source_uri, content_sha256 from pull_batch").fetchall()
    answers = frozenset(loop.locate(uri).absolute() for kind, uri, _ in rows if kind == "answers")
    pulled = frozenset(loop.locate(uri).absolute() for kind, uri, _ in rows if kind != "answers")
    contents = frozenset(str(sha256) for kind, _, sha256 in rows if kind != "answers")
    return KnownFiles(pulled, answers, contents, frozenset(_read_exported(connection, loop)))


def _read_exported(connection: duckdb.DuckDBPyConnection, loop: Loop) -> Iterator[Path]:
    """Yield the folders that sets were exported to, whether they are still there or not."""
    found = connection.execute(
        "select column_name from duckdb_columns() where database_name = 'wh' and table_name = 'exported_set'"
    ).fetchall()
    columns = [str(row[0]) for row in found]
    column = next((name for name in ("folder", "path", "directory", "target_uri") if name in columns), None)
    if column is None:
        return
    for row in connection.execute(f"select distinct {column} from exported_set").fetchall():
        yield loop.locate(str(row[0])).absolute()


def list_kept_files(loop: Loop, location: Location, known: KnownFiles) -> list[KeptFile]:
    """Return the files to look into, by path, each once; what is not there any more is left out."""
    sources = {path for path in known.pulled if path.is_file()}
    sources |= match_globs(loop, "predictions", loop.settings.pull.predictions)
    sources |= match_globs(loop, "labels", loop.settings.pull.labels)
    outside = [path for path in known.answered if path.is_file()]
    inside = list(_walk(loop.folder.absolute(), _list_left_out(loop, location)))
    exports = [path for folder in _list_export_folders(known) for path in _walk(folder, set())]
    answers = {path.absolute() for path in match_globs(loop, "answers", loop.settings.pull.answers)}
    whole = {path.absolute(): None for path in (*inside, *exports, *outside, *answers, *sources)}
    return [
        file
        for path in sorted(whole)
        if (file := _describe(loop, path, {path.absolute() for path in sources}, answers, known)) is not None
    ]


def _list_export_folders(known: KnownFiles) -> set[Path]:
    """Return the exported folders, and those in which an export that was stopped was being written."""
    return set(known.exported)


def _list_left_out(loop: Loop, location: Location) -> set[Path]:
    """Return what is no file of its own: the warehouse, models, spill files and the lake's data."""
    names = [loop.folder.absolute() / name for name in _LEFT_OUT]
    if location.data_path and "://" not in location.data_path:
        names.append(Path(location.data_path))
    if location.kind != "lake_postgres":
        names.append(Path(location.target))
    return set(names)


def _walk(folder: Path, left_out: set[Path]) -> Iterator[Path]:
    """Yield every file below a folder, also by links, each folder once."""
    met: set[Path] = set()
    for name, folders, files in os.walk(folder, followlinks=True):
        here = Path(name)
        if here.resolve() in met:
            folders.clear()
            continue
        met.add(here.resolve())
        folders[:] = [inner for inner in folders if here / inner not in left_out]
        yield from (here / file for file in files if here / file not in left_out)


def _describe(
    loop: Loop, path: Path, sources: set[Path], answers: set[Path], known: KnownFiles
) -> KeptFile | None:
    if path.name == KEY_FILE or not path.is_file():
        return None
    is_table = find_table_format(path) is not None
    suffix = (path.with_suffix("") if path.suffix == ".part" else path).suffix.lower()
    if not is_table and suffix not in _TEXTS and path.name != SUMS:
        return None
    name = loop.relate(path)
    is_made = path not in sources and (
        any(folder in path.parents for folder in _list_export_folders(known))
        or any(name.startswith(f"{folder}/") for folder in _OWN_FOLDERS)
    )
    is_inbox = name.startswith(f"{_INBOX}/") and not name.startswith(f"{_ANSWERS}/") and path not in answers
    is_outside = Path(name).is_absolute() and not is_made and path not in answers
    # What a link leads to is what holds the data: it is rewritten there, and the link stays.
    place = path.resolve() if path.is_symlink() else path
    return KeptFile(place, is_table, path in sources or is_inbox or is_outside, is_made)
