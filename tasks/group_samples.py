"""What belongs together: the group of each sample, by the attribute's `group_by`."""

import duckdb

from schemas.settings import AttributeSettings
from tasks.check_expression import check_expression


def view_groups(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    """Make the temp view `grouped_sample`: sample_id, group_id, recording_id, object_id, of one attribute.

    A sample whose group is null is a group of its own.
    """
    origin = f"turnrow.toml, attribute.{attribute.name}.group_by"
    check_expression(
        connection, f"({attribute.group_by}) is not null", relation="known_sample", origin=origin
    )
    connection.execute(
        "create or replace temp view grouped_sample as "
        "select sample_id, recording_id, object_id, attribute, "
        f"coalesce(cast(({attribute.group_by}\n) as varchar), sample_id) as group_id from known_sample"
    )
