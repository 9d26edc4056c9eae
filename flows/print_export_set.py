"""What became of a training set that was given out, or of one that was taken in, as text for a person."""

from collections.abc import Iterable, Iterator
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless
from flows.print_results import tell_checks
from flows.tell_left_out import tell_left_out
from schemas.reasons import REASONS

_Document = dict[str, Any]


def print_export_set(document: _Document) -> Iterable[str]:
    """Yield what was written where, what it lacks, and what people must do before they give it away."""
    folder = make_harmless(document["folder"])
    done = "exported to" if document["is_new"] else "is in"
    known = "" if document["is_new"] else " already, byte for byte"
    yield f"{document['version']} {done} {folder}{known}"
    whole = "all its rows" if document["is_whole"] else "not whole: the digest is not the version's"
    yield f"  {count_things(document['row_count'], 'row')}, {whole}; digest {document['digest']}"
    if document["state"] != "passed":
        yield "  it FAILED its checks, and its description and datasheet say so"
    for part in document["withheld"]:
        why = REASONS.get(part["why"], part["why"])
        note = f" ({make_harmless(part['note'])})" if part["note"] else ""
        yield f"  {count_things(part['row_count'], 'row')} left out, {why}{note}"
    files = [{"file": name, "sha256": digest} for name, digest in document["files"].items()]
    yield from indent(lay_out_table(files, {"file": "file", "sha256": "SHA-256"}))
    yield "answer the lines marked OPEN in datasheet.md before the set leaves your hands"


def print_import_set(document: _Document) -> Iterable[str]:
    """Yield the version, and what became of every row of the file."""
    known = "" if document["is_new"] else ", as before"
    yield f"{document['version']}: {document['state']}{known}"
    yield f"  {count_things(document['row_count'], 'row')} of {document['rows_read']:,} read, all base rows"
    yield from _tell_others(document)
    yield from tell_left_out(document["left_out"])
    yield from tell_checks(document["checks"]) if document["checks"] else []


def _tell_others(document: _Document) -> Iterator[str]:
    for reason, count in document["refused"].items():
        yield f"  {count:,} refused: {make_harmless(reason)}; `turnrow sql` shows them in quarantined_row"
    if document["of_other_attributes"]:
        yield f"  {document['of_other_attributes']:,} of other attributes, pulled as well"
    if document["repeated"]:
        yield f"  {document['repeated']:,} repeated, further rows of a sample that was counted"
