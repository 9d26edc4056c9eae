"""Documents of `lineage`, `sql` and `queue list` as text for people."""

from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import count_things, lay_out_table, make_harmless, pad

_Document = dict[str, Any]
_NAMES = {
    "training_set": ("training set", "training sets"),
    "label_revision": ("label revision", "label revisions"),
    "label_fix": ("label fix", "label fixes"),
    "failure_case": ("failure case", "failure cases"),
    "holdout": ("hold-out", "hold-outs"),
}
_NAMES_SHOWN = 20


def print_lineage(document: _Document) -> Iterable[str]:
    """Yield the tree of what a thing came from, the counts by kind, and what came of it."""
    yield from _print_thing(document["tree"], "")
    yield ""
    yield f"came from: {_count_kinds(document['came_from'])}"
    yield f"led to: {_count_kinds(document['led_to'])}"
    names = document["led_to_names"]
    for row in names[:_NAMES_SHOWN]:
        yield f"  {_name_kind(row['kind'], 1)} {make_harmless(row['id'])}"
    if len(names) > _NAMES_SHOWN:
        yield f"  and {len(names) - _NAMES_SHOWN:,} more (all of them with --json)"


def _print_thing(thing: _Document, before: str) -> Iterable[str]:
    words = f" ({make_harmless(thing['words'])})" if thing["words"] else ""
    repeated = ", see above" if thing["is_repeated"] else ""
    yield f"{before}{_name_kind(thing['kind'], 1)} {make_harmless(thing['id'])}{words}{repeated}"
    deeper = before + "  "
    for parent in thing["parents"]:
        yield from _print_thing(parent, deeper)
    if thing["more"]:
        yield f"{deeper}and {_count_kinds(thing['more'])}" + (" more" if thing["parents"] else "")


def _count_kinds(counts: dict[str, int]) -> str:
    parts = [f"{count:,} {_name_kind(kind, count)}" for kind, count in sorted(counts.items())]
    return ", ".join(parts) or "nothing"


def _name_kind(kind: str, count: int) -> str:
    one, many = _NAMES.get(kind, (kind, f"{kind}s"))
    return one if count == 1 else many


def print_queue(document: _Document) -> Iterable[str]:
    """Yield the open fixes, most urgent first."""
    if not document["fixes"]:
        return ["no open label fix"]
    columns = {
        "fix_id": "fix",
        "attribute": "attribute",
        "reason": "asked because",
        "priority": "priority",
        "case_names": "cases",
        "answer_count": "answers",
        "attempt": "attempt",
    }
    shown = count_things(len(document["fixes"]), "open label fix", "open label fixes")
    return [*lay_out_table(document["fixes"], columns), shown]


def print_query(document: _Document) -> Iterable[str]:
    """Yield a query's rows in aligned columns, as they are: a number is not cut or grouped."""
    columns = [make_harmless(name) for name in document["columns"]]
    widths = [len(name) for name in columns]
    for row in document["rows"].read_rows():
        widths = [max(width, len(_show(value))) for width, value in zip(widths, row, strict=True)]
    yield _join(columns, widths, [False] * len(widths))
    for row in document["rows"].read_rows():
        numbers = [isinstance(value, int | float) and not isinstance(value, bool) for value in row]
        yield _join([_show(value) for value in row], widths, numbers)
    yield count_things(document["rows"].row_count, "row")


def _join(cells: list[str], widths: list[int], numbers: list[bool]) -> str:
    parts = zip(cells, widths, numbers, strict=True)
    return "  ".join(pad(cell, width, to_the_right=is_number) for cell, width, is_number in parts).rstrip()


def _show(value: object) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | dict):
        import json

        return make_harmless(json.dumps(value, ensure_ascii=False))
    return make_harmless(str(value))
