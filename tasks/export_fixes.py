"""`queue export` and `queue list`: the open questions, handed out blind unless asked otherwise."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.settings import NOT_LABELS, AttributeSettings
from schemas.sql_files import read_sql
from tasks.hand_out_fixes import Lease, bind_filter, hand_out, refuse_unknown
from tasks.hand_out_fixes import QueueFilter as QueueFilter
from tasks.loop import Loop
from tasks.warehouse import open_warehouse, show_only
from tasks.write_table import refuse_target, write_table


@dataclass(frozen=True)
class ExportSummary:
    """How many questions were written, until when they are the annotator's, and what others have out."""

    questions: int
    leased_until: datetime | None
    held_by_others: tuple[Lease, ...]


def list_fixes(loop: Loop, which: QueueFilter) -> list[dict[str, object]]:
    """Return the open fixes, most urgent first."""
    refuse_unknown(loop, which)
    with open_warehouse(loop, write=False) as warehouse:
        cursor = warehouse.connection.execute(read_sql("queue/list_fixes"), bind_filter(which))
        names = [column[0] for column in cursor.description or []]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def export_fixes(
    loop: Loop, path: Path, which: QueueFilter, *, is_open: bool, annotator: str | None = None
) -> ExportSummary:
    """Write the questions that are free, or free for `annotator`, to `path` (.parquet, .csv or .jsonl).

    Blind: `predicted`, `current_label`, `case_name`, `reason` and `priority` are null and the question is the
    same for every sample, unless `is_open`; then there are no known items and no audits among them, since whoever
    sees the model's word can be measured by neither. Raises InputError for another suffix.
    """
    refuse_target(path)
    with hand_out(loop, which, annotator=annotator, is_blind=not is_open) as handed:
        connection = handed.warehouse.connection
        _make_questions(connection, loop)
        with show_only(handed.warehouse, "chosen_fix"):
            write_table(connection, read_sql("queue/export_fixes"), {"is_open": is_open}, path, is_guarded=True)
        return ExportSummary(handed.questions, handed.leased_until, handed.held_by_others)


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
    return [*attribute.labels, *NOT_LABELS]
