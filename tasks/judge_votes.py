"""What the votes on label fixes decide: a label, no label, or nothing yet; used to settle and to ask "what if"."""

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql


def make_outcomes(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty temp table `new_outcome`: a row a fix that ends, with its label if it settles."""
    connection.execute(
        "create or replace temp table new_outcome (fix_id varchar, sample_id varchar, outcome varchar, "
        "label varchar, label_value double, decided_by varchar, decided_at timestamptz, guideline_sha256 varchar)"
    )


def judge_votes(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, settle_at: float) -> None:
    """Add to `new_outcome` what the temp table `fix_vote` decides.

    `fix_vote`: fix_id, sample_id, annotator, answer, answer_value, answered_at, guideline_sha256. Classes are
    weighed by the temp table `annotator_accuracy`; numbers need no weights.
    """
    limits: dict[str, object] = {
        "answers_needed": attribute.answers_needed,
        "answers_at_most": attribute.answers_at_most,
        "deciders": list(attribute.deciders),
    }
    if attribute.kind == "number":
        connection.execute(read_sql("settle/stage_number_outcomes"), {**limits, "tolerance": attribute.tolerance})
        return
    from tasks.weigh_fixes import stage_label_weights

    stage_label_weights(connection, attribute)
    connection.execute(
        read_sql("settle/stage_outcomes"),
        {**limits, "critical": list(attribute.critical), "settle_at": settle_at},
    )
