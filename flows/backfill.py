"""`backfill`: one failure case over the stored history between two moments."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from flows.attempt_steps import Perform, perform_plainly
from schemas.case_file import FailureCase
from tasks.backfill_case import (
    Partition,
    PartitionResult,
    backfill_partitions,
    define_case,
    list_partitions,
    settle_state,
)
from tasks.find_names import find_case
from tasks.loop import Loop
from tasks.read_settings import read_cases
from tasks.track_run import TrackedRun, track_run
from tasks.warehouse import as_utc

ShowProgress = Callable[[int, int, PartitionResult], None]


@dataclass(frozen=True)
class BackfillSummary:
    """What a backfill did, or in a dry run (which has no `run_id`) would do.

    `partitions` held predictions, `unchanged` of them nothing new since they were last done; `samples` were
    looked at; `flags` and `members` were added.
    """

    run_id: str | None
    case_name: str
    partitions: int
    unchanged: int
    samples: int
    flags: int
    members: int
    is_dry_run: bool

    @property
    def counts(self) -> dict[str, object]:
        """The summary's numbers, as `flow_run` keeps them."""
        names = ("partitions", "unchanged", "samples", "flags", "members")
        return {name: getattr(self, name) for name in names}


def run_backfill(
    loop: Loop,
    case_name: str,
    since: datetime,
    until: datetime,
    *,
    is_dry_run: bool = False,
    perform: Perform = perform_plainly,
    show_progress: ShowProgress | None = None,
) -> BackfillSummary:
    """Match a case, as it is defined now, with the predictions served from `since` up to, without, `until`.

    Partitions that were done before and of which nothing changed cost nothing, so a backfill that was
    stopped goes on where it was. `show_progress` hears of each partition: how many are done, of how many.
    Raises UnknownNameError, InputError or ExpressionError before anything is written.
    """
    case = find_case(*read_cases(loop.folder, loop.settings), case_name)
    partitions = list_partitions(loop, case, since, until)
    if is_dry_run:
        results = _do_partitions(loop, case, partitions, is_dry_run=True, show_progress=show_progress)
        return _summarise(None, case, results, is_dry_run=True)
    parameters = {"case": case.case, "since": as_utc(since).isoformat(), "until": as_utc(until).isoformat()}
    with track_run(loop, "backfill", parameters) as run:
        return _backfill(loop, case, partitions, run, perform, show_progress)


def _backfill(
    loop: Loop,
    case: FailureCase,
    partitions: list[Partition],
    run: TrackedRun,
    perform: Perform,
    show_progress: ShowProgress | None,
) -> BackfillSummary:
    perform("define", case.case, lambda: define_case(loop, case))
    results: list[PartitionResult] = []

    def note(done: int, total: int, result: PartitionResult) -> None:
        results.append(result)
        run.counts = _summarise(run.run_id, case, results).counts | {"planned": total}
        if show_progress:
            show_progress(done, total, result)

    perform(
        "backfill",
        case.case,
        lambda: _do_partitions(loop, case, partitions, is_dry_run=False, show_progress=note),
    )
    perform("state", case.case, lambda: settle_state(loop, case))
    summary = _summarise(run.run_id, case, results)
    run.counts = summary.counts
    return summary


def _do_partitions(
    loop: Loop,
    case: FailureCase,
    partitions: list[Partition],
    *,
    is_dry_run: bool,
    show_progress: ShowProgress | None,
) -> list[PartitionResult]:
    results = []
    for result in backfill_partitions(loop, case, partitions, is_dry_run=is_dry_run):
        results.append(result)
        if show_progress:
            show_progress(len(results), len(partitions), result)
    return results


def _summarise(
    run_id: str | None, case: FailureCase, results: list[PartitionResult], *, is_dry_run: bool = False
) -> BackfillSummary:
    return BackfillSummary(
        run_id,
        case.case,
        len(results),
        sum(result.samples == 0 for result in results),
        sum(result.samples for result in results),
        sum(result.flags for result in results),
        sum(result.members for result in results),
        is_dry_run,
    )
