"""What a training set or model came from, in the large: sets, models, files, people, checks, decisions.

Rows are counted, not listed: a version may have millions, and `training_set_lineage` has each.
"""

from dataclasses import dataclass

from schemas.read_toml import name_nearest
from schemas.sql_files import read_sql
from tasks.errors import UnknownNameError
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class Provenance:
    """Rows of the queries under `schemas/sql/provenance`, times aware; sets and models in order of time."""

    sets: list[Row]
    models: list[Row]
    files: list[Row]
    people: list[Row]
    labels: list[Row]
    checks: list[Row]
    signatures: list[Row]


def trace_provenance(loop: Loop, thing_id: str) -> Provenance:
    """Trace a training set or model back. Raises UnknownNameError with the nearest for anything else."""
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        connection.execute(read_sql("provenance/stage_line"), {"id": thing_id})
        if not connection.execute("select 1 from traced_line limit 1").fetchone():
            names = [str(row["name"]) for row in fetch_rows(connection, "trace/known_names")]
            raise UnknownNameError(
                f"{thing_id}: no such training set or model, which these formats are about; "
                f"{name_nearest(thing_id, names)}"
            )
        at = ("known_at",)
        return Provenance(
            sets=fetch_rows(connection, "provenance/sets", moments=("as_of", "known_at")),
            models=fetch_rows(connection, "provenance/models", moments=at),
            files=fetch_rows(connection, "provenance/files", moments=at),
            people=fetch_rows(connection, "provenance/people"),
            labels=fetch_rows(connection, "provenance/labels"),
            checks=fetch_rows(connection, "provenance/checks"),
            signatures=fetch_rows(connection, "provenance/signatures", moments=at),
        )
