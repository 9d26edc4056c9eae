"""`queue export` and `queue list`: the open questions, handed out blind unless asked otherwise."""

from dataclasses import dataclass
from pathlib import Path

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import UnknownNameError
from tasks.loop import Loop
from tasks.warehouse import open_warehouse, show_only
from tasks.write_table import write_table

_ALL = 2**62


@dataclass(frozen=True)
class QueueFilter:
    """Which open fixes are meant; None means all."""

    attribute: str | None = None
    case_name: str | None = None
    at_most: int | None = None


def list_fixes(loop: Loop, which: QueueFilter) -> list[dict[str, object]]:
    """Return the open fixes, most urgent first."""
    _check_names(loop, which)
    with open_warehouse(loop, write=False) as warehouse:
        cursor = warehouse.connection.execute(read_sql("queue/list_fixes"), _bind(which))
        names = [column[0] for column in cursor.description or []]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def export_fixes(loop: Loop, path: Path, which: QueueFilter, *, is_open: bool) -> int:
    """Write the open fixes to `path` (.parquet, .csv or .jsonl) and return how many.

    Blind: `predicted`, `current_label`, `case_name`, `reason` and `priority` are null and the question is the
    same for every sample, unless `is_open`. Raises InputError for another suffix.
    """
    _check_names(loop, which)
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        _make_questions(connection, loop)
        connection.execute(read_sql("queue/choose_fixes"), _bind(which))
        with show_only(warehouse, "chosen_fix"):
            return write_table(connection, read_sql("queue/export_fixes"), {"is_open": is_open}, path)


def _bind(which: QueueFilter) -> dict[str, object]:
    at_most = _ALL if which.at_most is None else which.at_most
    return {"attribute": which.attribute, "case_name": which.case_name, "at_most": at_most}


def _check_names(loop: Loop, which: QueueFilter) -> None:
    if which.attribute is not None and which.attribute not in loop.settings.attribute:
        known = ", ".join(sorted(loop.settings.attribute))
        raise UnknownNameError(f"no attribute {which.attribute} in turnrow.toml; it has {known}")


def _make_questions(connection: duckdb.DuckDBPyConnection, loop: Loop) -> None:
    connection.execute(
        "create or replace temp table neutral_question "
        "(attribute varchar, question varchar, allowed_labels varchar[])"
    )
    for attribute in loop.settings.attribute.values():
        connection.execute(
            "insert into neutral_question values ($attribute, $question, $labels)",
            {
                "attribute": attribute.name,
                "question": ask_neutrally(attribute),
                "labels": list_answers(attribute),
            },
        )


def ask_neutrally(attribute: AttributeSettings) -> str:
    """Return the question that gives nothing away: neither the prediction nor why the sample is asked."""
    what = attribute.name.replace("_", " ")
    return f"What is the {what} here?" + (f" (in {attribute.unit})" if attribute.kind == "number" else "")


def list_answers(attribute: AttributeSettings) -> list[str]:
    """Return what may be answered: the labels (none for a number), and the two ways to give none."""
    return [*attribute.labels, "unsure", "unusable"]
