"""`backfill`: one failure case over the stored history between two moments; archived files are pulled first."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from flows.attempt_steps import Perform, perform_plainly
from flows.backfill_progress import ProgressMeter, ShowProgress
from schemas.case_file import FailureCase
from tasks.backfill_case import (
    Partition,
    PartitionResult,
    backfill_partitions,
    check_span,
    define_case,
    list_partitions,
    settle_state,
)
from tasks.count_archive import ArchivedFile, count_archive
from tasks.errors import spell_printable
from tasks.find_names import find_case
from tasks.loop import Loop
from tasks.pull_logs import PulledFile, PullSummary, pull_files
from tasks.read_settings import read_cases
from tasks.track_run import TrackedRun, track_run

_Files = tuple[ArchivedFile, ...] | tuple[PulledFile, ...]


@dataclass(frozen=True)
class BackfillSummary:
    """What a backfill did, or in a dry run (which has no `run_id`) would do.

    `partitions` held predictions, `unchanged` of them nothing new since they were last done; `samples` were
    looked at; `flags` and `members` were added. `files` are the archived ones: as they were pulled, `pulled`
    rows of them being new; or what a dry run read of them, of which the other numbers know nothing.
    """

    run_id: str | None
    case_name: str
    partitions: int
    unchanged: int
    samples: int
    flags: int
    members: int
    is_dry_run: bool
    pulled: int = 0
    files: _Files = ()

    @property
    def errors(self) -> tuple[str, ...]:
        """What is wrong with the archived files that could not be read, and were left."""
        return tuple(file.error for file in self.files if file.error)

    @property
    def counts(self) -> dict[str, object]:
        """The summary's numbers, as `flow_run` keeps them."""
        names = ("partitions", "unchanged", "samples", "flags", "members")
        counts: dict[str, object] = {name: getattr(self, name) for name in names}
        return counts | ({"pulled": self.pulled} if self.files else {})


@dataclass(frozen=True)
class _Plan:
    """What a backfill is asked for, and who is told: `show` how far it is, `check_stop` before each next part."""

    case: FailureCase
    since: datetime
    until: datetime
    files: Sequence[Path]
    perform: Perform
    show: ShowProgress | None
    check_stop: Callable[[], None]

    @property
    def parameters(self) -> dict[str, object]:
        """The plan as `flow_run` keeps it."""
        span = {"since": self.since.isoformat(), "until": self.until.isoformat()}
        files = {"files": [spell_printable(str(path)) for path in self.files]} if self.files else {}
        return {"case": self.case.case, **span, **files}


def run_backfill(
    loop: Loop,
    case_name: str,
    since: datetime,
    until: datetime,
    *,
    files: Sequence[Path] = (),
    is_dry_run: bool = False,
    perform: Perform = perform_plainly,
    show_progress: ShowProgress | None = None,
    check_stop: Callable[[], None] = lambda: None,
) -> BackfillSummary:
    """Match a case, as it is defined now, with the predictions served from `since` up to, without, `until`.

    `files` are pulled before, whole, as by `pull`. Partitions that were done before and of which nothing changed
    cost nothing, so a backfill that was stopped (whatever `check_stop` raises) goes on where it was.
    Raises UnknownNameError, InputError or ExpressionError before anything is written.
    """
    case = find_case(*read_cases(loop.folder, loop.settings), case_name)
    since, until = check_span(loop, since, until)
    plan = _Plan(case, since, until, files, perform, show_progress, check_stop)
    partitions = list_partitions(loop, case, since, until)
    if is_dry_run:
        archived = tuple(count_archive(loop, files, case.attribute, since, until)) if files else ()
        results: list[PartitionResult] = []
        _do_partitions(loop, plan, partitions, results.append, is_dry_run=True)
        return _summarise(None, case, results, archived, is_dry_run=True)
    with track_run(loop, "backfill", plan.parameters) as run:
        return _backfill(loop, plan, partitions, run)


def _backfill(loop: Loop, plan: _Plan, partitions: list[Partition], run: TrackedRun) -> BackfillSummary:
    case, files = plan.case, _pull(loop, plan, run)
    if files:
        partitions = list_partitions(loop, case, plan.since, plan.until)
    plan.check_stop()
    plan.perform("define", case.case, lambda: define_case(loop, case))
    results: list[PartitionResult] = []

    def note(result: PartitionResult) -> None:
        results.append(result)
        run.counts = _summarise(run.run_id, case, results, files).counts | {"planned": len(partitions)}

    plan.perform("backfill", case.case, lambda: _do_partitions(loop, plan, partitions, note, is_dry_run=False))
    plan.perform("state", case.case, lambda: settle_state(loop, case))
    summary = _summarise(run.run_id, case, results, files)
    run.counts = summary.counts
    return _tell_failed(run, summary)


def _pull(loop: Loop, plan: _Plan, run: TrackedRun) -> _Files:
    if not plan.files:
        return ()
    pulled: PullSummary = plan.perform(
        "pull", "", lambda: pull_files(loop, plan.files, run.run_id), is_outside=True
    )
    return pulled.files


def _tell_failed(run: TrackedRun, summary: BackfillSummary) -> BackfillSummary:
    """Note in the run that files could not be read: all the rest is done."""
    if summary.errors:
        run.state, run.error = "partial", "\n".join(summary.errors)
    return summary


def _do_partitions(
    loop: Loop,
    plan: _Plan,
    partitions: list[Partition],
    note: Callable[[PartitionResult], None],
    *,
    is_dry_run: bool,
) -> None:
    meter = ProgressMeter(partitions)
    for result in backfill_partitions(loop, plan.case, partitions, is_dry_run=is_dry_run):
        note(result)
        progress = meter.note(result)
        if plan.show:
            plan.show(progress)
        if progress.parts_done < progress.parts:
            plan.check_stop()


def _summarise(
    run_id: str | None,
    case: FailureCase,
    results: list[PartitionResult],
    files: _Files = (),
    *,
    is_dry_run: bool = False,
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
        _count_pulled(files),
        files,
    )


def _count_pulled(files: _Files) -> int:
    return sum(file.rows_kept for file in files if isinstance(file, PulledFile) and not file.is_known)
