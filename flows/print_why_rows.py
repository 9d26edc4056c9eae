"""What was asked about a sample, what it was labelled, where it went: the parts of `why` about single rows."""

from collections.abc import Iterator, Sequence
from typing import Any

from flows.lay_out_text import count_things, indent, make_harmless, show_value

_Document = dict[str, Any]
_SHOWN = 6
_QUESTIONS_SHOWN = 4
_HASH_SHOWN = 8
_ANSWERS_A_LINE = 3


def list_questions(rows: list[_Document]) -> Iterator[str]:
    """Yield the latest questions: why each was asked, who answered what, how it ended."""
    shown = rows[-_QUESTIONS_SHOWN:]
    yield from _tell_earlier(len(rows) - len(shown))
    for row in shown:
        yield from _tell_question(row)


def _tell_earlier(count: int) -> Iterator[str]:
    if count:
        yield f"{count_things(count, 'earlier one')} (all of them with --json)"


def _tell_question(row: _Document) -> Iterator[str]:
    asked = show_moment(row["known_at"])
    under = _tell_guideline(row, ", under ")
    yield f"{asked}  {_name_question(row)}  ({row['fix_id']})"
    if row["is_open"]:
        yield f"  open{under}; {count_things(row['answer_count'], 'answer')} so far, hidden"
        return
    answers = [_tell_answer(answer) for answer in row["answers"]]
    for start in range(0, len(answers), _ANSWERS_A_LINE):
        yield f"  {'; '.join(answers[start : start + _ANSWERS_A_LINE])}"
    yield f"  {_tell_end(row)}{under}"


def _name_question(row: _Document) -> str:
    if row["kind"] == "known":
        return "a known item: a test of whoever answers"
    if row["kind"] == "audit":
        return f"an audit of {row['audited_fix_id']}, lot {row['lot_id']}"
    wanted = sorted({(r["case_name"], r["reason"]) for r in row["requests"] if r["case_name"]})
    cases = ", ".join(make_harmless(name) + ("" if why == row["reason"] else f" ({why})") for name, why in wanted)
    reason = _REASONS.get(row["reason"], row["reason"])
    return f"attempt {row['attempt']}, asked as {reason}{f' for {cases}' if cases else ''}"


_REASONS = {
    "holdout": "part of the hold-out",
    "look_alike": "a look-alike",
    "second_look": "a second look",
    "guideline": "decided under an older guideline",
    "watch": "part of the random watch",
}


def _tell_answer(answer: _Document) -> str:
    when = f", {show_moment(answer['answered_at'])}" if answer["answered_at"] else ""
    saw = ", saw the prediction" if answer["saw_prediction"] else ""
    note = f" “{make_harmless(answer['note'])}”" if answer["note"] else ""
    return f"{make_harmless(answer['annotator'])}: {make_harmless(answer['answer'])}{when}{saw}{note}"


def _tell_end(row: _Document) -> str:
    if row["kind"] == "audit":
        return f"its lot {row['lot_verdict']}"
    ends = [
        f"{_OUTCOMES.get(end['outcome'], end['outcome'])} {show_moment(end['known_at'])}"
        for end in row["outcomes"]
    ]
    lot = f"; lot {row['lot_id']} {row['lot_verdict'] or 'waits for its audit'}" if row["lot_id"] else ""
    return f"{', then '.join(ends)}{lot}"


_OUTCOMES = {"lot_failed": "its lot failed"}


def _tell_guideline(row: _Document, before: str) -> str:
    if row["guideline_sha256"] is None:
        return ""
    kind = "the present guideline" if row["is_present_guideline"] else "an older guideline"
    return f"{before}{kind} {row['guideline_sha256'][:_HASH_SHOWN]}"


def list_revisions(rows: list[_Document]) -> Iterator[str]:
    """Yield the latest label revisions: by whom, when, from where, and whether each counts."""
    shown = rows[-_SHOWN:]
    yield from _tell_earlier(len(rows) - len(shown))
    for row in shown:
        yield from _tell_revision(row)


def _tell_revision(row: _Document) -> Iterator[str]:
    given = row["label_as_given"]
    renamed = f" (given as {make_harmless(given)})" if given != row["label"] else ""
    people = f" ({make_harmless(row['decided_by'])})" if row["decided_by"] else ""
    who = f"by a {row['origin']}{people}"
    known = show_moment(row["known_at"])
    yield f"{known}  {_show_label(row)}{renamed} {who}: {_tell_state(row)}  ({row['revision_id']})"
    decided = (
        f"decided {show_moment(row['decided_at'])}" if row["decided_at"] else "nobody said when it was decided"
    )
    source = f", from {make_harmless(str(row['source_uri']))}" if row["batch_id"] else ""
    carried = f", carried along its track from {row['fix_id']}" if row["is_carried"] else ""
    yield f"  {decided}{source}{carried}{_tell_guideline(row, ', under ')}"


def _tell_state(row: _Document) -> str:
    if row["state"] == "replaced":
        return f"replaced by {row['replaced_by']}"
    since = f" {show_moment(row['ended_at'])}" if row["ended_at"] else ""
    return f"{_STATES.get(row['state'], row['state'])}{since}"


_STATES = {
    "counts": "counts",
    "disputed": "does not count while its label is disputed",
    "outranked": "does not count, another comes first",
    "lot_failed": "counts no longer, its lot failed",
    "withdrawn": "counts no longer, withdrawn",
}


def list_holdouts(document: _Document) -> Iterator[str]:
    """Yield the hold-outs that it is a member of, and those that only its group is reserved for."""
    yield from cut_lines([_tell_holdout(row) for row in document["holdouts"]])
    if document["group_problem"]:
        yield f"its group cannot be told: {make_harmless(document['group_problem'])}"
    own = {row["case_name"] for row in document["holdouts"]}
    others = [row for row in document["reservations"] if row["case_name"] not in own]
    if others:
        told = ", ".join(f"{make_harmless(r['case_name'])} since {show_moment(r['known_at'])}" for r in others)
        yield f"its group {make_harmless(document['group_id'])} is reserved for {told}; itself it is no member"


def _tell_holdout(row: _Document) -> str:
    share = row["inclusion_probability"]
    drawn = "" if share is None else f", drawn with probability {share:.3g}"
    seen = ", seen by the incumbent: counts in no criterion" if row["is_seen"] else ""
    if not row["frozen_at"]:
        end = "not frozen yet"
    else:
        label = f"with label {make_harmless(row['label'])}" if row["label"] else "without a label"
        end = f"frozen {show_moment(row['frozen_at'])} {label}"
    return (
        f"{show_moment(row['drawn_at'])}  {make_harmless(row['case_name'])} version {row['version']}, stratum "
        f"{row['stratum']}{drawn}{seen}; {end}"
    )


def list_versions(document: _Document) -> Iterator[str]:
    """Yield the latest training sets that hold it, with the models trained on each; and checks that name it."""
    shown = document["versions"][-_SHOWN:]
    yield from _tell_earlier(len(document["versions"]) - len(shown))
    for row in shown:
        cases = f" for {', '.join(map(make_harmless, row['case_names']))}" if row["case_names"] else ""
        weight = f"weight {row['weight']:g}"
        yield f"{row['version']} ({row['state']}): {_show_label(row)}, {weight}, {row['reason']}{cases}"
        yield from indent(
            [*_tell_since(document, row), *cut_lines([_tell_model(model) for model in row["models"]])]
        )
    yield from cut_lines([_tell_failure(row) for row in document["check_failures"]])


def _tell_failure(row: _Document) -> str:
    return f"the check {row['check_name']} ({row['requirement']}) of {row['version']} names it"


def _tell_model(row: _Document) -> str:
    return f"trained on it: {make_harmless(row['model_version'])}, {_tell_role(row)}"


def _tell_role(row: _Document) -> str:
    if row["is_incumbent"]:
        return f"{row['role']}, in service"
    return str(row["role"]) + {"accept": ", accepted", "refuse": ", refused"}.get(row["decision"], "")


def _tell_since(document: _Document, row: _Document) -> Iterator[str]:
    """Yield where a row's label counts no longer as it stands in the set."""
    if row["revision_id"] != document["sample"]["revision_id"]:
        yield f"its label by now: {tell_label(document['sample'])}"


def tell_label(sample: _Document) -> str:
    """Return a sample's label, or why it has none."""
    if sample["revision_id"] is not None:
        return _show_label(sample)
    if sample["disputed_because"] is None:
        return "none"
    return f"none: {_NO_LABEL.get(sample['disputed_because'], sample['disputed_because'])}"


_NO_LABEL = {
    "ambiguous": "its latest question ended as ambiguous",
    "unusable": "its latest question ended as unusable",
    "labels disagree": "its labels disagree, and none was decided later",
}


def _show_label(row: _Document) -> str:
    return show_value(row["label"] if row["label"] is not None else row["label_value"])


def cut_lines(lines: Sequence[str]) -> Iterator[str]:
    """Yield so many lines that the whole stays on a screen: the first and, where too many, the last ones."""
    if len(lines) <= _SHOWN:
        yield from lines
        return
    yield from lines[: _SHOWN // 2]
    yield f"… {count_things(len(lines) - _SHOWN + 1, 'line')} more (all of them with --json)"
    yield from lines[1 - _SHOWN // 2 :]


def show_moment(text: str | None, *, exact: bool = False) -> str:
    """Return an ISO time of a document in UTC to the second, with `exact` all of it."""
    if not text:
        return "-"
    shown = text.replace("T", " ").removesuffix("Z")
    if not exact:
        return shown[:19]
    return shown.rstrip("0") if "." in shown else shown
