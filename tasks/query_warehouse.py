"""`sql`: a user's SELECT run to its end, its rows set aside, and the warehouse closed before any is shown.

A reader who pages through an answer so holds nobody up. Rows wait in memory up to a few megabytes, then in a
temporary file.
"""

import json
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import IO, Any

from schemas.tables import BOOKKEEPING, FACTS, VIEWS
from tasks.loop import Loop
from tasks.make_plain import make_plain
from tasks.run_query import run_query
from tasks.warehouse import open_warehouse

_IN_MEMORY = 8_000_000


@dataclass(frozen=True)
class QueryAnswer:
    """Column names, each different, and how many rows wait in `_rows`."""

    columns: list[str]
    row_count: int
    _rows: IO[str]

    def read_rows(self) -> Iterator[list[Any]]:
        """Yield each row as plain JSON values, in the order of `columns`; it may be read again."""
        self._rows.seek(0)
        for line in self._rows:
            yield json.loads(line)


def query_warehouse(loop: Loop, text: str) -> QueryAnswer:
    """Run one SELECT over the warehouse's tables and views.

    Raises ExpressionError for a text that is refused or fails, or that takes longer than `query_seconds`.
    """
    # not closed here: the answer reads it, and it is gone with the answer
    kept = tempfile.SpooledTemporaryFile(_IN_MEMORY, "w+", encoding="utf-8")  # noqa: SIM115
    row_count = 0
    with open_warehouse(loop, write=False) as warehouse:
        columns, batches = run_query(
            warehouse.connection,
            text,
            known_tables=(*FACTS, *BOOKKEEPING, *VIEWS),
            seconds=loop.settings.warehouse.query_seconds,
            allowed_directory=warehouse.location.data_path or None,
        )
        for batch in batches:
            row_count += len(batch)
            kept.writelines(json.dumps([make_plain(value) for value in row]) + "\n" for row in batch)
    return QueryAnswer(_name_apart(columns), row_count, kept)


def _name_apart(columns: Sequence[str]) -> list[str]:
    """Return the names, a repeated one with its number behind it: a row is an object, and loses no value."""
    names: list[str] = []
    for column in columns:
        name, number = column, 0
        while name in names:
            number += 1
            name = f"{column}_{number}"
        names.append(name)
    return names
