"""`diff`: what changed between two versions of a training set, and why."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.errors import InputError
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.plan_composition import Composition
from tasks.read_version import StoredVersion, read_version
from tasks.rebuild_rows import rebuild_rows
from tasks.warehouse import Warehouse, open_warehouse, show_as_of

_SHOWN = 5  # samples that are named of each kind of change


@dataclass(frozen=True)
class DiffSide:
    """One of the two versions."""

    version: str
    state: str
    parent_version: str | None
    as_of: datetime
    row_count: int


@dataclass(frozen=True)
class VersionDiff:
    """From `old` to `new`: a row a kind of change, reason and case; why rows came and went; examples of each kind.

    A change is `in`, `out`, `relabelled` (by another revision), `renamed` (another name of the same label),
    `decided_anew` (the same label by another revision), `reweighted` or `other_reason`; a row may change in
    several ways. `steps`: over how many parents `new` was made from `old` (None: it was not). `in_because` is
    asked of the old version as of its own moment, `out_because` of the new one. `settings`: what differs in how
    they were composed, with its two values.
    """

    attribute: str
    old: DiffSide
    new: DiffSide
    steps: int | None
    same_row_count: int
    changes: list[Row]
    in_because: list[Row]
    out_because: list[Row]
    relabelled: list[Row]
    examples: list[Row]
    settings: dict[str, tuple[object, object]]


def diff_versions(loop: Loop, old: str, new: str) -> VersionDiff:
    """Compare two versions of one attribute, in the order given; writes nothing, and asks nothing of the settings.

    Raises UnknownNameError for a version that the warehouse does not have, InputError for two attributes'.
    """
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        before, after = read_version(connection, old), read_version(connection, new)
        _refuse_two_attributes(before, after)
        connection.execute(read_sql("diff/rows_before"), {"version": old})
        connection.execute(read_sql("diff/rows_after"), {"version": new})
        connection.execute(read_sql("diff/changed_row"))
        (counts,) = fetch_rows(connection, "diff/count_rows")
        return VersionDiff(
            attribute=before.attribute,
            old=_tell_side(before, counts["old_row_count"]),
            new=_tell_side(after, counts["new_row_count"]),
            steps=_count_steps(connection, old, new),
            same_row_count=counts["same_row_count"],
            changes=fetch_rows(connection, "diff/count_changes"),
            in_because=_ask_because(warehouse, before, "in"),
            out_because=_ask_because(warehouse, after, "out"),
            relabelled=fetch_rows(connection, "diff/relabelled"),
            examples=fetch_rows(connection, "diff/examples", {"at_most": _SHOWN}),
            settings=_compare_settings(before.composition, after.composition),
        )


def _refuse_two_attributes(before: StoredVersion, after: StoredVersion) -> None:
    if before.attribute != after.attribute:
        raise InputError(
            f"{before.version} is of {before.attribute}, {after.version} of {after.attribute}; "
            "name two versions of one attribute"
        )


def _tell_side(stored: StoredVersion, row_count: int) -> DiffSide:
    return DiffSide(stored.version, stored.state, stored.parent_version, stored.moment.as_of, row_count)


def _count_steps(connection: duckdb.DuckDBPyConnection, old: str, new: str) -> int | None:
    row = connection.execute(read_sql("diff/ancestry"), {"version": new, "ancestor": old}).fetchone()
    return row[0] if row else None


def _ask_because(warehouse: Warehouse, lacking: StoredVersion, change: str) -> list[Row]:
    """Compose anew the version that lacks the rows which came (or went), and say why it lacks them."""
    connection = warehouse.connection
    connection.execute(read_sql("diff/moved_row"), {"change": change})
    if connection.execute("select 1 from moved_row limit 1").fetchone() is None:
        return []
    rebuild_rows(warehouse, lacking)
    with show_as_of(warehouse, lacking.moment.as_of, "moved_row"):
        connection.execute(read_sql("diff/label_then"))
    return fetch_rows(connection, "diff/because", {"at_most": _SHOWN})


def _compare_settings(before: Composition, after: Composition) -> dict[str, tuple[object, object]]:
    """Return what differs, `caps.mined` and the like one by one; None stands for what one of them does not set."""
    old, new = _flatten(asdict(before)), _flatten(asdict(after))
    names = [*old, *(name for name in new if name not in old)]
    return {name: (old.get(name), new.get(name)) for name in names if old.get(name) != new.get(name)}


def _flatten(composition: Mapping[str, object]) -> dict[str, object]:
    flat: dict[str, object] = {}
    for name, value in composition.items():
        if isinstance(value, Mapping):
            flat |= {f"{name}.{key}": item for key, item in value.items()}
        else:
            flat[name] = value
    return flat
