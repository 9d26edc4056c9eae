"""`[[restriction]]`: which samples somebody forbade to queue, to train on or to export, or to keep any longer."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

import duckdb

from schemas.settings import AttributeSettings, Settings
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression, list_columns
from tasks.warehouse import Warehouse, as_utc, show_only

Purpose = Literal["queue", "train", "export"]

_FIRST = datetime(1, 1, 2, tzinfo=UTC)
_OF_THE_TRUTH = {"truth", "truth_value"}


@dataclass(frozen=True)
class Restriction:
    """What one table forbids for one purpose: samples that match `where`, once `keep` days old (0: always)."""

    where: str
    keep: int = 0

    @property
    def why(self) -> str:
        """What is told of a sample that it keeps out."""
        return f"kept {self.keep} days: {self.where}" if self.keep else self.where


def list_restrictions(settings: Settings, purpose: Purpose) -> tuple[Restriction, ...]:
    """Return what the settings forbid for a purpose; after `keep` days every purpose is forbidden."""
    return tuple(
        Restriction(table.where.strip(), 0 if purpose in table.never else table.keep)
        for table in settings.restriction
        if purpose in table.never or table.keep
    )


def stage_restricted(
    warehouse: Warehouse,
    purpose: Purpose,
    attribute: AttributeSettings | str | None = None,
    as_of: datetime | None = None,
    *,
    focus: str | None = None,
) -> int:
    """Make the temp table `restricted_sample` (sample_id, why) of what may not be used; return how many.

    Looks at the samples of `attribute` (None: of all), and where `focus` names a temp table with a `sample_id`
    only at those in it. Days count until `as_of`, but to queue or export never until less than now: what
    must not be kept any longer is not given out by asking for the past. A `where` that is null for a sample
    does not match it. Raises ExpressionError for a `where` that is not allowed or fails on a sample.
    """
    now = max(as_utc(warehouse.loop.clock()), warehouse.read_clock())
    moment = now if as_of is None else as_utc(as_of)
    if purpose != "train":
        moment = max(moment, now)
    name = attribute.name if isinstance(attribute, AttributeSettings) else attribute
    restrictions = list_restrictions(warehouse.loop.settings, purpose)
    return stage_matches(warehouse.connection, restrictions, attribute=name, moment=moment, focus=focus)


def stage_matches(
    connection: duckdb.DuckDBPyConnection,
    restrictions: Sequence[Restriction],
    *,
    attribute: str | None,
    moment: datetime,
    focus: str | None,
) -> int:
    """Make `restricted_sample` as `stage_restricted` does, of given restrictions, by the views in force."""
    connection.execute("create or replace temp table restricted_sample (sample_id varchar, why varchar)")
    for number, restriction in enumerate(restrictions, start=1):
        origin = f"turnrow.toml, restriction #{number}.where"
        check_expression(connection, restriction.where, relation="current_sample", origin=origin)
        bound = {"why": restriction.why, "attribute": attribute, "oldest": _count_back(moment, restriction.keep)}
        with blame_expression(origin):
            connection.execute(_select_matches(connection, restriction.where, focus), bound)
    row = connection.execute("select count(*) from restricted_sample").fetchone()
    return int(row[0]) if row else 0


def drop_restricted(warehouse: Warehouse, purpose: Purpose, table: str) -> None:
    """Take out of a temp table with a `sample_id` the samples that may not be used for `purpose`.

    Looks at those samples alone, so that it costs as much as they are many; without restrictions nothing.
    """
    if list_restrictions(warehouse.loop.settings, purpose):
        with show_only(warehouse, table):
            stage_restricted(warehouse, purpose, focus=table)
        warehouse.connection.execute(
            f"delete from {table} where sample_id in (select sample_id from restricted_sample)"
        )


def name_relation(connection: duckdb.DuckDBPyConnection, where: str) -> str:
    """Return the view to ask: `current_sample`, or, where no truth is named, the cheaper `known_sample`."""
    named = {name.lower() for name in list_columns(connection, where)}
    return "current_sample" if named & _OF_THE_TRUTH else "known_sample"


def _select_matches(connection: duckdb.DuckDBPyConnection, where: str, focus: str | None) -> str:
    """Return the insert of what matches; `case` keeps the expression from samples that nobody asked about."""
    narrowed = "true" if focus is None else f"sample_id in (select sample_id from {focus})"
    return (
        f"insert into restricted_sample select sample_id, $why from {name_relation(connection, where)} "
        "where sample_id not in (select sample_id from restricted_sample) and case "
        f"when ($attribute::varchar is null or attribute = $attribute) and {narrowed} "
        "and ($oldest::timestamptz is null or observed_at <= $oldest::timestamptz) "
        f"then coalesce(({where}\n), false) else false end"
    )


def _count_back(moment: datetime, days: int) -> datetime | None:
    """Return the moment so many days before (None: no days are counted), at the earliest the calendar's first."""
    if days == 0:
        return None
    return moment - min(timedelta(days=days), moment - _FIRST)
