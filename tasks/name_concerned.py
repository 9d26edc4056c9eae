"""Which training sets, models and hold-outs held what is erased, or came of it: by name, and why it matters."""

import json
from dataclasses import dataclass

import duckdb

from schemas.sql_files import read_sql
from tasks.fetch_rows import Row, fetch_rows


@dataclass(frozen=True)
class Concerned:
    """What an erasure names: `versions` maps a version that cannot be rebuilt to the reason."""

    versions: dict[str, str]
    models: tuple[Row, ...]
    holdouts: tuple[Row, ...]


def name_concerned(connection: duckdb.DuckDBPyConnection, tombstone: str | None) -> Concerned:
    """Read the temp tables `concerned_*`, and what earlier runs of the same erasure noted."""
    versions = {str(row["version"]): str(row["because"]) for row in fetch_rows(connection, "erase/name_versions")}
    models = {str(row[0]) for row in connection.execute("select model_version from concerned_model").fetchall()}
    holdouts = {str(row[0]) for row in connection.execute("select holdout_id from concerned_holdout").fetchall()}
    noted = fetch_rows(connection, "erase/read_erasure", {"tombstone": tombstone or ""})
    for row in noted:
        versions |= json.loads(row["because"] or "{}")
        models |= set(row["models"] or [])
        holdouts |= set(row["holdouts"] or [])
    return Concerned(
        dict(sorted(versions.items())),
        tuple(fetch_rows(connection, "erase/name_models", {"models": sorted(models)})),
        tuple(fetch_rows(connection, "erase/name_holdouts", {"holdouts": sorted(holdouts)})),
    )


def read_hashes(connection: duckdb.DuckDBPyConnection, tombstone: str) -> frozenset[str]:
    """Return the keyed hashes of the samples and questions that an earlier run has erased."""
    rows = connection.execute(
        "select keyed_hash from erased_id where tombstone = $tombstone", {"tombstone": tombstone}
    ).fetchall()
    return frozenset(str(row[0]) for row in rows)


def is_pending(connection: duckdb.DuckDBPyConnection, tombstone: str) -> bool:
    """Tell whether an erasure was stopped before its end."""
    row = connection.execute(
        "select 1 from pending_erasure where tombstone = $tombstone", {"tombstone": tombstone}
    ).fetchone()
    return row is not None


def is_erased(connection: duckdb.DuckDBPyConnection, tombstone: str) -> bool:
    """Tell whether the same was erased before."""
    return bool(fetch_rows(connection, "erase/read_erasure", {"tombstone": tombstone}))


def insert_erasure(
    connection: duckdb.DuckDBPyConnection, place: dict[str, object], because: dict[str, str]
) -> None:
    """Insert the tombstone, the ids as keyed hashes, and the mark that the rest is to follow."""
    connection.execute(read_sql("erase/insert_erasure"), {**place, "because": json.dumps(because, sort_keys=True)})
    tombstone = {"tombstone": place["tombstone"]}
    connection.execute(read_sql("erase/insert_erased_ids"), tombstone)
    connection.execute("insert into pending_erasure values ($tombstone)", tombstone)
