"""Documents of `verify` and `diff` as text for people."""

from collections.abc import Iterable, Iterator
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless, show_time, show_value
from schemas.reasons import REASONS

_Document = dict[str, Any]
_CHANGE_LINES, _WHY_LINES, _LABEL_LINES, _SETTING_LINES = 12, 6, 5, 8  # so that a comparison fits on a screen

_CHANGES = {
    "in": "came in",
    "out": "went out",
    "relabelled": "got another label",
    "renamed": "keep their label under another name",
    "decided_anew": "keep their label, decided anew",
    "reweighted": "got another weight",
    "other_reason": "stand for another reason",
    "other_lineage": "name another group, case, fix or prediction",
    "features_gone": "have lost their features",
    "features_of_other_length": "have features of another length than most",
}
_MOVED = {
    "stored rows": "its stored rows were changed; the facts still give what was noted",
    "facts": "the facts it was made of are no longer what they were",
    "both": "neither its stored rows nor the facts it was made of are what they were",
    "features": "its rows agree with the facts, so features (or the noted digest) were changed",
    "lineage": "the digests agree, but rows name another group, case, fix or prediction than the facts do",
}
_TOLD_BOTH = ("relabelled", "renamed", "reweighted", "other_reason")  # changes whose two values say something


def print_verify(document: _Document) -> Iterable[str]:
    """Yield whether the version could be rebuilt, and if not, what differs."""
    version = document["version"]
    if document["is_equal"]:
        yield f"{version} was rebuilt exactly: digest {document['digest']}"
    elif document["is_erased"]:
        yield from _tell_erased(document)
    else:
        yield f"{version} could not be rebuilt: {_MOVED[document['moved']]}"
        sides = (("noted", "row_count", "digest"), ("stored", "stored_row_count", "rows_digest"))
        for name, count, digest in (*sides, ("rebuilt", "rebuilt_row_count", "rebuilt_digest")):
            yield f"  {name:<7}  {count_things(document[count], 'row')}, digest {document[digest]}"
        yield from _tell_differences(document)


def _tell_erased(document: _Document) -> Iterator[str]:
    rows, kept = document["erased_rows"], document["stored_row_count"] - document["erased_rows"]
    why = (
        f"rows of an erased recording ({rows:,} of {document['stored_row_count']:,} have lost their content)"
        if rows
        else "hold-out samples of an erased recording kept rows out of it"
    )
    yield f"{document['version']} cannot be rebuilt: {why}"
    if document["is_rest_equal"]:
        yield f"  the other {count_things(kept, 'row')} give what they gave" if rows else "  its rows are the same"
        return
    yield "  of the other rows, some because limits and near-duplicates counted what was erased:"
    yield from _tell_differences(document)


def _tell_differences(document: _Document) -> Iterator[str]:
    for row in document["differences"]:
        words = _CHANGES.get(row["change"], row["change"])
        ids = [str(sample_id) for sample_id in row["sample_ids"]]
        if row["change"] in _TOLD_BOTH:
            pairs = zip(ids, row["before"], row["after"], strict=True)
            ids = [f"{name} ({show_value(before)}, now {show_value(after)})" for name, before, after in pairs]
        told = _list_first(ids, row["row_count"])
        yield f"  rebuilt, {count_things(row['row_count'], 'sample')} {words}: {told}"
    for row in document["features"]:
        told = _list_first(row["sample_ids"], row["row_count"])
        yield f"  {count_things(row['row_count'], 'stored row')} {_CHANGES[row['change']]}: {told}"


def _list_first(names: list[str], count: int) -> str:
    return ", ".join(names) + (f" and {count - len(names):,} more" if count > len(names) else "")


def print_diff(document: _Document) -> Iterable[str]:
    """Yield the counts first, then why rows came and went, whose label changed, and what was set otherwise."""
    columns = {"version": "version", "row_count": "rows", "state": "checks", "moment": "as of", "relation": ""}
    sides = [{**document[side], "moment": show_time(document[side]["as_of"])} for side in ("old", "new")]
    sides[1]["relation"] = _tell_relation(document["steps"])
    yield from (line.rstrip() for line in lay_out_table([{"relation": "", **side} for side in sides], columns))
    yield f"{count_things(document['same_row_count'], 'row')} in both with the same label, weight and reason"
    yield from _tell_changes(document["changes"])
    yield from _tell_because(f"Came in; {document['old']['version']} lacks them", document["in_because"])
    yield from _tell_because(f"Went out; {document['new']['version']} lacks them", document["out_because"])
    yield from _tell_labels(document["relabelled"], document["examples"])
    yield from _tell_settings(document["settings"])


def _tell_relation(steps: int | None) -> str:
    if steps is None:
        return "not made from the other"
    return {0: "the same version", 1: "made from the other"}.get(
        steps, f"made from the other over {steps} versions"
    )


def _tell_changes(changes: list[_Document]) -> Iterator[str]:
    if not changes:
        return
    yield ""
    rows = [{**row, "change": _CHANGES.get(row["change"], row["change"])} for row in changes]
    columns = {"row_count": "rows", "change": "change", "reason": "reason", "case_name": "case"}
    yield from lay_out_table(rows[:_CHANGE_LINES], columns)
    yield from _tell_more(len(rows) - _CHANGE_LINES, "kind")


def _tell_because(heading: str, rows: list[_Document]) -> Iterator[str]:
    if not rows:
        return
    yield ""
    yield heading
    for row in rows[:_WHY_LINES]:
        note = f" ({make_harmless(row['note'])})" if row["note"] else ""
        yield f"  {row['row_count']:,} {REASONS.get(row['why'], row['why'])}{note}, as {row['sample_ids'][0]}"
    yield from _tell_more(len(rows) - _WHY_LINES, "reason")


def _tell_labels(relabelled: list[_Document], examples: list[_Document]) -> Iterator[str]:
    if relabelled:
        yield ""
        yield "Labels"
    for row in relabelled[:_LABEL_LINES]:
        sources = (("by_fix", "by label fixes"), ("by_file", "by files"), ("by_rename", "renamed"))
        told = ", ".join(f"{row[key]:,} {words}" for key, words in sources if row[key])
        yield f"  {show_value(row['before'])}, now {show_value(row['after'])}: {row['row_count']:,} ({told})"
    yield from _tell_more(len(relabelled) - _LABEL_LINES, "pair")
    shown = [row for row in examples if row["change"] == "relabelled"]
    if shown:
        columns = {"sample_id": "sample", "before": "before", "after": "now", "origin": "origin"}
        yield from indent(lay_out_table(shown, {**columns, "decided_by": "decided by", "fix_id": "fix"}))


def _tell_settings(settings: dict[str, list[Any]]) -> Iterator[str]:
    if settings:
        yield ""
        yield "Composed otherwise"
    for name, (before, after) in list(settings.items())[:_SETTING_LINES]:
        if isinstance(before or after, list):
            yield from _tell_tables(name, before or [], after or [])
        else:
            yield f"  {name}: {show_value(before)}, now {show_value(after)}"
    yield from _tell_more(len(settings) - _SETTING_LINES, "setting")


def _tell_tables(name: str, before: list[_Document], after: list[_Document]) -> Iterator[str]:
    for words, rows, others in (("no longer", before, after), ("now", after, before)):
        for row in (row for row in rows if row not in others):
            yield f"  {name}, {words}: " + ", ".join(f"{key} = {show_value(row[key])}" for key in sorted(row))


def _tell_more(count: int, thing: str) -> Iterator[str]:
    if count > 0:
        yield f"  and {count_things(count, thing)} more (--json)"
