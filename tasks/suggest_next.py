"""The last line of `status`: the one thing to do next, and what to type for it.

Rules are asked in order and the first that speaks wins: what is broken, then what is waiting for a person,
then what the loop can do by itself.
"""

import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from tasks.fetch_rows import Row
from tasks.know_process import describe_process
from tasks.read_status import Status
from tasks.tell_first import tell_first


@dataclass(frozen=True)
class NextStep:
    """What to do, in a sentence without a full stop, and the command to type."""

    what: str
    command: str


def suggest_next(status: Status) -> NextStep:
    """Return the step that helps most now; with nothing waiting, that is the nightly flow."""
    for rule in _RULES:
        step = rule(status)
        if step is not None:
            return step
    return NextStep("nothing is waiting; take in what is new", "turnrow nightly")


def _see_to_run(status: Status) -> NextStep | None:
    """Speak of a run that died without a word, or does not end: all later ones of its flow make way for it."""
    for run in status.under_way:
        name = f"the {run['flow']} of {run['started_at']:%Y-%m-%d %H:%M} UTC"
        command = _name_command(run["flow"], run["parameters"])
        if run["is_dead"]:
            return NextStep(f"the process of {name} has died; what it had done is kept, go on with it", command)
        if run["is_long"]:
            whose = describe_process(run["process"])
            return NextStep(f"{name} still runs; if it hangs, end {whose}, and go on with it", command)
    return None


def _name_command(flow: str, parameters: Mapping[str, Any]) -> str:
    if flow == "backfill":
        files = ["--files", *parameters["files"]] if parameters.get("files") else []
        words = [parameters["case"], "--since", parameters["since"], "--until", parameters["until"], *files]
    else:
        words = list(parameters.values())
    return shlex.join(["turnrow", flow, *map(str, words)])


def _mend_cases(status: Status) -> NextStep | None:
    if not status.case_errors:
        return None
    return NextStep("a case file cannot be read; see what is wrong with it", "turnrow check-setup")


def _mend_night(status: Status) -> NextStep | None:
    night = status.last_night
    if night is None or night["state"] not in ("failed", "crashed"):
        return None
    if night["state"] == "crashed":
        return NextStep(f"the last night crashed: {night['error']}: run it again", "turnrow nightly")
    lines = (night["error"] or "it ended without a word").splitlines()
    return NextStep(
        f"the last night {night['state']}: {tell_first(lines)}; mend that and run it again", "turnrow nightly"
    )


def _see_to_left(status: Status) -> NextStep | None:
    night = status.last_night
    if night is None or night["state"] != "partial":
        return None
    lines = (night["error"] or "something").splitlines()
    return NextStep(f"the last night left {tell_first(lines)}; see to that, and run it again", "turnrow nightly")


def _start_scheduler(status: Status) -> NextStep | None:
    if not status.is_night_late:
        return None
    night = status.last_night
    last = f"the last night was on {night['started_at']:%Y-%m-%d}" if night else "there was no night yet"
    if status.scheduler == "running":
        return NextStep(
            f"a scheduler runs, but {last}; see what is due, and its Prefect pages", "turnrow schedule --next"
        )
    return NextStep(f"no scheduler runs, and {last}; start it", "turnrow schedule")


def _bring_logs(status: Status) -> NextStep | None:
    if status.moments["last_log_at"] is not None:
        return None
    return NextStep("put prediction logs into inbox/predictions and pull them", "turnrow pull")


def _write_case(status: Status) -> NextStep | None:
    if status.cases:
        return None
    return NextStep("describe a failure case in a file cases/NAME.toml, then look for it", "turnrow flag")


def _flag_new(status: Status) -> NextStep | None:
    flagged = status.moments["last_flag_at"]
    came = [status.moments[name] for name in ("last_pull_at", "last_label_at")]
    is_new = any(moment is not None and (flagged is None or flagged < moment) for moment in came)
    if not is_new and all(case["state"] for case in status.cases):
        return None
    return NextStep("logs, labels or case files are newer than the last look for mispredictions", "turnrow flag")


def _draw_overall(status: Status) -> NextStep | None:
    concerned = {case["attribute"] for case in status.cases}
    for attribute in status.attributes:
        if attribute["attribute"] in concerned and attribute["overall_holdout"] is None:
            name = attribute["attribute"]
            return NextStep(
                f"{name} has no general hold-out; draw it before anything is trained",
                f"turnrow holdout overall:{name}",
            )
    return None


def _settle_answers(status: Status) -> NextStep | None:
    answered, settled = status.moments["last_answer_at"], status.moments["last_settle_at"]
    if answered is None or (settled is not None and settled >= answered):
        return None
    return NextStep("answers have come in; turn those that agree into labels", "turnrow settle")


def _decide_candidate(status: Status) -> NextStep | None:
    for attribute in status.attributes:
        candidate, verdict = attribute["latest_candidate"], attribute["latest_verdict"]
        if candidate and verdict == "passed" and attribute["sign_off"] is None:
            return NextStep(
                f"{candidate} has passed; a person accepts it, or refuses it with --refuse",
                f"turnrow sign-off {candidate} --by NAME --accept",
            )
        if candidate and attribute["incumbent"] is None and attribute["sign_off"] is None:
            return NextStep(
                f"{candidate} would be the first model ({verdict or 'not judged'}); a person accepts it, or "
                "refuses it with --refuse",
                f"turnrow sign-off {candidate} --by NAME --accept --note WHY",
            )
    return None


def _label_holdouts(status: Status) -> NextStep | None:
    if not status.waiting_holdouts:
        return None
    nearest = min(status.waiting_holdouts, key=lambda row: (int(row["missing"]), str(row["case_name"])))
    name, missing = str(nearest["case_name"]), int(nearest["missing"])
    what = f"candidates for {name.removeprefix('overall:')}" if name.startswith("overall:") else name
    others = len(status.waiting_holdouts) - 1
    more = f"; {others} more hold-out{'s wait' if others > 1 else ' waits'}" if others else ""
    return _hand_out(
        f"{missing:,} hold-out {'label' if missing == 1 else 'labels'} would let {what} be judged"
        f"{_tell_minutes(status, nearest['attribute'], missing)}{more}"
    )


def _tell_minutes(status: Status, attribute: str, labels: int) -> str:
    """Return about how long so many labels take one person, or nothing where no answers say so."""
    seconds = status.label_seconds.get(attribute)
    if seconds is None:
        return ""
    minutes = max(1, round(seconds * labels / 60))
    return f": about {minutes:,} {'minute' if minutes == 1 else 'minutes'} of answering"


def _draw_case_holdout(status: Status) -> NextStep | None:
    for case in _live_cases(status):
        if case["holdout"] is None and case["settled"]:
            return NextStep(
                f"{case['case_name']} has no hold-out; draw it before the case is trained on",
                f"turnrow holdout {case['case_name']}",
            )
    return None


def _run_round(status: Status) -> NextStep | None:
    last_label = status.moments["last_label_at"]
    for attribute in status.attributes:
        name, as_of = attribute["attribute"], attribute["latest_version_as_of"]
        is_ready = any(
            case["attribute"] == name and case["state"] in ("ready", "reopened") for case in status.cases
        )
        is_new = last_label is not None and (as_of is None or as_of < last_label)
        if is_ready and is_new and attribute["overall_holdout"] == "frozen":
            return NextStep(
                f"{name} has new labels for a case that is ready; train and judge a candidate",
                f"turnrow round {name}",
            )
    return None


def _read_report(status: Status) -> NextStep | None:
    """Of a candidate that did not pass the page says what it would take; that is next until somebody decides."""
    for attribute in status.attributes:
        candidate, verdict = attribute["latest_candidate"], attribute["latest_verdict"]
        if candidate and verdict in ("undecided", "failed") and attribute["sign_off"] is None:
            return NextStep(
                f"{candidate} is {verdict}; read why and what it would take; then refuse it (turnrow sign-off "
                f"{candidate} --by NAME --refuse), or mend that and train again",
                f"turnrow report {candidate}",
            )
    return None


def _answer_fixes(status: Status) -> NextStep | None:
    waiting = sum(int(row["open_count"]) for row in status.open_fixes)
    return _hand_out(f"{waiting:,} questions wait for answers") if waiting else None


def _mine_case(status: Status) -> NextStep | None:
    for case in _live_cases(status):
        if case["settled"] and not case["queued"] and case["state"] in ("open", "ready", "reopened"):
            return NextStep(
                f"{case['case_name']} has no open question; look for more samples like it",
                f"turnrow mine {case['case_name']}",
            )
    return None


def _live_cases(status: Status) -> list[Row]:
    return [case for case in status.cases if case["state"] != "parked"]


def _hand_out(what: str) -> NextStep:
    return NextStep(what, "turnrow queue export questions.csv")


_RULES: tuple[Callable[[Status], NextStep | None], ...] = (
    _mend_cases,
    _see_to_run,
    _start_scheduler,
    _mend_night,
    _see_to_left,
    _bring_logs,
    _write_case,
    _flag_new,
    _draw_overall,
    _settle_answers,
    _decide_candidate,
    _label_holdouts,
    _draw_case_holdout,
    _run_round,
    _read_report,
    _answer_fixes,
    _mine_case,
)
