"""What a case is about, right or wrong: the samples of its scope, by `where` and by likeness."""

import duckdb
import pyarrow as pa

from schemas.case_file import FailureCase
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression, list_columns
from tasks.errors import ExpressionError, NotYetError
from tasks.measure_likeness import References, measure_likeness, read_references

# What the model made of a sample: a scope that named it would choose the test by the answer.
_OF_THE_PREDICTION = {
    "predicted",
    "predicted_value",
    "confidence",
    "scores",
    "model_version",
    "rules",
    "score",
}


def stage_candidates(connection: duckdb.DuckDBPyConnection, case: FailureCase) -> None:
    """Make the temp table `likeness_candidate`: served samples that match the case's scope.where.

    Raises ExpressionError for a `where` that is not allowed, or that names the prediction.
    """
    where = case.scope_in_use.where or "true"
    origin = f"{case.path.name}, scope.where"
    named = sorted(list_columns(connection, where) & _OF_THE_PREDICTION)
    if named:
        raise ExpressionError(
            f"{origin}: names {named[0]}; a scope chosen by the prediction would flatter every candidate: "
            "say what the case is about by context, unit, time or truth"
        )
    check_expression(connection, where, relation="current_sample", origin=origin)
    connection.execute(
        f"create or replace temp view scope_match as select * from current_sample where ({where}\n)"
    )
    with blame_expression(origin):
        connection.execute(read_sql("mine/stage_candidates"), {"attribute": case.attribute})


def stage_references(
    connection: duckdb.DuckDBPyConnection, case: FailureCase, attribute: AttributeSettings
) -> References:
    """Make the temp table `reference_sample` and return its vectors: what likeness is measured against.

    Raises NotYetError while there is none.
    """
    similar_to = case.scope_in_use.similar_to
    if isinstance(similar_to, tuple):
        connection.execute(
            read_sql("mine/listed_reference_ids"),
            {"sample_ids": list(similar_to), "attribute": case.attribute},
        )
    else:
        connection.execute(read_sql("mine/reference_ids"), {"case_name": case.case})
    references = read_references(connection, attribute.vector_space)
    if not references.groups:
        raise NotYetError(
            f"{case.case}: no settled member outside the hold-outs has a vector in {attribute.vector_space}, "
            "so likeness cannot be measured; label some of its members first (`turnrow flag`, then the queue)"
        )
    return references


def stage_scope(connection: duckdb.DuckDBPyConnection, case: FailureCase, attribute: AttributeSettings) -> None:
    """Make the temp table `scope_sample` (sample_id): all that the case's scope asks for holds."""
    stage_candidates(connection, case)
    if not case.scope_in_use.similar_to:
        connection.execute("create or replace temp table scope_sample as select sample_id from likeness_candidate")
        return
    references = stage_references(connection, case, attribute)
    connection.execute("create or replace temp table scope_sample (sample_id varchar)")
    least = case.scope_in_use.similarity_at_least
    kept = []
    for batch in measure_likeness(connection, references, attribute.vector_space, case.mine.nearest):
        near = pa.array(batch.likeness >= least)
        kept.append(batch.rows.column("sample_id").filter(near))
    if kept:
        near_ids = pa.table({"sample_id": pa.chunked_array(kept)})
        connection.register("near_ids", near_ids)
        connection.execute("insert into scope_sample select sample_id from near_ids")
        connection.unregister("near_ids")
