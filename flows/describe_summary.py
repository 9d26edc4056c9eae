"""The flows' summaries as Markdown, as a run shows them beside its state."""

import re
from collections.abc import Iterable, Mapping

from flows.backfill import BackfillSummary
from flows.nightly import NightlySummary
from flows.round import RoundSummary

_SIGN, _ESCAPED = re.compile(r"([\\`*_\[\]<>|#~&])"), r"\\\1"
_LISTED = ("problems", "findings", "new_findings", "rounds")  # each stands in a list of its own


def describe_nightly(summary: NightlySummary) -> str:
    """Return how a night went, in a sentence; then what it left, what it started, what is not due, what it did."""
    rest = "; all the rest was done" if summary.problems else ""
    parts = [f"# Nightly: {summary.state}", f"{tell_night(summary).capitalize()}{rest}."]
    parts += _list_lines("Left", (str(problem) for problem in summary.problems))
    parts += _list_lines("To look at", (str(finding) for finding in summary.findings))
    parts += _list_lines("Rounds", (f"{done.attribute}: {done.verdict}" for done in summary.rounds))
    parts += _list_lines("Not due yet", (str(problem) for problem in summary.waiting))
    parts += _list_lines("Not to be judged yet", summary.unjudged)
    did = {name: count for name, count in summary.counts.items() if count and name not in _LISTED}
    return "\n\n".join([*parts, "## Done", _list_counts(did) if did else "Nothing new was there."])


def tell_night(summary: NightlySummary) -> str:
    """Return a sentence: what was left and what is to be looked at, or that there is nothing of it."""
    count = len(summary.problems)
    left = [f"{count} problem{'' if count == 1 else 's'} left"] if count else []
    found = [f"{len(summary.findings)} to look at"] if summary.findings else []
    return ", ".join([*left, *found]) or "nothing was left"


def describe_round(summary: RoundSummary) -> str:
    """Return what a round trained, its verdict and every criterion of it."""
    parts = [f"# Round of {summary.attribute}: {summary.verdict}", _list_counts(summary.counts)]
    parts += _list_lines("Why", [summary.reason])
    parts += _list_lines("Report", [summary.report or "", *summary.problems])
    criteria = (f"{c.criterion}: {c.verdict}, {c.reason}" for c in summary.criteria)
    return "\n\n".join(parts + _list_lines("Criteria", criteria))


def describe_backfill(summary: BackfillSummary) -> str:
    """Return what a backfill left and added."""
    parts = [f"# Backfill of {summary.case_name}", *_list_lines("Left", summary.errors)]
    return "\n\n".join([*parts, _list_counts(summary.counts)])


def _list_counts(counts: Mapping[str, object]) -> str:
    rows = [f"| {name.replace('_', ' ')} | {_show(value)} |" for name, value in counts.items()]
    return "\n".join(["| what | how many |", "| --- | --- |", *rows])


def _list_lines(title: str, lines: Iterable[str]) -> list[str]:
    """Return a titled list of lines, or nothing; what users wrote is no Markdown, so its signs are escaped."""
    shown = [f"- {_SIGN.sub(_ESCAPED, ' '.join(line.split()))}" for line in lines if line]
    return [f"## {title}", "\n".join(shown)] if shown else []


def _show(value: object) -> str:
    return "-" if value is None else str(value)
