"""Take a recording's rows out of a file: Parquet, CSV or JSON Lines (also packed), or JSON; same format back.

What stays, stays as it was: text files line by line, Parquet with its schema, metadata and compression. A file is
written beside and moved into place, so that whoever is stopped leaves the old one or the new one.
"""

import csv
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from tasks.check_tombstones import sync_folder
from tasks.errors import InputError
from tasks.match_rows import FREE_COLUMNS, RowMatch
from tasks.rewrite_parquet import strip_parquet

_SEPARATORS = ",;\t|"
_PACKED = {".gz": "gzip", ".zst": "zstd"}
_TABLES = {".parquet": "parquet", ".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".json": "json"}


@dataclass
class Stripped:
    """What a file held: rows of the thing, rows of others, their texts that named it, and what names it still."""

    rows: int = 0
    kept: int = 0
    cuts: int = 0
    still_named: int = 0

    @property
    def is_touched(self) -> bool:
        """Whether anything is to be taken out."""
        return self.rows > 0 or self.cuts > 0


def find_table_format(path: Path) -> str | None:
    """Return parquet, csv, jsonl or json by suffix, packed or not; None for a file that is no table.

    What a stopped command left beside its target bears the target's suffix before its own, `.part`.
    """
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix != ".part"]
    if suffixes and suffixes[-1] in _PACKED:
        suffixes.pop()
        return None if not suffixes or suffixes[-1] == ".parquet" else _TABLES.get(suffixes[-1])
    return _TABLES.get(suffixes[-1]) if suffixes else None


def strip_table(path: Path, match: RowMatch, *, is_dry_run: bool) -> Stripped:
    """Take the thing's rows out of a table and say how many they were; a dry run writes nothing.

    A file of which no row is left is removed, unless it is Parquet. Raises InputError where it cannot be read.
    """
    form = find_table_format(path)
    strip = {"parquet": strip_parquet, "csv": _strip_csv, "jsonl": _strip_json_lines, "json": _strip_json}
    done = Stripped()
    part = path.with_name(f".{path.name}.part")
    try:
        strip[str(form)](path, None, match, done)
        if done.is_touched and not is_dry_run:
            strip[str(form)](path, part, match, Stripped())
            put_in_place(part, path, is_empty=done.kept == 0 and form in ("csv", "jsonl"))
    except (OSError, ValueError, csv.Error, EOFError) as error:
        part.unlink(missing_ok=True)
        why = (str(error).strip() or type(error).__name__).splitlines()[0]
        raise InputError(
            f"{path}: cannot be looked into ({why}); look for the recording in it yourself"
        ) from error
    return done


def put_in_place(part: Path, path: Path, *, is_empty: bool = False) -> None:
    """Move what was written beside a file into its place, safe on the disk; or remove both.

    It keeps the file's permissions, and its time: a rewritten file is told from a new one by that.
    """
    if is_empty:
        part.unlink()
        path.unlink()
    else:
        state = path.stat()
        part.chmod(state.st_mode & 0o7777)
        os.utime(part, ns=(state.st_atime_ns, state.st_mtime_ns))
        with part.open("rb") as handle:
            os.fsync(handle.fileno())
        part.replace(path)
    sync_folder(path.parent)


def _open_text(path: Path, mode: str) -> IO[str]:
    """Open a text, unpacked or packed as its suffix says; bytes that are no UTF-8 come back as they were."""
    import io

    import pyarrow as pa

    named = path.with_suffix("") if path.suffix == ".part" else path
    compression = _PACKED.get(named.suffix.lower())
    opened = pa.input_stream if mode == "r" else pa.output_stream
    return io.TextIOWrapper(
        opened(str(path), compression=compression), encoding="utf-8", errors="surrogateescape", newline=""
    )


def _strip_csv(path: Path, target: Path | None, match: RowMatch, done: Stripped) -> None:
    csv.field_size_limit(sys.maxsize)
    with _open_text(path, "r") as source:
        lines = iter(source)
        first = next(lines, "")
        separator = max(_SEPARATORS, key=first.count)
        names = [
            name.strip() for name in next(csv.reader([first.removeprefix("\ufeff")], delimiter=separator), [])
        ]
        pieces = _keep_records(_split_records(lines, separator), names, separator, match, done)
        _write_pieces(target, first, pieces)


def _write_pieces(target: Path | None, first: str, pieces: Iterator[str]) -> None:
    if target is None:
        for _ in pieces:
            pass
        return
    with _open_text(target, "w") as written:
        written.write(first)
        written.writelines(pieces)


def _split_records(lines: Iterator[str], separator: str) -> Iterator[tuple[str, list[str]]]:
    """Yield each record as it stands, and its cells; a record may span lines."""
    taken: list[str] = []

    def feed() -> Iterator[str]:
        for line in lines:
            taken.append(line)
            yield line

    for cells in csv.reader(feed(), delimiter=separator):
        yield "".join(taken), cells
        taken.clear()


def _keep_records(
    records: Iterator[tuple[str, list[str]]], names: list[str], separator: str, match: RowMatch, done: Stripped
) -> Iterator[str]:
    for raw, cells in records:
        is_broken = len(cells) != len(names) and match.mention.is_in(raw)
        if is_broken or match.matches(dict(zip(names, cells, strict=False))):
            done.rows += 1
            if is_broken:  # an unclosed quote swallows the lines of others
                yield "".join(line for line in raw.splitlines(keepends=True) if not match.mention.is_in(line))
            continue
        done.kept += 1
        if match.mention.may_be_in(raw):
            raw = _cut_record(raw, cells, names, separator, match, done)
        yield raw


def _cut_record(
    raw: str, cells: list[str], names: list[str], separator: str, match: RowMatch, done: Stripped
) -> str:
    cut = [
        match.mention.cut(cell) if name in FREE_COLUMNS else cell for name, cell in zip(names, cells, strict=False)
    ]
    if cut != cells[: len(cut)]:
        import io

        done.cuts += 1
        ending = "\r\n" if raw.endswith("\r\n") else "\n"
        written = io.StringIO()
        csv.writer(written, delimiter=separator, lineterminator=ending).writerow([*cut, *cells[len(cut) :]])
        raw = written.getvalue()
    done.still_named += match.mention.is_in(raw)
    return raw


def _strip_json_lines(path: Path, target: Path | None, match: RowMatch, done: Stripped) -> None:
    with _open_text(path, "r") as source:
        _write_pieces(target, "", _keep_lines(source, match, done))


def _keep_lines(lines: Iterator[str], match: RowMatch, done: Stripped) -> Iterator[str]:
    for line in lines:
        if not line.strip():
            yield line
            continue
        fields = _read_json(line)
        if match.matches(fields) if isinstance(fields, dict) else match.mention.is_in(line):
            done.rows += 1
            continue
        done.kept += 1
        if isinstance(fields, dict) and match.mention.may_be_in(line):
            line = _cut_line(line, fields, match, done)
        yield line


def _cut_line(line: str, fields: dict[str, Any], match: RowMatch, done: Stripped) -> str:
    cut = {
        name: match.mention.cut(value) if name in FREE_COLUMNS and isinstance(value, str) else value
        for name, value in fields.items()
    }
    if cut != fields:
        done.cuts += 1
        line = json.dumps(cut, ensure_ascii=False) + "\n"
    done.still_named += match.mention.is_in(line)
    return line


def _read_json(text: str) -> object:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _strip_json(path: Path, target: Path | None, match: RowMatch, done: Stripped) -> None:
    with _open_text(path, "r") as source:
        text = source.read()
    value = json.loads(text)
    kept = _prune(value, match, done)
    done.kept += 1
    if target is not None:
        indent = 2 if text.lstrip("\ufeff \n")[1:2] in "\r\n" else None
        with _open_text(target, "w") as written:
            written.write(json.dumps(kept, ensure_ascii=False, indent=indent) + "\n")


def _prune(value: object, match: RowMatch, done: Stripped) -> object:
    """Return a JSON value without the objects that are the thing's rows, and without its name in any text."""
    if isinstance(value, dict):
        kept = {}
        for name, item in value.items():
            is_row = isinstance(item, dict) and match.matches(item)
            done.rows += is_row
            kept[_cut_text(name, match, done)] = None if is_row else _prune(item, match, done)
        return kept
    if isinstance(value, list):
        rows = [item for item in value if isinstance(item, dict) and match.matches(item)]
        done.rows += len(rows)
        return [
            _prune(item, match, done) for item in value if not (isinstance(item, dict) and match.matches(item))
        ]
    return _cut_text(value, match, done) if isinstance(value, str) else value


def _cut_text(text: str, match: RowMatch, done: Stripped) -> str:
    cut = match.mention.cut(text)
    done.cuts += cut != text
    return cut
