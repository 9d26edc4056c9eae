"""What belongs together: the group of each sample, by the attribute's `group_by`."""

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression
from tasks.errors import SettingsError

_PLAIN = ("recording_id", "object_id", "unit_id")  # columns of text, which no sample can make fail


def view_groups(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, group_by: str | None = None
) -> None:
    """Make the temp view `grouped_sample`: sample_id, group_id, recording_id, object_id, of one attribute.

    A sample whose group is null is a group of its own. `group_by` stands in for the settings' own, where a
    version was made under an earlier one. Raises SettingsError as `refuse_changed_groups` does.
    """
    if group_by is None:
        refuse_changed_groups(connection, attribute)
    expression = attribute.group_by if group_by is None else group_by
    origin = f"turnrow.toml, attribute.{attribute.name}.group_by"
    check_expression(connection, expression, relation="known_sample", origin=origin, must_be_boolean=False)
    if expression not in _PLAIN:
        with blame_expression(origin):
            connection.execute(f"select count(({expression}\n)) from known_sample")
    connection.execute(
        "create or replace temp view grouped_sample as "
        "select sample_id, recording_id, object_id, attribute, "
        f"coalesce(cast(({expression}\n) as varchar), sample_id) as group_id from known_sample"
    )


def is_fixed_group(group_by: str) -> bool:
    """Tell whether a sample's group can never become another: it is part of what names the sample."""
    return group_by in ("recording_id", "object_id")


def refuse_changed_groups(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    """Raise SettingsError where `group_by` is another than when the first group was reserved.

    Reservations are kept by group: under other groups a hold-out would no longer be kept out of training.
    """
    row = connection.execute(read_sql("holdout/reserved_group_by"), {"attribute": attribute.name}).fetchone()
    reserved_by = row[0] if row else None
    if reserved_by is not None and reserved_by != attribute.group_by:
        raise SettingsError(
            f"turnrow.toml, attribute.{attribute.name}.group_by: is {attribute.group_by}, but hold-outs are "
            f"reserved by {reserved_by}, which then cannot change; set it back"
        )
