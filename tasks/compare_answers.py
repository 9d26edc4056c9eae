"""What the models before and after made of the judged hold-out samples: confusion, newly broken, newly fixed.

All of it is asked as of the verdict (`show_as_of`), so that it counts the very samples that the gate counted.
"""

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.fetch_rows import Row, fetch_rows
from tasks.group_samples import view_groups
from tasks.leave_out_copies import stage_seen
from tasks.report_facts import ChangedSample, ChangedSamples, ComparedFigure, Confusion

AT_MOST = 20  # samples that are shown of each change


def stage_answers(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, candidate: str, incumbent: str | None
) -> None:
    """Make the temp tables `judged_answer` and `changed_sample`; `attribute` as it was when judged."""
    view_groups(connection, attribute)
    stage_seen(connection, attribute)
    tolerance = (attribute.tolerance or 0.0) if attribute.kind == "number" else None
    connection.execute(
        read_sql("report/judged_answer"),
        {"attribute": attribute.name, "candidate": candidate, "incumbent": incumbent, "tolerance": tolerance},
    )
    connection.execute(read_sql("report/changed_sample"))


def read_confusion(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, figures: tuple[ComparedFigure, ...]
) -> Confusion | None:
    """Return the confusion on the overall hold-out; None for numbers, and where there is no such hold-out."""
    holdout = f"overall:{attribute.name}"
    if attribute.kind != "class" or all(figure.holdout != holdout for figure in figures):
        return None
    counts = fetch_rows(connection, "report/confusion", {"holdout": holdout})
    found = {str(row[key]) for row in counts for key in ("truth", "predicted")}
    labels = [label for label in attribute.labels if label in found]
    return Confusion(
        holdout, (*labels, *sorted(found - set(labels))), counts, any(row["before_count"] for row in counts)
    )


def count_erased(connection: duckdb.DuckDBPyConnection, figures: tuple[ComparedFigure, ...]) -> dict[str, int]:
    """Return hold-out -> how many of the samples that the verdict counted are no longer there."""
    there = {
        str(row["case_name"]): int(row["sample_count"]) for row in fetch_rows(connection, "report/count_judged")
    }
    return {
        figure.holdout: max(0, figure.after.n - there.get(figure.holdout, 0))
        for figure in figures
        if (figure.metric, figure.slice) == ("accuracy", "all") and figure.after is not None
    }


def read_changed(
    connection: duckdb.DuckDBPyConnection, change: str, critical: tuple[str, ...]
) -> tuple[ChangedSamples, dict[str, str]]:
    """Return the samples that were newly `broken` or `fixed`, and sample_id -> media_uri of those with one."""
    counts = {row["change"]: row for row in fetch_rows(connection, "report/count_changed")}.get(change)
    if counts is None:
        return ChangedSamples(0, 0, ()), {}
    rows = fetch_rows(
        connection,
        "report/list_changed",
        {"change": change, "critical": list(critical), "at_most": AT_MOST},
        moments=("observed_at",),
    )
    media = {str(row["sample_id"]): str(row["media_uri"]) for row in rows if row["media_uri"] is not None}
    shown = tuple(_make_sample(row) for row in rows)
    return ChangedSamples(int(counts["sample_count"]), int(counts["withheld_count"]), shown), media


def _make_sample(row: Row) -> ChangedSample:
    return ChangedSample(
        sample_id=row["sample_id"],
        recording_id=row["recording_id"],
        object_id=row["object_id"],
        observed_at=row["observed_at"],
        holdouts=tuple(row["holdouts"]),
        truth=row["truth"],
        before=row["before"],
        after=row["after"],
        confidence=row["confidence"],
    )
