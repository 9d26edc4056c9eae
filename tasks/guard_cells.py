"""Cells of a CSV file that a spreadsheet would take for formulas: written so that it shows text, and read back.

OWASP, "CSV Injection", and OWASP ASVS 5.0, requirement 1.2.10: a cell that begins with = + - @, a tab, a line end
or a null character (the former also: with a full-width = + - @) is run as a formula; a single quote before it
makes text of it. Spaces before such a sign are looked through, as some spreadsheets do (common practice, no
source). A plain number, as in -1.5, is left alone: it is one in a spreadsheet too.
"""

import re

_SIGNS = "=+\\-@\\t\\r\\n\\x00\uff1d\uff0b\uff0d\uff20"
_RISKY = f"[' ]*[{_SIGNS}]"
_NUMBER = r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?"
_GUARDED = re.compile(f"'{_RISKY}")


def spell_guarded(column: str) -> str:
    """Return the SQL that guards the cells of a text column; `column` is quoted already.

    A quote goes before every text that is risky once its leading quotes and spaces are taken off, so that
    `read_guarded` can undo it for every text, also for one that began with quotes of its own.
    """
    risky, number = (text.replace("'", "''") for text in (f"^{_RISKY}", _NUMBER))
    return (
        f"case when regexp_matches({column}, '{risky}') and not regexp_full_match({column}, '{number}') "
        f"then '''' || {column} else {column} end"
    )


def read_guarded(cell: str) -> str:
    """Return a cell as it was before it was guarded; any other cell as it is."""
    return cell[1:] if _GUARDED.match(cell) else cell
