"""Why samples stay out of a training set, in words."""

from collections.abc import Iterator, Mapping
from typing import Any

from flows.lay_out_text import make_harmless
from schemas.reasons import REASONS


def tell_left_out(counts: Mapping[str, int]) -> Iterator[str]:
    """Yield a line a reason."""
    for why, count in counts.items():
        yield f"  {count:,} left out, {REASONS.get(why, why)}"


def tell_notes(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield what the settings' own tables say of what they keep out."""
    for note, count in document["left_out_notes"].items():
        yield f"    {count:,}: {make_harmless(note)}"
