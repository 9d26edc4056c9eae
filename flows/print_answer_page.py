"""What a sitting at the answer page left, as text for people."""

import shlex
from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import count_things, make_harmless


def print_answer(document: dict[str, Any]) -> Iterable[str]:
    """Yield how much was saved, what is left, and how the answers get into the warehouse."""
    name = make_harmless(document["annotator"])
    if not document["questions"]:
        yield f"nothing to answer for {name}: no question is free that {name} has not answered"
        return
    left = document["questions"] - document["answered"]
    yield f"{count_things(document['saved'], 'answer')} of {name} saved, {left:,} left of this batch"
    if not left:
        yield "all of the batch is answered; once its answers are taken in there may be more"
    for path in document["files"]:
        yield f"`turnrow queue import {make_harmless(shlex.quote(path))}`, or the next nightly, takes them in"
