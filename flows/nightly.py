"""`nightly`: take in what is new, flag and sort it, take answers, settle, mine, and start the rounds due."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from functools import partial

from flows.attempt_steps import Attempts, Perform, Problem, perform_plainly
from flows.round import RoundSummary, run_round
from schemas.case_file import FailureCase
from tasks.audit_lots import audit_lots
from tasks.draw_watch import draw_watch
from tasks.errors import WarehouseError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.follow_cases import follow_cases
from tasks.forget_old import forget_old
from tasks.freeze_holdouts import freeze_full_holdouts
from tasks.list_due import DueWork, list_due
from tasks.list_lots import list_lots
from tasks.look_out import Finding, LookedOut, look_out, mark_told
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.mine_samples import mine_samples
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_cases
from tasks.settle_fixes import settle_fixes
from tasks.take_answers import find_new_answers, take_answers
from tasks.track_run import TrackedRun, track_run

StartRound = Callable[[Loop, str], RoundSummary]
Show = Callable[["NightlySummary"], None]


@dataclass(frozen=True)
class NightlySummary:
    """What a night did. `problems` were left (the run is then `partial`), `waiting` is what is not due yet.

    `findings` is what the limits of `[watch]` told: new ones first; they leave the run's state as it is.
    `unjudged` is of what these can say nothing yet, and why.
    """

    run_id: str
    state: str
    counts: dict[str, object]
    problems: tuple[Problem, ...]
    waiting: tuple[Problem, ...]
    rounds: tuple[RoundSummary, ...]
    findings: tuple[Finding, ...] = ()
    unjudged: tuple[str, ...] = ()


@dataclass
class _Night:
    """A night under way: what was tried, and what came of it."""

    loop: Loop
    tried: Attempts
    start_round: StartRound
    counts: dict[str, int] = field(default_factory=dict)
    rounds: list[RoundSummary] = field(default_factory=list)
    looked_out: LookedOut = field(default_factory=LookedOut)
    is_told: bool = False
    run: TrackedRun | None = None

    def add(self, **counts: int) -> None:
        for name, count in counts.items():
            self.counts[name] = self.counts.get(name, 0) + count


def run_nightly(
    loop: Loop,
    perform: Perform = perform_plainly,
    start_round: StartRound = run_round,
    show: Show | None = None,
) -> NightlySummary:
    """Do everything that can be done without a person, once, now.

    A bad file, case or attribute is left, and told, and the others are done: the run ends as `partial`. An
    error that nobody expected does not stop the others either, but the run then ends as `failed`, and the
    error is raised when all the rest is done; `show` sees the summary also then. Raises WarehouseError at
    once where the warehouse cannot be used, NotYetError where another night is under way.
    """
    night = _Night(loop, Attempts(perform), start_round)
    with _tell_once(night), track_run(loop, "nightly", {}, is_alone=True) as run:
        night.run = run
        _take_in(night, run.run_id)
        _tell_unread_cases(night)
        _sort(night)
        _take_answers(night)
        _settle(night)
        _ask(night)
        _look_out(night)
        _follow_up(night)
        _forget(night)
        summary = _close(night, run)
        if show:
            show(summary)
        night.tried.raise_unexpected("nightly")
        return summary


@contextmanager
def _tell_once(night: _Night) -> Iterator[None]:
    """Remember what was told, when it was: a night that is killed or stopped before leaves it to the next."""
    try:
        yield
    except Exception:
        _remember_told(night)
        raise
    _remember_told(night)


def _remember_told(night: _Night) -> None:
    """Mark what was told, if a notice reached somebody; what cannot be marked is told twice rather than never."""
    is_heard = night.is_told and night.run is not None and night.run.is_heard
    if is_heard and any(one.is_new for one in night.looked_out.findings):
        with suppress(WarehouseError):
            mark_told(night.loop)


def _take_in(night: _Night, run_id: str) -> None:
    pulled = night.tried.attempt("pull", "", lambda: pull_files(night.loop, run_id=run_id), is_outside=True)
    for file in pulled.files if pulled else ():
        if file.error:
            night.tried.problems.append(Problem("pull", file.path, file.error))
        elif not file.is_known:
            night.add(files=1, rows=file.rows_kept, quarantined=file.rows_quarantined)


def _tell_unread_cases(night: _Night) -> None:
    _, errors = read_cases(night.loop.folder, night.loop.settings)
    night.tried.problems.extend(Problem("case", "", str(error)) for error in errors)


def _sort(night: _Night) -> None:
    """Flag mispredictions and match them with the cases."""
    loop = night.loop
    for flagged in night.tried.attempt_all(
        "flag", list(loop.settings.attribute), lambda names: flag_mispredictions(loop, names)
    ):
        night.add(flagged=flagged.flagged, lapsed=flagged.lapsed)
    cases = {case.case: case for case in read_cases(loop.folder, loop.settings)[0]}
    for matched in night.tried.attempt_all(
        "case", list(cases), lambda names: match_cases(loop, [cases[name] for name in names])
    ):
        night.add(members=sum(matched.values()))


def _take_answers(night: _Night) -> None:
    paths = night.tried.attempt("answers", "", lambda: find_new_answers(night.loop))
    for path in paths or ():
        name = night.loop.relate(path)
        taken = night.tried.attempt("answers", name, partial(take_answers, night.loop, path), is_outside=True)
        if taken:
            night.add(answers=taken.rows_kept, refused_answers=taken.rows_quarantined)


def _settle(night: _Night) -> None:
    """Settle and freeze; what that changes is flagged and sorted in the same night."""
    settled = night.tried.attempt("settle", "", lambda: settle_fixes(night.loop))
    if settled:
        night.add(**asdict(settled))
    is_changed = _audit(night)
    frozen = night.tried.attempt("freeze", "", lambda: freeze_full_holdouts(night.loop)) or ()
    night.add(frozen=len(frozen))
    without = sum(held.restricted for held in frozen)
    if without:
        night.add(frozen_without_label=without)
    if frozen or is_changed or (settled and any(asdict(settled).values())):
        _sort(night)


def _audit(night: _Night) -> bool:
    """Judge and form lots, where they are audited; return whether that changed what any label is."""
    if night.loop.settings.audit is None:
        return False
    done = night.tried.attempt("audit", "", lambda: audit_lots(night.loop))
    if done is None:
        return False
    night.add(
        formed_lots=done.formed, passed_lots=done.passed, failed_lots=done.failed, asked_anew=done.asked_anew
    )
    for source in night.tried.attempt("audit", "", lambda: list_lots(night.loop)) or ():
        name = f"{source.attribute}, decided by {source.source}"
        if source.to_answer:
            message = f"{source.to_answer} audit questions wait for an answer"
            night.tried.waiting.append(Problem("audit", name, message))
        if source.is_held_up:
            message = "inspection is discontinued; `turnrow audit` tells how it goes on"
            night.tried.waiting.append(Problem("audit", name, message))
    return done.failed + done.asked_anew > 0


def _ask(night: _Night) -> None:
    """Ask for the watch first, so that what is doubted joins its questions; tell what it says of cured cases."""
    watched = night.tried.attempt("watch", "", lambda: draw_watch(night.loop))
    if watched:
        night.add(watch_drawn=watched.drawn)
    for case in night.tried.attempt("follow", "", lambda: follow_cases(night.loop)) or ():
        night.add(**{f"cases_{case.state}": 1})
    night.add(asked=night.tried.attempt("queue", "", lambda: queue_doubted(night.loop)) or 0)


def _look_out(night: _Night) -> None:
    """See what the limits of `[watch]` tell: it is told, and no failure."""
    night.looked_out = night.tried.attempt("look out", "", lambda: look_out(night.loop)) or LookedOut()


def _follow_up(night: _Night) -> None:
    due = night.tried.attempt("due", "", lambda: list_due(night.loop))
    if due is None:
        return
    _tell_holdouts(night, due)
    cases, _ = read_cases(night.loop.folder, night.loop.settings)
    _mine(night, [case for case in cases if case.case in due.cases])
    for name in due.list_rounds(night.loop.settings.schedule.round_after_fixes):
        done = night.tried.attempt("round", name, partial(night.start_round, night.loop, name))
        if done:
            night.rounds.append(done)
            night.tried.problems.extend(Problem("report", name, problem) for problem in done.problems)


def _tell_holdouts(night: _Night, due: DueWork) -> None:
    for held in due.holdouts:
        message = f"{held.missing} of its {held.members} samples still lack a label"
        night.tried.waiting.append(Problem("holdout", held.case_name, message))


def _mine(night: _Night, cases: Iterable[FailureCase]) -> None:
    for case in cases:
        mined = night.tried.attempt("mine", case.case, partial(mine_samples, night.loop, case))
        if mined:
            night.add(mined=mined.mined, look_alikes=mined.look_alikes)


def _forget(night: _Night) -> None:
    """Delete last what `[retention]` lets go, when nothing of this night can need it any more."""
    forgotten = night.tried.attempt("retention", "", lambda: forget_old(night.loop))
    if forgotten and any(asdict(forgotten).values()):
        night.add(**asdict(forgotten))


def _close(night: _Night, run: TrackedRun) -> NightlySummary:
    tried = night.tried
    findings = sorted(night.looked_out.findings, key=lambda finding: not finding.is_new)
    run.counts = {**night.counts, "rounds": len(night.rounds), "problems": len(tried.problems)}
    if findings:
        run.counts |= {"findings": len(findings), "new_findings": sum(one.is_new for one in findings)}
    run.findings = [str(one) for one in findings if one.is_new]
    night.is_told = True
    run.error = "\n".join(str(problem) for problem in tried.problems) or None
    run.state = tried.state
    return NightlySummary(
        run.run_id,
        run.state,
        dict(run.counts),
        tuple(tried.problems),
        tuple(tried.waiting),
        tuple(night.rounds),
        tuple(findings),
        night.looked_out.unjudged,
    )
