"""What a training set holds: a composition applied to the warehouse as of a moment.

`compose_rows` is what `assemble` and `verify` share: the same composition, moment and warehouse give the same
rows, whenever it is asked.
"""

import json
from dataclasses import asdict, dataclass
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings, Settings
from schemas.sql_files import read_sql
from tasks.find_near_duplicates import find_near_duplicates
from tasks.group_samples import view_groups
from tasks.warehouse import Warehouse, show_as_of


@dataclass(frozen=True)
class Composition:
    """How a version is made; it stands in the version's row, so that it can be made again.

    `takes_all`: every labelled sample is taken (no parent version yet). `is_first`: no model is in service
    yet, so that all of them are `base`. `is_audited`: a label from a fix is taken only from a passed lot.
    """

    attribute: str
    group_by: str
    feature_space: str
    near_duplicate: float
    takes_all: bool
    is_first: bool
    caps: dict[str, int]
    weights: dict[str, float]
    is_audited: bool = False

    def to_text(self) -> str:
        """Return it as JSON with sorted keys."""
        return json.dumps(asdict(self), sort_keys=True)


@dataclass(frozen=True)
class Moment:
    """Facts count as of `as_of`; reservations of hold-outs until `reserved_until`, which may be later."""

    as_of: datetime
    reserved_until: datetime


def read_composition(text: str) -> Composition:
    """Return the composition that `to_text` wrote."""
    return Composition(**json.loads(text))


def plan_composition(
    settings: Settings, attribute: AttributeSettings, *, has_parent: bool, has_incumbent: bool
) -> Composition:
    """Return the composition that the settings ask for now."""
    return Composition(
        attribute=attribute.name,
        group_by=attribute.group_by,
        feature_space=attribute.feature_space,
        near_duplicate=settings.near_duplicate,
        takes_all=not has_parent,
        is_first=not has_incumbent,
        caps={str(reason): cap for reason, cap in settings.assemble.caps.items()},
        weights={str(reason): weight for reason, weight in settings.assemble.weights.items()},
        is_audited=settings.audit is not None,
    )


def compose_rows(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    composition: Composition,
    parent_version: str | None,
    moment: Moment,
) -> None:
    """Make the temp tables `assembled` (the rows) and `left_out` (sample_id, why).

    Near-duplicates of hold-out samples are left out; `near_duplicate` holds those that remain (none).
    """
    connection = warehouse.connection
    with show_as_of(warehouse, moment.as_of):
        view_groups(connection, attribute, composition.group_by)
        connection.execute(
            read_sql("assemble/wished_row"),
            {
                "attribute": composition.attribute,
                "parent_version": parent_version,
                "is_first": composition.is_first,
                "takes_all": composition.takes_all,
            },
        )
        connection.execute(read_sql("assemble/concerned_case"), {"attribute": composition.attribute})
        place = {
            "attribute": composition.attribute,
            "feature_space": composition.feature_space,
            "reserved_until": moment.reserved_until,
        }
        connection.execute(read_sql("assemble/composed_row"), {**place, "is_audited": composition.is_audited})
        near = find_near_duplicates(connection, place, composition.near_duplicate)
        _leave_out(connection, near)
        _make_reason_settings(connection, composition)
        connection.execute(read_sql("assemble/assembled"))
        connection.execute(
            "create or replace temp table near_duplicate as "
            "select sample_id from near_row semi join assembled using (sample_id)"
        )


def _leave_out(connection: duckdb.DuckDBPyConnection, near: list[str]) -> None:
    connection.execute(
        "create or replace temp table near_row as select unnest($near::varchar[]) as sample_id",
        {"near": near},
    )
    connection.execute(
        "create or replace temp table left_out as "
        "select sample_id, why from composed_row where why is not null "
        "union all select sample_id, 'near_duplicate' from near_row"
    )


def _make_reason_settings(connection: duckdb.DuckDBPyConnection, composition: Composition) -> None:
    connection.execute("create or replace temp table reason_setting (reason varchar, cap bigint, weight double)")
    for reason in sorted({*composition.caps, *composition.weights}):
        connection.execute(
            "insert into reason_setting values ($reason, $cap, $weight)",
            {
                "reason": reason,
                "cap": composition.caps.get(reason),
                "weight": composition.weights.get(reason, 1.0),
            },
        )
