"""The commands that run whole flows once, now."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from flows.answer import Answer, Request
from tasks.errors import NotYetError
from tasks.make_plain import make_plain

if TYPE_CHECKING:
    from flows.backfill import ShowProgress


def run_nightly(request: Request) -> Answer:
    """`nightly`: all that can be done without a person; what it had to leave is told, with exit code 1."""
    from flows.run_flow import start_nightly

    summary = start_nightly(request.loop)
    document: dict[str, Any] = make_plain(summary)
    document["problems"] = [str(problem) for problem in summary.problems]
    document["waiting"] = [str(problem) for problem in summary.waiting]
    return Answer(document, 1 if summary.problems else 0, tuple(document["problems"]))


def run_round(request: Request) -> Answer:
    """`round`: assemble, retrain, evaluate, judge; exit code 3 unless the gate passed the candidate."""
    from flows.run_flow import start_round
    from tasks.find_names import find_attribute

    attribute = find_attribute(request.loop, request.options.attribute)
    summary = start_round(request.loop, attribute.name)
    code = 0 if summary.verdict == "passed" else NotYetError.exit_code
    return Answer(_leave_out_run(summary), code, summary.problems)


def run_backfill(request: Request) -> Answer:
    """`backfill`: one case over history."""
    from flows.run_flow import start_backfill

    options = request.options
    case = request.find_case(options.case)
    summary = start_backfill(
        request.loop,
        case.case,
        options.since,
        options.until,
        is_dry_run=options.dry_run,
        show_progress=_tell_progress(request),
    )
    return Answer(_leave_out_run(summary))


def _tell_progress(request: Request) -> "ShowProgress":
    def tell(done: int, total: int, result: object) -> None:
        request.say(f"{done:,} of {total:,} parts of the history: {getattr(result, 'members', 0):,} members")

    return tell


def _leave_out_run(summary: object) -> dict[str, Any]:
    """Return the document without its run_id: the same command again, with nothing new, says the same."""
    document: dict[str, Any] = make_plain(summary)
    document.pop("run_id", None)
    return document


FLOWS: dict[str, Callable[[Request], Answer]] = {
    "nightly": run_nightly,
    "round": run_round,
    "backfill": run_backfill,
}
