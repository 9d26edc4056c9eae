"""The commands that run whole flows once, now."""

from collections.abc import Callable
from typing import Any

from flows.answer import Answer, Request
from tasks.errors import NotYetError
from tasks.make_plain import make_plain


def run_nightly(request: Request) -> Answer:
    """`nightly`: all that can be done without a person; what it had to leave is told, with exit code 1."""
    from flows.run_flow import start_nightly

    summary = start_nightly(request.loop)
    document: dict[str, Any] = make_plain(summary)
    document["problems"] = [str(problem) for problem in summary.problems]
    document["waiting"] = [str(problem) for problem in summary.waiting]
    document["findings"] = [str(finding) for finding in summary.findings]
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
    """`backfill`: one case over history; archived files that cannot be read are told, with exit code 1."""
    from flows.backfill_progress import ProgressLine
    from flows.run_flow import start_backfill
    from flows.stop_signals import watch_signals
    from tasks.count_archive import find_archived

    options = request.options
    case, files = request.find_case(options.case), find_archived(options.files or ())
    line = ProgressLine()
    with watch_signals() as watch:
        try:
            summary = start_backfill(
                request.loop,
                case.case,
                options.since,
                options.until,
                files=files,
                is_dry_run=options.dry_run,
                show_progress=None if options.json else line.show,
                check_stop=watch.check,
            )
        finally:
            line.end_line()
    return Answer(_leave_out_run(summary), 1 if summary.errors else 0, summary.errors)


def run_schedule(request: Request) -> Answer:
    """`schedule`: until it is stopped; with --next only what is to come and what was."""
    if request.options.next:
        from flows.tell_schedule import tell_schedule

        return Answer(tell_schedule(request.loop))
    from flows.schedule import run_schedule as run

    run(request.loop, request.say)
    return Answer({"state": "stopped"})


def _leave_out_run(summary: object) -> dict[str, Any]:
    """Return the document without its run_id: the same command again, with nothing new, says the same."""
    document: dict[str, Any] = make_plain(summary)
    document.pop("run_id", None)
    return document


FLOWS: dict[str, Callable[[Request], Answer]] = {
    "nightly": run_nightly,
    "round": run_round,
    "schedule": run_schedule,
    "backfill": run_backfill,
}
