"""Plain text for people: aligned columns, numbers to the right, nothing that a terminal would obey."""

import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

_GAP = "  "


def lay_out_table(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str]) -> list[str]:
    """Return a heading and a line a row; `columns` gives the heading of each key that is shown."""
    cells = [[show_value(row.get(key)) for key in columns] for row in rows]
    is_number = [
        all(isinstance(row.get(key), int | float | None) and not isinstance(row.get(key), bool) for row in rows)
        and any(row.get(key) is not None for row in rows)
        for key in columns
    ]
    return align([list(columns.values()), *cells], is_number)


def align(lines: Sequence[Sequence[str]], to_the_right: Sequence[bool]) -> list[str]:
    """Return the lines with each column as wide as its widest cell."""
    widths = [max(measure(line[place]) for line in lines) for place in range(len(to_the_right))]
    return [
        _GAP.join(
            pad(cell, width, to_the_right=right)
            for cell, width, right in zip(line, widths, to_the_right, strict=True)
        ).rstrip()
        for line in lines
    ]


def pad(text: str, width: int, *, to_the_right: bool = False) -> str:
    """Return the text filled up with blanks to a width on the screen."""
    blanks = " " * (width - measure(text))
    return blanks + text if to_the_right else text + blanks


def measure(text: str) -> int:
    """Return how wide a text is on the screen: wide characters take two columns, combining ones none."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def show_value(value: object) -> str:
    """Return a value as one short text: `-` for nothing, whole numbers in groups of three digits."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list):
        return ", ".join(show_value(item) for item in value) or "-"
    return make_harmless(str(value))


def make_harmless(text: str) -> str:
    """Return the text on one line, control characters written out: logs and notes are other people's text."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else _write_out(letter) for letter in text)


def _write_out(letter: str) -> str:
    return {"\n": "\\n", "\t": "\\t", "\r": "\\r"}.get(letter, f"\\u{ord(letter):04x}")


def count_things(count: int, one: str, many: str | None = None) -> str:
    """Return a number with its unit, as in `1 row` or `2,000 rows`."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def show_time(text: str | None) -> str:
    """Return an ISO time of a document to the second, as in 2026-03-31 04:30:00 UTC."""
    return "-" if not text else f"{text[:19].replace('T', ' ')} UTC"


def indent(lines: Sequence[str], width: int = 2) -> list[str]:
    """Return the lines moved to the right."""
    return [" " * width + line for line in lines]
