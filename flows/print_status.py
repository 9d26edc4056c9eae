"""Documents of `status`, `case` and `check-setup` as text for people."""

import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from flows.lay_out_text import (
    count_things,
    indent,
    lay_out_table,
    make_harmless,
    show_time,
    show_value,
)
from flows.print_watch import print_case_in_service
from tasks.tell_first import tell_first
from tasks.tell_run import name_flow

_Document = dict[str, Any]
_CASES_SHOWN = 20
_FINDINGS_SHOWN = 12
_TOLD_APART = ("problems", "findings", "new_findings")

_ATTRIBUTE_COLUMNS = {
    "attribute": "attribute",
    "incumbent": "incumbent",
    "latest_version": "latest training set",
    "latest_version_state": "checks",
    "latest_candidate": "latest candidate",
    "latest_verdict": "verdict",
    "sign_off": "sign-off",
    "overall_holdout": "general hold-out",
}
_CASE_COLUMNS = {
    "case_name": "case",
    "attribute": "attribute",
    "severity": "severity",
    "state": "state",
    "flagged": "flagged",
    "queued": "queued",
    "settled": "settled",
    "held_out": "held out",
    "in_training": "in training",
    "holdout": "hold-out",
}


_WATCH_COLUMNS = {
    "attribute": "attribute",
    "week": "latest week",
    "weeks": "weeks",
    "open_weeks": "not closed",
    "sample_count": "samples",
    "open_count": "without an answer",
}


def print_status(document: _Document) -> Iterable[str]:
    """Yield one screen: attributes, cases, questions, hold-outs, runs, refused rows, what to do next."""
    yield from _head("Attributes", lay_out_table(document["attributes"], _ATTRIBUTE_COLUMNS))
    yield from _tell_outdated(document["attributes"])
    yield from _head("Failure cases", _list_cases(document["cases"], document["case_errors"]))
    yield from _head("Open label fixes", _list_open_fixes(document["open_fixes"]))
    if document["watch"]:
        yield from _head(
            "Random watch (turnrow watch tells more)", lay_out_table(document["watch"], _WATCH_COLUMNS)
        )
    if document["audits"]:
        columns = {
            "attribute": "attribute",
            "open_lots": "open lots",
            "waiting_count": "questions without an answer",
            "passed_lots": "passed lots",
            "failed_lots": "failed lots",
        }
        yield from _head("Audits (turnrow audit tells more)", lay_out_table(document["audits"], columns))
    if document["waiting_holdouts"]:
        columns = {"case_name": "case", "members": "members", "missing": "labels missing"}
        if any(row["restricted"] for row in document["waiting_holdouts"]):
            columns["restricted"] = "may not be asked about"
        yield from _head("Hold-outs that wait for labels", lay_out_table(document["waiting_holdouts"], columns))
    yield from _tell_night(document["last_night"])
    if document["findings"]:
        yield from _head("To look at (the limits of [watch])", _list_seen(document["findings"]))
    yield from _head("Last runs", _list_runs(document["runs"]))
    if document["scheduler"]:
        how = "running" if document["scheduler"] == "running" else "not running; start it: turnrow schedule"
        yield f"Scheduler: {how}"
    refused = document["quarantined_count"]
    yield f"Rows refused in the last 7 days: {refused:,}" + (
        " (their reasons are in the table quarantined_row)" if refused else ""
    )
    step = document["next"]
    yield f"Next: {make_harmless(step['what'])}: {make_harmless(step['command'])}"


def _tell_night(night: _Document | None) -> Iterable[str]:
    """Yield how the last night went and what it did, then what it left, each problem on its line."""
    if night is None:
        return
    did = ", ".join(
        f"{name.replace('_', ' ')} {count:,}"
        for name, count in night["counts"].items()
        if count and isinstance(count, int) and name not in _TOLD_APART
    )
    told = f"The last night ({show_time(night['started_at'])}) ended as {night['state']}"
    if night["error"]:
        left = [make_harmless(line) for line in night["error"].splitlines()]
        done = [] if night["state"] == "crashed" else [f"did: {did or 'nothing new'}"]
        yield from _head(f"{told} and left", [*left, *done])
    else:
        yield from _head(told, [did or "nothing new was there"])


def _list_seen(findings: Sequence[_Document]) -> list[str]:
    lines = [
        make_harmless(f"{row['watch']} {row['subject']} (since {show_time(row['found_at'])}): {row['message']}")
        for row in findings[:_FINDINGS_SHOWN]
    ]
    if len(findings) > _FINDINGS_SHOWN:
        lines.append(f'and {len(findings) - _FINDINGS_SHOWN} more: turnrow sql "select * from open_finding"')
    return lines


def _tell_outdated(attributes: Sequence[_Document]) -> Iterable[str]:
    """Yield a line an attribute whose labels were partly decided under an older guideline."""
    outdated = [row for row in attributes if row["outdated_labels"]]
    for row in outdated:
        share = row["outdated_labels"] / row["fix_labels"]
        yield (
            f"  {make_harmless(row['attribute'])}: {share:.0%} of "
            f"{count_things(row['fix_labels'], 'settled label')} under an older guideline: "
            f"turnrow queue renew {make_harmless(row['attribute'])}"
        )
    if outdated:
        yield ""


def _head(title: str, lines: Sequence[str]) -> list[str]:
    return [title, *indent(lines), ""]


def _list_cases(cases: Sequence[_Document], errors: Sequence[str]) -> list[str]:
    lines = [f"cannot be read: {make_harmless(error)}" for error in errors]
    if not cases:
        return [*lines, "none yet"]
    lines += lay_out_table(cases[:_CASES_SHOWN], _CASE_COLUMNS)
    if len(cases) > _CASES_SHOWN:
        lines.append(f"and {len(cases) - _CASES_SHOWN} more: turnrow case")
    return lines


def _list_open_fixes(fixes: Sequence[_Document]) -> list[str]:
    columns = {
        "attribute": "attribute",
        "reason": "asked because",
        "open_count": "open",
        "answered_count": "with an answer",
        "disputed_count": "with differing answers",
    }
    return lay_out_table(fixes, columns) if fixes else ["none"]


def _list_runs(runs: Sequence[_Document]) -> list[str]:
    columns = {"started": "started", "flow": "flow", "state": "state", "took": "took", "error": "error"}
    runs = [run | {"error": _shorten(run["error"])} for run in runs]
    shown = [
        run
        | {"flow": name_flow(run["flow"], json.loads(run["parameters"] or "{}"))}
        | {"started": show_time(run["started_at"]), "took": _measure(run)}
        for run in runs
    ]
    return lay_out_table(shown, columns) if shown else ["none yet"]


def _shorten(error: str | None) -> str | None:
    """Return an error's first line, and how many more there are."""
    return tell_first(error.splitlines()) if error else error


def _measure(run: _Document) -> str | None:
    """Return how long a run took; of one that crashed nobody knows, as it was closed later."""
    if run["ended_at"] is None or run["state"] == "crashed":
        return None
    taken = datetime.fromisoformat(run["ended_at"]) - datetime.fromisoformat(run["started_at"])
    return f"{taken.total_seconds():,.1f} s"


def print_findings(document: _Document) -> Iterable[str]:
    """Yield what was looked at: what is wrong first, then what may become so."""
    order = {"wrong": 0, "warning": 1, "fine": 2}
    for finding in sorted(document["findings"], key=lambda finding: order[finding["level"]]):
        yield f"{finding['level']:<7}  {make_harmless(finding['where'])}: {make_harmless(finding['what'])}"
        if finding["mend"]:
            yield f"         to do: {make_harmless(finding['mend'])}"
    levels = [finding["level"] for finding in document["findings"]]
    yield (
        f"{count_things(levels.count('wrong'), 'thing')} wrong, "
        f"{count_things(levels.count('warning'), 'warning')}, {levels.count('fine')} fine"
    )


def print_case(document: _Document) -> Iterable[str]:
    """Yield the list of cases, one case in full, a trial, or a state that was set."""
    if "cases" in document:
        yield from lay_out_table(document["cases"], _CASE_COLUMNS) if document["cases"] else ["no case yet"]
    elif "scope_count" in document:
        yield from _print_trial(document)
    elif "was" in document:
        change = "was so already" if document["was"] == document["state"] else f"was {document['was'] or 'new'}"
        yield f"{document['case_name']} is {document['state']} ({change})"
    else:
        yield from _print_full_case(document)


def _print_trial(document: _Document) -> Iterable[str]:
    yield f"{document['case_name']}: nothing was changed; with this file it would have"
    yield f"  {count_things(document['members_after'], 'member')}, now {document['members']:,}"
    yield f"  {document['gained']:,} gained, {document['lost']:,} lost" + (
        f" ({document['lost_without_flag']:,} of these have no live flag any more)"
        if document["lost_without_flag"]
        else ""
    )
    if document["scope_count"] is None:
        yield f"  scope: {make_harmless(document['scope_note'])}"
    else:
        yield f"  {count_things(document['scope_count'], 'served sample')} in its scope"
    if document["changes"]:
        columns = {
            "change": "change",
            "sample_id": "sample",
            "recording_id": "recording",
            "object_id": "object",
            "observed_at": "observed",
            "predicted": "predicted",
            "truth": "truth",
        }
        yield from ["", *_list_rows(document["changes"], columns)]


def _print_full_case(document: _Document) -> Iterable[str]:
    case = document["case"]
    yield f"{case['case']} ({case['attribute']}, severity {case['severity']}), from {make_harmless(case['path'])}"
    yield f"  {make_harmless(case['question'])}"
    yield f"  members: {make_harmless(case['members']['where'])}"
    yield f"  scope: {_describe_scope(case['scope'])}"
    yield ""
    if not document["counts"]:
        yield "not in the warehouse yet: turnrow flag"
        return
    yield from lay_out_table(
        [document["counts"]], {key: _CASE_COLUMNS[key] for key in _CASE_COLUMNS if key != "holdout"}
    )
    for title, key, columns in _CASE_PARTS:
        yield ""
        yield from _head(title, _list_rows(document[key], columns))[:-1]
    yield ""
    yield from _head("In service, by the random watch", print_case_in_service(document["service"]))[:-1]


def _list_rows(rows: Sequence[_Document], columns: dict[str, str]) -> list[str]:
    """Return a table of the rows, times to the second."""
    times = [{key: show_time(row[key]) for key in row if key.endswith("_at")} for row in rows]
    shown = [row | moments for row, moments in zip(rows, times, strict=True)]
    return lay_out_table(shown, columns) if shown else ["none"]


def _describe_scope(scope: _Document | None) -> str:
    if scope is None:
        return "likeness to members"
    parts = [make_harmless(scope["where"])] if scope["where"] else []
    if scope["similar_to"]:
        to = (
            "members" if isinstance(scope["similar_to"], str) else count_things(len(scope["similar_to"]), "sample")
        )
        parts.append(f"likeness to {to} of at least {show_value(scope['similarity_at_least'])}")
    return "; ".join(parts)


_CASE_PARTS: tuple[tuple[str, str, dict[str, str]], ...] = (
    (
        "States",
        "states",
        {"known_at": "since", "state": "state", "because": "because", "decided_by": "decided by"},
    ),
    (
        "Members by the rules that found them",
        "members",
        {"found_by": "rules", "member_count": "members", "flagged_count": "with a live flag"},
    ),
    ("Label fixes", "fixes", {"reason": "asked because", "outcome": "outcome", "fix_count": "fixes"}),
    (
        "Hold-outs",
        "holdouts",
        {
            "version": "version",
            "source": "from",
            "member_count": "members",
            "group_count": "groups",
            "is_frozen": "frozen",
            "holdout_id": "ID",
        },
    ),
    (
        "What the hold-outs can show: a gain of this size, or a loss that they can rule out",
        "limits",
        {
            "holdout": "hold-out",
            "about": "about",
            "members": "members",
            "groups": "groups",
            "reach": "can show",
            "wanted": "wanted",
            "groups_needed": "groups it takes",
            "attempts": "judged by it",
            "alpha": "next level",
        },
    ),
    (
        "Judged on them",
        "judgements",
        {
            "candidate": "candidate",
            "criterion": "criterion",
            "estimate": "estimate",
            "low": "low",
            "high": "high",
            "verdict": "verdict",
        },
    ),
)
