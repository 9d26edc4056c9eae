"""What a training set holds: a composition applied to the warehouse as of a moment.

`compose_rows` is what `assemble` and `verify` share: the same composition, moment and warehouse give the same
rows, whenever it is asked.
"""

from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import name_relation, stage_matches
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression
from tasks.find_near_duplicates import find_near_duplicates
from tasks.fit_shares import fit_shares
from tasks.group_samples import view_groups
from tasks.plan_composition import Composition, Moment
from tasks.warehouse import Warehouse, show_as_of


def compose_rows(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    composition: Composition,
    parent_version: str | None,
    moment: Moment,
    *,
    focus: str | None = None,
) -> None:
    """Make the temp tables `assembled` (the rows) and `left_out` (sample_id, why, note).

    A sample stays out for one reason, the first of: `restricted`, `no_label`, `reserved`, `watch_open`,
    `left_out` (by a table of the settings; `note` says because of what) or `other_label` (than it is listed with),
    `lot_open`, `no_features`, `near_duplicate`; of those that are left then `over_recording`, `over_cap` and, so
    that it holds for the set as it ends, `over_origin_share`. A temp table too is `near_duplicate`: rows of
    `assembled` that are near-duplicates all the same; empty unless leaving them out failed, which the `must` check
    is there to see.
    `focus` names a temp table of the sample_ids that alone are looked at; it has to hold the attribute's hold-out
    samples too, and nothing may depend on other rows (caps and shares do).
    """
    connection = warehouse.connection
    _stage_later(warehouse, attribute, composition, moment, focus)
    with show_as_of(warehouse, moment.as_of, focus):
        _rename_labels(connection, composition)
        view_groups(connection, attribute, composition.group_by)
        _wish_rows(connection, composition, parent_version)
        _bar_restricted(connection, composition, moment)
        _bar_left_out(connection, composition)
        if composition.listed is not None:
            connection.execute(read_sql("assemble/bar_other_label"), {"listed": composition.listed})
        place = {
            "attribute": composition.attribute,
            "feature_space": composition.feature_space,
            "reserved_until": moment.reserved_until,
        }
        connection.execute(read_sql("assemble/composed_row"), {**place, "is_audited": composition.is_audited})
        near = find_near_duplicates(connection, place, composition.near_duplicate)
        _leave_out(connection, near)
        _make_reason_settings(connection, composition)
        _cut_rows(connection, composition)
        connection.execute(read_sql("assemble/assembled"))
        connection.execute(
            "create or replace temp table near_duplicate as "
            "select sample_id from near_row semi join assembled using (sample_id)"
        )


def _stage_later(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    composition: Composition,
    moment: Moment,
    focus: str | None,
) -> None:
    """Make `barred_row` and `later_reserved`: what facts that came after a past moment forbid all the same.

    A restriction may be about something, and a group be moved by something, that was learnt since.
    """
    connection = warehouse.connection
    connection.execute("create or replace temp table barred_row (sample_id varchar, why varchar, note varchar)")
    connection.execute("create or replace temp table later_reserved (sample_id varchar)")
    if moment.reserved_until <= moment.as_of or not (composition.restrictions or composition.regroups):
        return
    with show_as_of(warehouse, moment.reserved_until, focus):
        _bar_restricted(connection, composition, moment, focus=None)
        if composition.regroups:
            view_groups(connection, attribute, composition.group_by)
            connection.execute(read_sql("assemble/later_reserved"), {"attribute": composition.attribute})


def _rename_labels(connection: duckdb.DuckDBPyConnection, composition: Composition) -> None:
    """Let the views name labels as the composition does; without a word of it as the facts of the moment do."""
    if composition.was is None:
        return
    connection.execute(
        "create or replace temp table composed_rename "
        "(attribute varchar, old_label varchar, present_label varchar)"
    )
    for old_label, present_label in sorted(composition.was.items()):
        connection.execute(
            "insert into composed_rename values ($attribute, $old_label, $present_label)",
            {"attribute": composition.attribute, "old_label": old_label, "present_label": present_label},
        )
    connection.execute("create or replace temp view renamed_label as select * from composed_rename")


def _wish_rows(
    connection: duckdb.DuckDBPyConnection, composition: Composition, parent_version: str | None
) -> None:
    connection.execute(
        read_sql("assemble/wished_row"),
        {
            "attribute": composition.attribute,
            "parent_version": parent_version,
            "is_first": composition.is_first,
            "takes_all": composition.takes_all,
            "listed": composition.listed,
        },
    )
    connection.execute(read_sql("assemble/concerned_case"), {"attribute": composition.attribute})


def _bar_restricted(
    connection: duckdb.DuckDBPyConnection,
    composition: Composition,
    moment: Moment,
    focus: str | None = "wished_row",
) -> None:
    """Add to `barred_row` what may not be trained on; days count until the set is made, not its past moment."""
    if not composition.restrictions:
        return
    stage_matches(
        connection,
        composition.restrictions,
        attribute=composition.attribute,
        moment=moment.reserved_until,
        focus=focus,
    )
    connection.execute(
        "insert into barred_row select sample_id, 'restricted', why from restricted_sample "
        "where sample_id not in (select sample_id from barred_row)"
    )


def _bar_left_out(connection: duckdb.DuckDBPyConnection, composition: Composition) -> None:
    """Add to `barred_row` what a `[[leave_out]]` matches; of several the first counts."""
    for table in composition.leave_out:
        origin = f"turnrow.toml, leave_out.where ({table.because})"
        check_expression(connection, table.where, relation="current_sample", origin=origin)
        with blame_expression(origin):
            connection.execute(
                "insert into barred_row select sample_id, 'left_out', $because "
                f"from {name_relation(connection, table.where)} "
                "where sample_id not in (select sample_id from barred_row) "
                "and case when attribute = $attribute and sample_id in (select sample_id from wished_row) "
                f"then coalesce(({table.where}\n), false) else false end",
                {"because": table.because, "attribute": composition.attribute},
            )


def _leave_out(connection: duckdb.DuckDBPyConnection, near: list[str]) -> None:
    connection.execute(
        "create or replace temp table near_row as select unnest($near::varchar[]) as sample_id",
        {"near": near},
    )
    connection.execute(read_sql("assemble/left_out"))


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


def _cut_rows(connection: duckdb.DuckDBPyConnection, composition: Composition) -> None:
    """Add to `left_out` the rows beyond each limit; which they are a hash of the sample alone decides.

    So a set that grows keeps what it had. The shares count `base` rows too, and may leave them out: what a model
    learns from as a whole is what they are about.
    """
    if composition.rows_a_recording_at_most:
        at_most = {"at_most": composition.rows_a_recording_at_most}
        connection.execute(read_sql("assemble/over_recording"), at_most)
    if composition.caps:
        connection.execute(read_sql("assemble/over_cap"))
    if composition.shares:
        counts = dict(connection.execute(read_sql("assemble/count_origins")).fetchall())
        for origin, at_most_rows in fit_shares(counts, composition.shares).items():
            note = f"shares.{origin} = {composition.shares[origin]:g}"
            bound = {"origin": origin, "at_most": at_most_rows, "note": note}
            connection.execute(read_sql("assemble/over_origin_share"), bound)


def read_first_label(connection: duckdb.DuckDBPyConnection, attribute: str) -> datetime | None:
    """Return since when the attribute's first label is known, None while there is none."""
    row = connection.execute(read_sql("assemble/first_label"), {"attribute": attribute}).fetchone()
    return row[0] if row else None
