"""Which value of each of the attribute's `slices` a hold-out sample has."""

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression

SliceValues = dict[str, dict[tuple[str, str], str | None]]


def read_slice_values(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> SliceValues:
    """Return slice expression -> (holdout_id, sample_id) -> its value as text, of every labelled member.

    `truth` is the hold-out's label. Raises ExpressionError where an expression is not allowed, or fails on a
    sample.
    """
    if not attribute.slices:
        return {}
    connection.execute(read_sql("evaluate/sliced_member"), {"attribute": attribute.name})
    return {expression: _read_values(connection, attribute, expression) for expression in attribute.slices}


def _read_values(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, expression: str
) -> dict[tuple[str, str], str | None]:
    origin = f"turnrow.toml, attribute.{attribute.name}.slices"
    check_expression(connection, expression, relation="current_sample", origin=origin, must_be_boolean=False)
    with blame_expression(origin):
        rows = connection.execute(
            f"select holdout_id, sample_id, cast(({expression}\n) as varchar) from sliced_member"
        ).fetchall()
    return {(str(holdout_id), str(sample_id)): value for holdout_id, sample_id, value in rows}
