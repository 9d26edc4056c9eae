"""A sample's life as text for a person: one screen, in the order of its life; times in UTC."""

from collections.abc import Iterable, Iterator
from textwrap import wrap
from typing import Any

from flows.lay_out_text import align, indent, lay_out_table, make_harmless, show_value
from flows.print_why_rows import (
    cut_lines,
    list_holdouts,
    list_questions,
    list_revisions,
    list_versions,
    show_moment,
    tell_label,
)

_Document = dict[str, Any]
_CAUTION = (
    "CAUTION: it is being asked about (see `open`). Keep this from whoever answers; answers so far are not shown."
)
_WIDTH = 115
_THINGS = {"sample": 0, "label": 1, "prediction": 2}


def print_why(document: _Document) -> Iterable[str]:
    """Yield a sample's life, or the samples that a text may mean."""
    if "matches" in document:
        return _list_matches(document)
    return _tell_life(document)


def _list_matches(document: _Document) -> Iterator[str]:
    rows = [{**row, "observed_at": show_moment(row["observed_at"], exact=True)} for row in document["matches"]]
    columns = {
        "sample_id": "sample",
        "attribute": "attribute",
        "recording_id": "recording",
        "object_id": "object",
        "observed_at": "seen (UTC)",
    }
    yield from lay_out_table(rows, columns)
    if document["match_count"] > len(rows):
        yield f"and {document['match_count'] - len(rows):,} more"


def _tell_life(document: _Document) -> Iterator[str]:
    yield from _tell_sample(document)
    if document["is_asked"]:
        yield _CAUTION
    yield from _title("Came in", _list_arrivals(document))
    yield from _title("Predictions", _list_predictions(document["predictions"]))
    yield from _title("Flags", _list_flags(document["flags"]))
    yield from _title("Failure cases", _list_cases(document["cases"]))
    yield from _title("Questions", list_questions(document["questions"]))
    yield from _title("Labels", list_revisions(document["revisions"]))
    yield from _title("Hold-outs", list_holdouts(document))
    yield from _title("Training sets", list_versions(document))
    yield from _tell_presence(document)


def _title(title: str, lines: Iterable[str]) -> Iterator[str]:
    """Yield a section, or nothing where there is nothing to say."""
    found = list(lines)
    if found:
        yield title
        yield from indent(found)


def _tell_sample(document: _Document) -> Iterator[str]:
    sample = document["sample"]
    seen = show_moment(sample["observed_at"], exact=True)
    unit = f", by {make_harmless(sample['unit_id'])}" if sample["unit_id"] else ""
    name = f"{make_harmless(sample['recording_id'])}/{make_harmless(sample['object_id'])}"
    yield f"sample {sample['sample_id']}: {make_harmless(sample['attribute'])} of {name}"
    yield f"  seen {seen}{unit}; all times are UTC"
    if sample["context"]:
        pairs = [f"{key} = {show_value(value)}" for key, value in sample["context"].items()]
        yield f"  context: {', '.join(make_harmless(pair) for pair in pairs)}"
    if sample["media_uri"]:
        yield f"  picture: {make_harmless(sample['media_uri'])}"
    yield f"  label: {tell_label(sample)}"


def _list_arrivals(document: _Document) -> Iterator[str]:
    lines = [
        [show_moment(row["known_at"]), _name_things(row["things"]), _name_file(row)]
        for row in document["arrivals"]
    ]
    yield from cut_lines(_align(lines))
    yield from cut_lines(
        [
            f"{show_moment(row['known_at'])}  refused: {make_harmless(str(row['source_uri']))}, row "
            f"{row['row_number']:,}: {make_harmless(row['reason'])}"
            for row in document["refused"]
        ]
    )


def _name_things(things: list[str]) -> str:
    ordered = sorted(things, key=lambda thing: (_THINGS.get(thing, len(_THINGS)), thing))
    return ", ".join(map(make_harmless, ordered))


def _name_file(row: _Document) -> str:
    return f"{make_harmless(str(row['source_uri']))}  ({row['batch_id']})"


def _list_predictions(rows: list[_Document]) -> Iterator[str]:
    lines = [
        [
            show_moment(row["predicted_at"]),
            make_harmless(row["model_version"]),
            row["role"],
            show_value(row["predicted"] if row["predicted"] is not None else row["predicted_value"]),
            "-" if row["confidence"] is None else f"{row['confidence']:.2f}",
            row["prediction_id"],
        ]
        for row in rows
    ]
    return cut_lines(_align(lines))


def _list_flags(rows: list[_Document]) -> Iterator[str]:
    lines = [
        [
            show_moment(row["known_at"]),
            make_harmless(row["rule"]),
            f"score {show_value(row['score'])}",
            f"of {make_harmless(str(row['model_version']))}",
            "lives" if row["is_live"] else _tell_lapse(row),
        ]
        for row in rows
    ]
    return cut_lines(_align(lines))


def _tell_lapse(row: _Document) -> str:
    since = f" on {show_moment(row['lapsed_at'])}" if row["lapsed_at"] else ""
    return f"lapsed{since}: {make_harmless(row['because'])}"


def _list_cases(rows: list[_Document]) -> Iterator[str]:
    return cut_lines([_tell_case(row) for row in rows])


def _tell_case(row: _Document) -> str:
    parts = []
    if row["member_since"]:
        member = "member" if row["is_member"] else "was a member"
        parts.append(f"{member} since {show_moment(row['member_since'])}, found by {_name_rules(row)}")
    if row["asked_as"]:
        parts.append(f"asked about it as {', '.join(row['asked_as'])}")
    return f"{make_harmless(row['case_name'])} ({row['state'] or 'not judged yet'}): {'; '.join(parts)}"


def _name_rules(row: _Document) -> str:
    return ", ".join(make_harmless(rule) for rule in row["found_by"].split(","))


def _tell_presence(document: _Document) -> Iterator[str]:
    presence = document["presence"]
    if presence is None:
        yield "There is no training set of its attribute yet"
        return
    name = f"{presence['version']} ({presence['state']}, as of {show_moment(presence['as_of'])})"
    if presence["is_in"]:
        yield f"In {name}"
        yield from indent([_tell_reserved_since(document)] if document["reservations"] else [])
        return
    yield f"Not in {name}"
    if presence["problem"]:
        yield from _wrap(presence["problem"])
    for place, reason in enumerate(presence["reasons"]):
        yield from _wrap(f"{'and ' if place else ''}{reason['words']} [{reason['why']}]")


def _wrap(text: str) -> Iterator[str]:
    """Yield a sentence on lines that a screen has."""
    yield from wrap(
        make_harmless(text), _WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False
    )


def _tell_reserved_since(document: _Document) -> str:
    first = document["reservations"][0]
    return (
        f"but its group was reserved for {make_harmless(first['case_name'])} on {show_moment(first['known_at'])}: "
        "the next version leaves it out"
    )


def _align(lines: list[list[str]]) -> list[str]:
    return align(lines, [False] * len(lines[0])) if lines else []
