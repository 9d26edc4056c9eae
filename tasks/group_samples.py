"""What belongs together: the group of each sample, by the attribute's `group_by`."""

import duckdb

from schemas.settings import AttributeSettings
from tasks.check_expression import check_expression


def view_groups(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, group_by: str | None = None
) -> None:
    """Make the temp view `grouped_sample`: sample_id, group_id, recording_id, object_id, of one attribute.

    A sample whose group is null is a group of its own. `group_by` stands in for the settings' own, where a
    version was made under an earlier one.
    """
    expression = attribute.group_by if group_by is None else group_by
    origin = f"turnrow.toml, attribute.{attribute.name}.group_by"
    check_expression(connection, expression, relation="known_sample", origin=origin, must_be_boolean=False)
    connection.execute(
        "create or replace temp view grouped_sample as "
        "select sample_id, recording_id, object_id, attribute, "
        f"coalesce(cast(({expression}\n) as varchar), sample_id) as group_id from known_sample"
    )
