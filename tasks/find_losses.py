"""Classes that got worse beyond chance, judged or not: what a verdict of averages may hide."""

from collections.abc import Iterator
from itertools import groupby

import duckdb

from tasks.fetch_rows import Row, fetch_rows
from tasks.report_facts import ClassLoss
from tasks.statistics import clustered_paired_test, mcnemar_exact

_LEVEL = 0.05  # of each by itself: many are looked at, and the reader is told so


def find_losses(connection: duckdb.DuckDBPyConnection) -> tuple[ClassLoss, ...]:
    """Return the classes of `judged_answer` with a loss, the greatest first; exact McNemar, else Obuchowski."""
    rows = fetch_rows(connection, "report/class_changes")
    found = [
        loss
        for (holdout, truth), groups in groupby(rows, key=lambda row: (str(row["case_name"]), str(row["truth"])))
        for loss in _judge_class(holdout, truth, list(groups))
    ]
    return tuple(sorted(found, key=lambda loss: (loss.estimate, loss.holdout, loss.truth)))


def _judge_class(holdout: str, truth: str, groups: list[Row]) -> Iterator[ClassLoss]:
    broken, fixed, sizes = (
        [int(row[name]) for row in groups] for name in ("broken_count", "fixed_count", "sample_count")
    )
    if sum(broken) <= sum(fixed):
        return
    p_value = mcnemar_exact(sum(broken), sum(fixed))
    if max(sizes) > 1:
        p_value = clustered_paired_test(broken, fixed, sizes)[1] if len(groups) > 1 else 1.0
    if p_value < _LEVEL:
        change = (sum(fixed) - sum(broken)) / sum(sizes)
        yield ClassLoss(holdout, truth, change, sum(broken), sum(fixed), sum(sizes), p_value)
