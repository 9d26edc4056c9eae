"""Documents of the commands about answers as text for people: who answers how well, what is asked again."""

from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless

_Document = dict[str, Any]
_FIXES_SHOWN = 20

_PEOPLE = {
    "annotator": "annotator",
    "answer_count": "answers",
    "without_label_count": "without a label",
    "saw_prediction_count": "saw the prediction",
    "median_seconds": "median s",
    "known": "known items right",
    "accuracy_text": "accuracy (95 %)",
    "rated_count": "rated on",
    "floor_text": "",
}
_PAIRS = {
    "first": "annotator",
    "second": "and",
    "question_count": "questions",
    "equal_text": "same label",
    "cohen_text": "Cohen's kappa",
}
_AGREEMENT = {
    "scope": "questions of",
    "question_count": "questions",
    "annotator_count": "annotators",
    "equal_text": "same label",
    "alpha_text": "Krippendorff's alpha",
    "fleiss_text": "Fleiss' kappa",
}
_CHANGES = {
    "fix_id": "fix",
    "label": "label",
    "decided_by": "decided by",
    "without_them": "without them",
}


def print_annotators(document: _Document) -> Iterable[str]:
    """Yield a part an attribute: people, pairs, agreement, and what rests on those below the floor."""
    for report in document["attributes"]:
        yield report["attribute"]
        if not report["annotators"]:
            yield from ["  nobody has answered yet", ""]
            continue
        yield from indent(lay_out_table([_tell_person(row) for row in report["annotators"]], _PEOPLE))
        for title, rows, columns in (
            ("Agreement", [_tell_agreement(row) for row in report["agreement"]], _AGREEMENT),
            ("Pairs", [_tell_pair(row) for row in report["pairs"]], _PAIRS),
        ):
            if rows:
                yield from ["", *indent([title, *indent(lay_out_table(rows, columns))])]
        yield from _tell_changes(report, document["annotator_floor"])
        yield ""


def _tell_person(row: _Document) -> _Document:
    known = f"{row['known_right_count']:,} of {row['known_count']:,}" if row["known_count"] else None
    accuracy = None
    if row["accuracy"] is not None and not row["is_rated_enough"]:
        accuracy = "too few rated"
    elif row["accuracy"] is not None:
        accuracy = f"{row['accuracy']:.1%} ({row['low']:.1%} to {row['high']:.1%})"
    floor = "below the floor" if row["is_below_floor"] else ""
    return row | {"known": known, "accuracy_text": accuracy, "floor_text": floor}


def _tell_agreement(row: _Document) -> _Document:
    fleiss = None
    if row["fleiss_kappa"] is not None:
        fleiss = f"{row['fleiss_kappa']:.2f} ({row['fleiss_raters']} each, {row['fleiss_questions']:,} questions)"
    return row | {
        "scope": "all" if row["case_name"] is None else row["case_name"],
        "equal_text": None if row["share_equal"] is None else f"{row['share_equal']:.1%}",
        "alpha_text": _round(row["krippendorff_alpha"]),
        "fleiss_text": fleiss,
    }


def _tell_pair(row: _Document) -> _Document:
    return row | {"equal_text": f"{row['share_equal']:.1%}", "cohen_text": _round(row["cohen_kappa"])}


def _round(value: float | None) -> str | None:
    return None if value is None else f"{value:.2f}"


def _tell_changes(report: _Document, floor: float) -> Iterable[str]:
    below = [make_harmless(row["annotator"]) for row in report["annotators"] if row["is_below_floor"]]
    if not below:
        return
    changes = report["would_change"]
    yield ""
    yield (
        f"  Below the floor of {floor:.0%}: {', '.join(below)}. Without them "
        f"{count_things(len(changes), 'settled label')} would not stand as now"
        + ("; ask them again with `turnrow audit`, or in a second look:" if changes else ".")
    )
    yield from indent(lay_out_table(changes[:_FIXES_SHOWN], _CHANGES), 4) if changes else ()
    if len(changes) > _FIXES_SHOWN:
        yield f"    and {len(changes) - _FIXES_SHOWN:,} more (--json lists all)"


def print_renew(document: _Document) -> Iterable[str]:
    """Yield what is asked again under the present guideline."""
    yield (
        f"{document['attribute']}: {count_things(document['asked_again'], 'label')} of an older guideline asked "
        f"again, {count_things(document['withdrawn'], 'open question')} started anew"
    )
    if document["outdated_left"]:
        yield f"{count_things(document['outdated_left'], 'label')} more wait for a later run"
