"""The document of `audit` as text for people: how the lots of each source of answers stand."""

from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless
from flows.print_results import tell_frozen, tell_lots

_Document = dict[str, Any]

_COLUMNS = {
    "lot_number": "lot",
    "lot_id": "id",
    "lot_size": "fixes",
    "inspection": "inspection",
    "sample_size": "sample",
    "accept_at_most": "wrong allowed",
    "wrong_count": "wrong",
    "to_answer": "to answer",
    "verdict": "verdict",
}


def print_audit(document: _Document) -> Iterable[str]:
    """Yield what was done, then each attribute and source: its lots and what waits for a person."""
    for attribute in document["resumed"]:
        yield f"inspection of {make_harmless(attribute)} resumed, tightened"
    yield from tell_lots(document)
    yield from tell_frozen(document)
    if not document["sources"]:
        yield "no label fix has settled yet"
    for source in document["sources"]:
        yield from _tell_source(source)


def _tell_source(source: _Document) -> Iterable[str]:
    name = f"{make_harmless(source['attribute'])}, decided by {make_harmless(source['source'])}"
    gathered = count_things(source["in_no_lot"], "settled fix", "settled fixes")
    yield f"{name}: next lot {source['inspection']}, {gathered} in no lot yet"
    yield from indent(lay_out_table(source["lots"], _COLUMNS) if source["lots"] else [])
    for lot in source["lots"]:
        if lot["unaskable"]:
            yield _tell_unaskable(lot)
    if source["is_held_up"]:
        yield (
            "  inspection is discontinued: too many lots have failed; look at how these people answer, then let "
            f"it go on with `turnrow audit --resume '{make_harmless(source['source'])}' --by NAME`"
        )


def _tell_unaskable(lot: _Document) -> str:
    """Return what becomes of a lot of whose sample nobody may be asked about a part."""
    name = f"  lot {lot['lot_number']}"
    if lot["unaskable"] < lot["sample_size"]:
        return f"{name}: a [[restriction]] forbids to ask about {lot['unaskable']:,} of its sample: not counted"
    return (
        f"{name}: a [[restriction]] forbids to ask about its sample; without other fixes to ask about it gets no "
        "verdict, and its labels do not count, until that is lifted"
    )
