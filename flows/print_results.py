"""Documents of the commands that change something as text for people; and JSON for scripts."""

import json
from collections.abc import Iterable, Iterator
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless, show_time, show_value
from flows.tell_left_out import tell_left_out, tell_notes

_Document = dict[str, Any]


def print_json(document: _Document) -> Iterator[str]:
    """Yield one JSON document in pieces, ASCII throughout; the rows of a query are never all in memory."""
    if "rows" not in document or isinstance(document["rows"], list):
        yield json.dumps(document, indent=2, allow_nan=False) + "\n"
        return
    columns = document["columns"]
    yield f'{{"columns": {json.dumps(columns)},\n "rows": ['
    separator = "\n"
    for row in document["rows"].read_rows():
        yield f"{separator}  {json.dumps(dict(zip(columns, row, strict=True)))}"
        separator = ",\n"
    yield "]}\n"


def print_init(document: _Document) -> Iterable[str]:
    """Yield what was made, and what to do in it."""
    yield f"{make_harmless(document['folder'])} is a loop folder; write your labels into its turnrow.toml"


def print_demo(document: _Document) -> Iterable[str]:
    """Yield where the demo is."""
    yield f"{make_harmless(document['folder'])} holds the demo; all of its data are invented"


def print_pull(document: _Document) -> Iterable[str]:
    """Yield a line a file."""
    if not document["files"]:
        yield "no file matches [pull] in turnrow.toml"
        return
    columns = {
        "path": "file",
        "kind": "kind",
        "rows_read": "rows read",
        "rows_kept": "kept",
        "rows_duplicate": "known already",
        "rows_quarantined": "refused",
        "is_known": "file known",
    }
    read = [_tell_file(file) for file in document["files"] if not file["error"]]
    yield from lay_out_table(read, columns) if read else []
    refused = sum(file["rows_quarantined"] for file in read if not file["is_known"])
    if refused:
        yield f"{count_things(refused, 'row')} refused; their reasons are in the table quarantined_row"


def _tell_file(file: _Document) -> _Document:
    """Return a file's row; of one that was known before only that, since nothing of it was taken in again."""
    counts = ("rows_read", "rows_kept", "rows_duplicate", "rows_quarantined")
    return file | dict.fromkeys(counts) if file["is_known"] else file


def print_flag(document: _Document) -> Iterable[str]:
    """Yield how many flags, members and questions came."""
    yield f"{count_things(document['samples'], 'sample')} looked at"
    yield f"{count_things(document['flagged'], 'misprediction')} flagged, {document['lapsed']:,} lapsed"
    for name, count in document["cases"].items():
        yield f"  {name}: {count_things(count, 'new member')}"
    yield f"{count_things(document['asked'], 'label fix', 'label fixes')} queued"


def print_mine(document: _Document) -> Iterable[str]:
    """Yield what was queued for a case."""
    yield (
        f"{document['case_name']}: {document['mined']:,} like its members and {document['look_alikes']:,} "
        f"that look alike but are predicted otherwise queued; {document['budget_left']:,} of the budget left"
    )


def print_export(document: _Document) -> Iterable[str]:
    """Yield how many questions went out."""
    blind = "with predictions and reasons" if document["is_open"] else "blind"
    fixes = count_things(document["fixes"], "label fix", "label fixes")
    yield f"{fixes} written to {make_harmless(document['file'])}, {blind}"
    if not document["fixes"]:
        yield "nothing is left for this: all is answered, held by others, or for people who had no part in it"
    elif document["leased_until"]:
        yield f"{make_harmless(document['annotator'])} has them until {show_time(document['leased_until'])}"
    for held in document["held_by_others"]:
        out = count_things(held["questions"], "label fix is", "label fixes are")
        yield f"{out} out with {make_harmless(held['holder'])} until {show_time(held['until'])}"


def print_import(document: _Document) -> Iterable[str]:
    """Yield what became of the answers, and why any were refused."""
    yield (
        f"{count_things(document['rows_read'], 'answer')} read: {document['rows_kept']:,} kept, "
        f"{document['rows_duplicate']:,} known already, {document['rows_quarantined']:,} refused"
    )
    if document["rows_taken_back"]:
        yield f"  {count_things(document['rows_taken_back'], 'row')} taken back within the file"
    yield from lay_out_refused(document["refused"])


def lay_out_refused(refused: list[_Document]) -> list[str]:
    """Return a line a refused row."""
    return [f"  row {row['row_number']:,}: {make_harmless(row['reason'])}" for row in refused]


def print_settle(document: _Document) -> Iterable[str]:
    """Yield how the fixes ended."""
    yield (
        f"{count_things(document['settled'], 'label fix', 'label fixes')} settled, "
        f"{document['ambiguous']:,} ambiguous, {document['unusable']:,} unusable"
    )
    if document["carried"] or document["withdrawn"]:
        yield (
            f"{count_things(document['carried'], 'label')} carried along a track, "
            f"{count_things(document['withdrawn'], 'question')} thereby withdrawn"
        )
    if document["lots"]:
        yield from tell_lots(document["lots"])
    yield from tell_frozen(document)


def tell_frozen(document: _Document) -> Iterator[str]:
    """Yield a line a hold-out that froze, and without how many members."""
    for holdout_id in document["frozen_holdouts"]:
        without = document["frozen_without"].get(holdout_id)
        if without:
            members = count_things(without, "member")
            yield f"hold-out {holdout_id} is frozen, {members} left out: a [[restriction]] forbids to ask"
        else:
            yield f"hold-out {holdout_id} is full and frozen"


def tell_lots(counts: _Document) -> list[str]:
    """Return what became of the lots of settled fixes, in one or two lines."""
    lines = [
        f"{count_things(counts['formed'], 'lot')} formed, {counts['passed']:,} passed, {counts['failed']:,} failed"
    ]
    if counts["asked_anew"]:
        lines.append(
            f"{count_things(counts['asked_anew'], 'label fix', 'label fixes')} asked anew of other people"
        )
    return lines


def print_holdout(document: _Document) -> Iterable[str]:
    """Yield the hold-out, and what it still lacks; or what it would be."""
    if "is_dry_run" in document:
        yield from _print_holdout_trial(document)
        return
    yield (
        f"{make_harmless(document['case_name'])}, version {document['version']}: hold-out "
        f"{document['holdout_id']} of {count_things(document['members'], 'member')}"
    )
    yield from _tell_not_drawn(document["left_out"])
    is_stuck = 0 < document["missing"] == document["restricted"]
    asked = document["missing"] - document["unaudited"]
    if asked and not is_stuck:
        yield f"{count_things(asked, 'label')} missing; their questions are queued"
    if document["unaudited"]:
        yield f"{count_things(document['unaudited'], 'label')} in no lot that has passed its audit: turnrow audit"
    if document["restricted"]:
        members = count_things(document["restricted"], "member")
        lift = "; nothing else is there to judge by: lift it, or draw others with --grow" if is_stuck else ""
        yield f"{members} left out of what is waited for, which a [[restriction]] forbids to ask about{lift}"
    if not document["missing"]:
        without = document["unlabelled"]
        yield (
            f"it is frozen, {without:,} of them without a label"
            if without
            else "every label is there; it is frozen"
        )
    if document["seen"]:
        yield (
            f"{document['seen']:,} of them belong to groups that the incumbent was trained on, or are "
            "near-duplicates of its rows, and judge nothing"
        )
    reserved, free = document["reserved_groups"], document["free_groups"]
    yield f"{count_things(reserved, 'group')} reserved for hold-outs in all, {free:,} left to train on and to mine"
    if document["warning"]:
        yield f"warning: {make_harmless(document['warning'])}"
    if free < reserved:
        yield "warning: more is kept for testing than is left to learn from; pull more logs before you train"


def _print_holdout_trial(document: _Document) -> Iterator[str]:
    name, truth = make_harmless(document["case_name"]), make_harmless(document["truth"])
    if not document["is_new"]:
        yield f"{name}: nothing would be drawn: its hold-out is what is asked for"
        return
    members, labelled = document["members"], document["labelled"]
    yield f"{name}: would hold {count_things(members, 'member')}, {members - labelled:,} of them not labelled yet"
    yield from _tell_not_drawn(document["left_out"])
    if truth:
        called = document["called_truth"]
        yield (
            f"its figure counts {truth}: {document['of_truth']:,} of them are known to be, and {called:,} without "
            "a label were called so"
        )
    yield (
        f"{count_things(document['new_groups'], 'group')} more would be reserved for ever, "
        f"{document['free_groups']:,} be left to train on and to mine"
    )
    if document["warning"]:
        yield f"warning: {make_harmless(document['warning'])}"
    yield "nothing was drawn"


def _tell_not_drawn(left_out: dict[str, int]) -> Iterator[str]:
    """Yield what stood in the scope and was not drawn, a line a reason."""
    words = {
        "restricted": "without a label, which a [[restriction]] forbids to ask for",
        "near_duplicate": "too near to a row that the incumbent was trained on, with the rest of their tracks",
    }
    for why, count in left_out.items():
        yield f"  {count:,} left out, {words[why]}"


def print_assemble(document: _Document) -> Iterable[str]:
    """Yield the version, where its rows come from, and its checks."""
    name = document["version"] or "a dry run, nothing stored"
    known = "" if document["is_new"] or not document["version"] else ", as before"
    yield f"{name}: {document['state']}{known}"
    reasons = [f"{count:,} {reason}" for reason, count in document["rows_by_reason"].items()]
    yield f"  {count_things(document['row_count'], 'row')}: {', '.join(reasons) or 'none'}"
    yield from tell_left_out(document["left_out_by_why"])
    yield from tell_notes(document)
    failed = [check for check in document["checks"] if not check["passed"]]
    if failed and not document["version"]:
        names = ", ".join(f"{check['check_name']} ({check['requirement']})" for check in failed)
        yield f"  would not pass: {names}"
    yield from tell_checks(document["checks"])


def tell_checks(checks: list[_Document]) -> list[str]:
    """Return a table of checks."""
    columns = {
        "check_name": "check",
        "requirement": "kind",
        "passed": "passed",
        "failing_count": "failing",
        "observed": "observed",
    }
    return indent(lay_out_table(checks, columns))


def print_verdict(document: _Document) -> Iterable[str]:
    """Yield the verdict and what it rests on."""
    yield f"{document['model'] or 'no model'}, training set {document['training_set']}: {document['verdict']}"
    if document.get("reason"):
        yield f"  {make_harmless(document['reason'])}"
    yield f"  control: {show_value(document['control_model'])}"
    if document.get("report"):
        yield f"  report: {make_harmless(document['report'])}"
    columns = {
        "criterion": "criterion",
        "baseline": "against",
        "estimate": "estimate",
        "low": "low",
        "high": "high",
        "margin": "margin",
        "p_value": "p",
        "verdict": "verdict",
        "reason": "because",
    }
    yield from indent(lay_out_table(document["criteria"], columns) if document["criteria"] else [])


def print_predict(document: _Document) -> Iterable[str]:
    """Yield how many predictions were written."""
    yield (
        f"{count_things(document['predictions'], 'prediction')} of {make_harmless(document['model'])} written "
        f"to {make_harmless(document['file'])}"
    )


def print_import_model(document: _Document) -> Iterable[str]:
    """Yield which model is the incumbent now."""
    yield f"{make_harmless(document['model'])} is the incumbent of {document['attribute']}"
    if document.get("trained_on"):
        yield f"  it learned from {document['trained_on']}: hold-outs keep away from its groups"


def print_sign_off(document: _Document) -> Iterable[str]:
    """Yield the decision and the cautions that belong to it."""
    done = {"accept": "accepted: it is the incumbent now", "refuse": "refused"}[document["decision"]]
    against = ""
    if document["against_verdict"]:
        is_old = document["verdict"] == "passed"
        against = ", on a verdict that is out of date" if is_old else ", against the verdict"
    yield f"{make_harmless(document['model_version'])} {done}{against}"
    reason = f": {make_harmless(document['reason'])}" if document["reason"] else ""
    yield f"  the gate's verdict: {show_value(document['verdict'])}{reason}"
    for name, state in document["cases"].items():
        yield f"  {make_harmless(name)} is {state}: turnrow case {make_harmless(name)} tells why"
    yield from document["cautions"]


def print_nightly(document: _Document) -> Iterable[str]:
    """Yield what the night did, what is not due yet, and the verdicts of its rounds."""
    yield f"nightly: {document['state']}"
    for name, value in document["counts"].items():
        yield f"  {name.replace('_', ' ')}: {show_value(value)}"
    for line in document["findings"]:
        yield f"look at: {make_harmless(line)}"
    for line in document["waiting"]:
        yield f"not due yet: {make_harmless(line)}"
    if document["unjudged"]:
        yield f"not to be judged yet: {'; '.join(make_harmless(line) for line in document['unjudged'])}"
    for done in document["rounds"]:
        yield f"round of {done['attribute']}: {done['verdict']}, {make_harmless(done['reason'])}"


def print_backfill(document: _Document) -> Iterable[str]:
    """Yield what a backfill added, or would add."""
    would = "would add" if document["is_dry_run"] else "added"
    yield (
        f"{document['case_name']}: {count_things(document['samples'], 'sample')} looked at in "
        f"{count_things(document['partitions'], 'part')} of the history, {document['unchanged']:,} unchanged"
    )
    flags, members = count_things(document["flags"], "flag"), count_things(document["members"], "member")
    yield f"  {would} {flags} and {members}"
    if not document["files"]:
        return
    if not document["is_dry_run"]:
        yield from print_pull(document)
        return
    columns = {
        "path": "file",
        "rows": "rows",
        "refused": "refused",
        "predictions": "new to this backfill",
        "is_known": "file known",
    }
    read = [file for file in document["files"] if not file["error"]]
    yield from lay_out_table(read, columns) if read else []
    yield "the files were only read: which of their predictions would match is known once they are pulled"
