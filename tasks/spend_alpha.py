"""A hold-out wears out by being looked at: each further attempt on it is tested more strictly.

Attempt k is tested at alpha / (k (k + 1)). Over all attempts these sum to alpha, since the series telescopes to 1:
however many candidates are tried on one hold-out, chance alone makes one look better no more often than alpha.
"""

import duckdb

from schemas.sql_files import read_sql


def count_attempts(
    connection: duckdb.DuckDBPyConnection, attribute: str, candidate: str | None = None
) -> dict[str, int]:
    """Return holdout_id -> how many candidates were judged by it since a model was last accepted.

    `candidate` itself is not counted: judged again it makes no second attempt. A hold-out that no model was judged
    by is not there.
    """
    rows = connection.execute(
        read_sql("evaluate/attempts"), {"attribute": attribute, "candidate": candidate}
    ).fetchall()
    return {str(holdout_id): int(count) for holdout_id, count in rows}


def spend_alpha(alpha: float, attempt: int) -> float:
    """Return the level that attempt 1, 2, ... is tested at."""
    return alpha / (attempt * (attempt + 1))


def spend_p_value(p_value: float, attempt: int) -> float:
    """Return the p-value that compares with alpha as the given one does with what the attempt may spend."""
    return min(1.0, p_value * attempt * (attempt + 1))
