"""Why samples stay out of a training set, in words."""

from collections.abc import Iterator, Mapping
from typing import Any

from flows.lay_out_text import make_harmless

_STAYS_OUT = {
    "restricted": "forbidden by a [[restriction]]",
    "no_label": "without a label any more, or with a disputed one",
    "reserved": "of a group that is kept for a hold-out",
    "near_duplicate": "too near to a hold-out sample",
    "left_out": "by a [[leave_out]]",
    "other_label": "with another label than the list gives them",
    "lot_open": "in no lot that has passed its audit",
    "no_features": "without features",
    "over_recording": "beyond rows_a_recording_at_most",
    "over_cap": "beyond a cap",
    "over_origin_share": "beyond the share of their labels' origin",
    "erased": "pulled before and erased since",
    "before": "when the set was first imported, or erased since",
}


def tell_left_out(counts: Mapping[str, int]) -> Iterator[str]:
    """Yield a line a reason."""
    for why, count in counts.items():
        yield f"  {count:,} left out, {_STAYS_OUT.get(why, make_harmless(why))}"


def tell_notes(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield what the settings' own tables say of what they keep out."""
    for note, count in document["left_out_notes"].items():
        yield f"    {count:,}: {make_harmless(note)}"
