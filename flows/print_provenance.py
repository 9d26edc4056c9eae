"""Documents of `lineage` in open formats, and of its library of questions."""

import json
from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import lay_out_table, make_harmless
from flows.print_lineage import print_lineage

_Document = dict[str, Any]


def print_any_lineage(document: _Document) -> Iterable[str]:
    """Yield the tree, the list of questions, an answer, or the open format as it is."""
    if "tree" in document:
        return print_lineage(document)
    if "questions" in document:
        return _print_questions(document["questions"])
    if "columns" in document:
        return _print_answer(document)
    return json.dumps(document.get("events", document), indent=2, ensure_ascii=False).splitlines()


def _print_questions(questions: list[_Document]) -> Iterable[str]:
    for question in questions:
        value = " --value VALUE" if question["wants_value"] else ""
        yield f"turnrow lineage ID --ask {question['name']}{value}"
        yield f"  {question['words']}"


def _print_answer(document: _Document) -> Iterable[str]:
    rows = [dict(zip(document["columns"], row, strict=True)) for row in document["rows"]]
    if not rows:
        return ["nothing"]
    return lay_out_table(rows, {name: make_harmless(name) for name in document["columns"]})
