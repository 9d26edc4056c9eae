"""The flows as Prefect shows and schedules them, over the same plain functions.

Only imported where a Prefect server is named or a schedule is served: Prefect takes a second to load.

What a run's state says: `Completed` is our `done`; `Partial`, a completed state by type, is a run that left
something, since all the rest is done and running it again at once would leave the same; `NotYet`, completed
too, ran and found nothing to do it with; `Failed` is our `failed`, and only there does Prefect's own
reaction to failures fire.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, cast
from uuid import UUID
from zoneinfo import ZoneInfo

# Read when Prefect is loaded: nothing is told to anybody, and what a run logs goes to the server, while the
# terminal is for our own lines. A user's own setting wins.
for _name, _value in {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
}.items():
    os.environ.setdefault(_name, _value)

from prefect import Flow, Task, flow, runtime  # noqa: E402 - after what it reads
from prefect.artifacts import (  # noqa: E402
    create_markdown_artifact,
    create_progress_artifact,
    update_progress_artifact,
)
from prefect.cache_policies import NO_CACHE  # noqa: E402
from prefect.client.orchestration import get_client  # noqa: E402
from prefect.client.schemas.objects import State, TaskRun  # noqa: E402
from prefect.context import FlowRunContext  # noqa: E402
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings  # noqa: E402
from prefect.states import Completed  # noqa: E402
from prefect.tasks import exponential_backoff  # noqa: E402

from flows.backfill import BackfillSummary, run_backfill  # noqa: E402
from flows.backfill_progress import BackfillProgress, ShowProgress  # noqa: E402
from flows.describe_summary import describe_backfill, describe_nightly, describe_round, tell_night  # noqa: E402
from flows.log_lines import LOG, log_left, log_step, open_log  # noqa: E402
from flows.nightly import NightlySummary, run_nightly  # noqa: E402
from flows.round import RoundSummary, run_round  # noqa: E402
from tasks.errors import BusyWarehouseError, NotYetError, TurnrowError  # noqa: E402
from tasks.list_due import list_due  # noqa: E402
from tasks.loop import Loop, read_clock  # noqa: E402
from tasks.read_settings import read_settings  # noqa: E402
from tasks.tell_first import tell_first  # noqa: E402
from tasks.tell_run import tell_failure  # noqa: E402
from tasks.track_run import describe_error  # noqa: E402

T = TypeVar("T")
_RETRIES = 3
_FIRST_DELAY_SECONDS = 2


def _name_night() -> str:
    """Name a night by when it was due, by the clock of its cron line; a run is started some seconds before."""
    due = cast("datetime | None", runtime.flow_run.scheduled_start_time) or read_clock()
    try:
        zone = read_settings(Path(runtime.flow_run.parameters["at"])).schedule.timezone
    except TurnrowError:
        zone = "UTC"  # the run itself will say what is wrong with the settings
    return f"night of {due.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M} {zone}"


@flow(name="nightly", flow_run_name=_name_night, persist_result=False)
def nightly_flow(at: str) -> State[NightlySummary]:
    """Run `nightly` for the loop folder `at`; while another night is under way there is nothing to do."""
    try:
        summary = run_nightly(_open_loop(at), _perform_as_task, _start_round_flow, _show_nightly)
    except NotYetError as error:
        return _say_not_yet(error)
    if summary.problems:
        return _say_partial(summary, summary.problems)
    found = f": {summary.findings[0]}" if summary.findings else ""
    return Completed(message=f"{tell_night(summary)}{found}", data=summary)


@flow(name="rounds", flow_run_name="rounds that are due", persist_result=False)
def rounds_flow(at: str) -> State[Any]:
    """Run a round of each attribute whose cases have new fixes; one that fails does not stop the others."""
    due = _list_rounds(_open_loop(at))
    if not due:
        return _say_not_yet(NotYetError("no attribute has newly settled fixes of a ready case"))
    states = [round_flow(at=at, attribute=name, return_state=True) for name in due]
    failed = [state for state in states if not state.is_completed()]
    return cast("State[Any]", failed[0] if failed else Completed(message=f"rounds of {', '.join(due)}"))


def _list_rounds(loop: Loop) -> list[str]:
    """Return what is due; where that cannot be known nobody else tells, as no run has begun."""
    try:
        return list_due(loop).list_rounds(at_least=1)
    except Exception as error:
        tell_failure(loop, "round", describe_error(error))
        raise


@flow(name="round", flow_run_name="round of {attribute}", persist_result=False)
def round_flow(at: str, attribute: str) -> State[RoundSummary]:
    """Run `round` for one attribute of the loop folder `at`."""
    try:
        summary = run_round(_open_loop(at), attribute, _perform_as_task)
    except NotYetError as error:
        return _say_not_yet(error)
    _publish("round", attribute, describe_round(summary))
    return Completed(message=f"verdict: {summary.verdict}", data=summary)


@flow(name="backfill", flow_run_name="backfill of {case}", persist_result=False)
def backfill_flow(
    at: str, case: str, since: str, until: str, files: list[str] | None = None
) -> State[BackfillSummary]:
    """Run `backfill` for one case of the loop folder `at`; the moments in ISO 8601, archived files by path."""
    summary = run_backfill(
        _open_loop(at),
        case,
        datetime.fromisoformat(since),
        datetime.fromisoformat(until),
        files=[Path(path) for path in files or ()],
        perform=_perform_as_task,
        show_progress=_make_progress(),
    )
    _publish("backfill", case, describe_backfill(summary))
    if summary.errors:
        return _say_partial(summary, summary.errors)
    return Completed(message=f"{summary.members} new members", data=summary)


def run_visibly(wanted: Flow[..., State[T]], **parameters: str | list[str]) -> T:
    """Run a flow now, in this process, visible in the server; return its summary, or raise what it raised."""
    # The heartbeat's thread is joined for a second at the end of every run; no environment variable stops it.
    with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
        return _read_state(wanted(**parameters, return_state=True))


def _perform_as_task(step: str, what: str, work: Callable[[], T], *, is_outside: bool = False) -> T:
    """Run a step as a Prefect task: retried, with growing delays, where it touches the outside world."""

    def run() -> T | State[T]:
        try:
            return log_step(step, what, work)
        except NotYetError as error:
            return _say_not_yet(error)

    task: Task[[], Any] = Task(
        run,
        name=step,
        task_run_name=f"{step} {what}".strip(),
        retries=_RETRIES if is_outside else 0,
        retry_delay_seconds=exponential_backoff(_FIRST_DELAY_SECONDS),
        retry_condition_fn=_is_worth_another_try,
        cache_policy=NO_CACHE,
        persist_result=False,
    )
    return _read_state(cast("State[T]", task(return_state=True)))


def _is_worth_another_try(task: Task[..., Any], run: TaskRun, state: State[Any]) -> bool:  # noqa: ARG001
    """Tell whether an error may pass by itself: a busy warehouse, or one that is not ours, as of a disk."""
    error = state.result(raise_on_failure=False)
    return isinstance(error, BusyWarehouseError) or not isinstance(error, TurnrowError)


def _say_partial(summary: T, left: Sequence[object]) -> State[T]:
    return cast("State[T]", Completed(name="Partial", message=f"left: {tell_first(left)}", data=summary))


def _say_not_yet(error: NotYetError) -> State[Any]:
    return Completed(name="NotYet", message=str(error), data=error)


def _read_state(state: State[T]) -> T:
    """Return what a run ended with; raise what it raised."""
    result = state.result()
    if isinstance(result, Exception):
        raise result
    return result


def _start_round_flow(loop: Loop, attribute: str) -> RoundSummary:
    state = round_flow(at=str(loop.folder), attribute=attribute, return_state=True)
    return _read_state(cast("State[RoundSummary]", state))


def _open_loop(at: str) -> Loop:
    open_log()
    folder = Path(at)
    return Loop(folder, read_settings(folder))


def _show_nightly(summary: NightlySummary) -> None:
    log_left(tuple((problem.step, problem.what, problem.message) for problem in summary.problems))
    _publish("nightly", "", describe_nightly(summary))
    with _log_failure("the run was not renamed"):
        _rename_run(tell_night(summary))


def _rename_run(told: str) -> None:
    """Add what came of it to a run's name, so that the list of runs says it."""
    context = FlowRunContext.get()
    if context is None or context.flow_run is None:
        return
    with get_client(sync_client=True) as client:
        client.set_flow_run_name(context.flow_run.id, f"{context.flow_run.name}: {told}")


def _publish(name: str, what: str, markdown: str) -> None:
    """Keep a summary as an artifact; its key may hold small letters, digits and dashes only."""
    with _log_failure("its page was not written"):
        create_markdown_artifact(markdown, key="-".join(["turnrow", name, *what.replace("_", "-").split()]))


@contextmanager
def _log_failure(what: str) -> Iterator[None]:
    """Log what fails in showing a run: a server that is gone must not undo what the run has done."""
    try:
        yield
    except Exception as error:  # whatever the server or the way to it does
        LOG.warning("%s: %s", what, describe_error(error))


def _make_progress() -> ShowProgress:
    shown: list[UUID] = []

    def show(progress: BackfillProgress) -> None:
        if not shown:
            shown.append(cast("UUID", create_progress_artifact(progress=0.0)))
        share = progress.predictions_done / progress.predictions
        update_progress_artifact(shown[0], progress=100.0 * share)

    return show
