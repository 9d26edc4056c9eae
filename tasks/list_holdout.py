"""An evaluation set that exists already: the samples that a file lists, every one known to the warehouse."""

from pathlib import Path

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import InputError
from tasks.read_table import load_table

_SAMPLE_COLUMNS = ("recording_id", "object_id", "observed_at")
_SHOWN = 3


def stage_listed(connection: duckdb.DuckDBPyConnection, path: Path, attribute: AttributeSettings) -> str:
    """Make the temp table `drawn_member` of the samples that `path` lists; return a digest of the list.

    The file has a column `sample_id`, or the sample columns of a label file; other columns do not count.
    Raises InputError where it names a sample that the warehouse does not know, or lists none.
    """
    present = load_table(connection, path, "listed_row", optional=("attribute",))
    _stage_ids(connection, path, attribute.name, present)
    connection.execute(read_sql("holdout/read_listed"), {"attribute": attribute.name})
    _check_listed(connection, path, attribute.name)
    connection.execute(read_sql("holdout/stage_listed"), {"tolerance": attribute.tolerance or 0.0})
    row = connection.execute(
        "select sha256(string_agg(sample_id, chr(10) order by sample_id)) from drawn_member"
    ).fetchone()
    return str(row[0]) if row else ""


def _stage_ids(connection: duckdb.DuckDBPyConnection, path: Path, attribute: str, present: list[str]) -> None:
    if "sample_id" in present:
        connection.execute(
            "create or replace temp table listed_id as select row_number() over () as line, "
            "cast(sample_id as varchar) as shown, cast(sample_id as varchar) as sample_id from listed_row"
        )
        return
    missing = [name for name in _SAMPLE_COLUMNS if name not in present]
    if missing:
        raise InputError(
            f"{path}: lacks {', '.join(missing)}; list samples by sample_id or by {', '.join(_SAMPLE_COLUMNS)}"
        )
    connection.execute(read_sql("holdout/list_by_columns"), {"attribute": attribute})


def _check_listed(connection: duckdb.DuckDBPyConnection, path: Path, attribute: str) -> None:
    rows = connection.execute(
        "select count(*), count(sample_id), "
        "list(line || ' (' || coalesce(shown, 'null') || ')' order by line) filter (where sample_id is null) "
        "from listed_sample"
    ).fetchone()
    total, known, unknown = rows if rows else (0, 0, None)
    if total == 0:
        raise InputError(f"{path}: lists no sample of the attribute {attribute}")
    if unknown:
        shown = ", ".join(unknown[:_SHOWN]) + (", ..." if len(unknown) > _SHOWN else "")
        raise InputError(
            f"{path}: {total - known} of its {total} samples are not known, first at row {shown}; "
            "pull the log or label file that brings them, then freeze them"
        )
