"""Rows of one of our queries as plain dicts: what reading commands hand on."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb

from schemas.sql_files import read_sql

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Row = dict[str, Any]


def fetch_rows(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    parameters: Mapping[str, object] | None = None,
    *,
    moments: Sequence[str] = (),
) -> list[Row]:
    """Run `schemas/sql/NAME.sql` and return its rows as dicts.

    Columns of `moments` hold epoch microseconds and become times in UTC: fetching a time as such would load
    a time zone library, which a quick command need not pay for. So would binding a value load pandas.
    """
    cursor = connection.execute(read_sql(name), dict(parameters) if parameters else None)
    names = [str(column[0]) for column in cursor.description or []]
    rows = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    for row in rows:
        for key in moments:
            row[key] = read_moment(row[key])
    return rows


def read_moment(microseconds: int | None) -> datetime | None:
    """Return the time that lies so many microseconds after 1970 began."""
    return None if microseconds is None else _EPOCH + timedelta(microseconds=microseconds)
