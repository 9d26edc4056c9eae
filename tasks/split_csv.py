"""CSV text as records: each whole, or with what is wrong with it, so that one broken line costs one row."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tasks.errors import InputError

_SEPARATORS = ",;\t"
_LONGEST = 20_000  # characters that a record with line breaks in it may have


@dataclass(frozen=True)
class Record:
    """A row of a text file as it came: its cells (None: an empty one without quotes), or why it has none."""

    raw: str
    cells: tuple[str | None, ...] = ()
    fault: str | None = None


def read_header(lines: list[str], name: str) -> tuple[list[str], str]:
    """Return the column names and the separator: the one that the first line has most of.

    Raises InputError where a name is missing or stands twice.
    """
    line = lines[0].rstrip("\r\n") if lines else ""
    separator = max(_SEPARATORS, key=line.count)
    cells = _split(line, separator) or ()
    names = [(cell or "").strip() for cell in cells]
    if not names or "" in names or len({each.lower() for each in names}) < len(names):
        raise InputError(f"{name}: its first line must name each column once; it is {line.strip()}")
    return names, separator


def split_records(lines: list[str], separator: str, width: int) -> Iterator[Record]:
    """Yield the records of the lines after the header; a record goes over several where a quote is open.

    A quote that never closes, or that closes where no cell can end, breaks only the line that it opened in.
    """
    place = 0
    while place < len(lines):
        if not lines[place].strip("\r\n"):
            place += 1
            continue
        cells, used = _read_record(lines, place, separator, width)
        raw = "".join(lines[place : place + used]).rstrip("\r\n")
        yield Record(raw, cells) if cells is not None else Record(raw, fault=_explain(raw, separator, width))
        place += used


def decode_lines(content: bytes, path: Path) -> list[str]:
    """Return the lines of a file in UTF-8, line ends kept; what is no UTF-8 in a line is marked as such.

    Raises InputError where the first line is none: the file is then in another encoding altogether.
    """
    content = content.removeprefix(b"\xef\xbb\xbf")
    if b"\n" not in content:
        content = content.replace(b"\r", b"\n")
    lines = content.split(b"\n")
    texts = [f"{line.decode('utf-8', errors='surrogateescape')}\n" for line in lines[:-1]]
    if lines[-1]:
        texts.append(lines[-1].decode("utf-8", errors="surrogateescape"))
    if texts and (not is_text(texts[0]) or "\x00" in texts[0]):
        raise InputError(f"{path}: its first line is no UTF-8 text; save the file as UTF-8")
    return texts


def is_text(line: str) -> bool:
    """Tell whether a text holds whole characters only."""
    return line.isascii() or not any("\ud800" <= letter <= "\udfff" for letter in line)


def show_bytes(line: str) -> str:
    r"""Return a line with the bytes that are no UTF-8 written as \xNN."""
    return line.encode("utf-8", errors="surrogateescape").decode("utf-8", errors="backslashreplace")


def _read_record(
    lines: list[str], place: int, separator: str, width: int
) -> tuple[tuple[str | None, ...] | None, int]:
    """Return the cells of the record that begins at a line, and how many lines it has; None where it is broken."""
    text, used = lines[place], 1
    cells = _split(text.rstrip("\r\n"), separator)
    while cells is None and place + used < len(lines) and len(text) < _LONGEST:
        following = lines[place + used]
        text, used = text + following, used + 1
        if '"' in following:
            cells = _split(text.rstrip("\r\n"), separator)
    if cells is None or len(cells) != width or not is_text(text):
        return None, 1
    return cells, used


def _split(text: str, separator: str) -> tuple[str | None, ...] | None:
    """Return the cells of one record, quotes undone, or None where a quote is not closed at a cell's end."""
    pattern = _CELLS[separator]
    cells: list[str | None] = []
    place = 0
    while True:
        found = pattern.match(text, place)
        if found is None:
            return None
        quoted, plain, end = found.groups()
        cells.append((plain or None) if quoted is None else quoted.replace('""', '"'))
        if end == "":
            return tuple(cells)
        place = found.end()


def _explain(raw: str, separator: str, width: int) -> str:
    if not is_text(raw):
        return "is no UTF-8 text; save the file as UTF-8"
    cells = _split(raw, separator)
    if cells is None:
        return "has a quote that is not closed"
    few = "few" if len(cells) < width else "many"
    return f"has too {few} columns: {len(cells)}, where the first line names {width}"


_CELLS = {
    separator: re.compile(rf'(?:"((?:[^"]|"")*)"|(?!")([^{separator}]*))({separator}|\Z)')
    for separator in _SEPARATORS
}
