"""How a question gets into the queue, whoever wants it: one open fix a sample, any number of wishes."""

from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.warehouse import Warehouse, show_only


def make_wishes(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty temp table `wanted_fix`: a row a sample and case that wants a fix of it."""
    connection.execute(
        "create or replace temp table wanted_fix (sample_id varchar, attribute varchar, reason varchar, "
        "priority double, case_name varchar, misprediction_id varchar, prediction_id varchar, "
        "guideline_sha256 varchar)"
    )


def prepare_wishes(warehouse: Warehouse) -> int:
    """Note which label revisions the wanted fixes are about; return how many samples are wanted."""
    with show_only(warehouse, "wanted_fix"):
        warehouse.connection.execute(read_sql("queue/stage_about"))
    row = warehouse.connection.execute("select count(distinct sample_id) from wanted_fix").fetchone()
    return int(row[0]) if row else 0


def insert_wishes(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> int:
    """Insert fixes for the wanted samples that have none open, and the wishes; return the new fixes.

    Part of the caller's transaction; run again it adds nothing.
    """
    row = connection.execute(read_sql("queue/insert_fixes"), {"known_at": known_at}).fetchone()
    connection.execute(read_sql("queue/insert_requests"), {"known_at": known_at})
    return int(row[0]) if row else 0


def count_room(connection: duckdb.DuckDBPyConnection, open_at_most: int, at_most: int) -> int:
    """Return how many more fixes may be opened now."""
    row = connection.execute("select count(*) from open_fix").fetchone()
    return max(0, min(at_most, open_at_most - (int(row[0]) if row else 0)))
