"""Rows that may not be trained on now, whatever was true when they were composed: leaks, and what is forbidden.

Composing keeps them out by the facts of its moment; this asks again, by all that is stored, for the checks of a
new version and before a stored one is trained on.
"""

from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import stage_restricted
from tasks.group_samples import is_fixed_group, view_groups
from tasks.warehouse import Warehouse

_ASSEMBLED = ""


# Why a row may not be trained on, as it is told.
_TOLD = {
    "erased": "were erased since",
    "reserved": "were reserved for a hold-out since",
    "restricted": "may not be trained on by a [[restriction]] since",
    "near_duplicate": "lie too near a hold-out sample that came since",
}


@dataclass(frozen=True)
class Leaks:
    """The rows of a version that may not be trained on now: how many, a digest of all, and in words why."""

    count: int
    digest: str
    told: str


def mark_leaks(warehouse: Warehouse, attribute: AttributeSettings, since: datetime, *, is_past: bool) -> None:
    """Mark what the `must` checks look for in the temp tables `assembled` and `near_duplicate`.

    `since`: hold-outs up to that moment were kept away from the rows when they were composed.
    """
    connection = warehouse.connection
    connection.execute(read_sql("leaks/hold_assembled"))
    make_leak_table(connection)
    _find_reserved(connection, attribute, _ASSEMBLED, may_have_moved=is_past)
    _find_near(warehouse, attribute, _ASSEMBLED, since)
    connection.execute(
        "update assembled set is_reserved = true "
        "where sample_id in (select sample_id from leaked_row where why = 'reserved')"
    )
    connection.execute(
        "insert into near_duplicate select sample_id from leaked_row where why = 'near_duplicate' "
        "and sample_id not in (select sample_id from near_duplicate)"
    )


def make_leak_table(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty temp table `leaked_row` (version, sample_id, why) that `find_leaks` fills."""
    connection.execute("create or replace temp table leaked_row (version varchar, sample_id varchar, why varchar)")


def find_leaks(warehouse: Warehouse, attribute: AttributeSettings, version: str, since: datetime) -> Leaks:
    """Add to `leaked_row` the rows of a stored version that may not be trained on now; return what was found.

    `since` is the version's `reserved_until`: near-duplicates of hold-out samples until then were left out.
    """
    connection = warehouse.connection
    connection.execute(read_sql("leaks/hold_version"), {"version": version})
    connection.execute("create or replace temp view leak_row as select sample_id, group_id from version_row")
    _find_reserved(connection, attribute, version, may_have_moved=True)
    _find_near(warehouse, attribute, version, since)
    connection.execute(read_sql("leaks/erased_rows"), {"version": version})
    if stage_restricted(warehouse, "train", attribute, focus="leak_row"):
        connection.execute(
            "insert into leaked_row select $version, sample_id, 'restricted' from restricted_sample",
            {"version": version},
        )
    rows = connection.execute(read_sql("leaks/count_leaks"), {"version": version}).fetchall()
    digest = connection.execute(read_sql("leaks/digest_leaks"), {"version": version}).fetchone()
    told = [f"{count} of its rows (such as {example}) {_TOLD[why]}" for why, count, example in rows]
    return Leaks(sum(int(row[1]) for row in rows), digest[0] if digest else "", ", ".join(told))


def _find_reserved(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, version: str, *, may_have_moved: bool
) -> None:
    connection.execute("create or replace temp table moved_group (sample_id varchar, group_id varchar)")
    if may_have_moved and not is_fixed_group(attribute.group_by):
        view_groups(connection, attribute)
        connection.execute(read_sql("leaks/moved_groups"), {"attribute": attribute.name})
    connection.execute(read_sql("leaks/reserved_rows"), {"attribute": attribute.name, "version": version})


def _find_near(warehouse: Warehouse, attribute: AttributeSettings, version: str, since: datetime) -> None:
    from tasks.find_near_duplicates import find_near_duplicates

    connection = warehouse.connection
    held = {"attribute": attribute.name, "feature_space": attribute.feature_space, "since": since}
    near = find_near_duplicates(
        connection,
        held,
        warehouse.loop.settings.near_duplicate,
        ("leaks/later_holdout_vectors", "leaks/row_vectors"),
    )
    connection.execute(
        "insert into leaked_row select $version, unnest($near::varchar[]), 'near_duplicate'",
        {"version": version, "near": near},
    )
