"""`check-setup`: labels and context keys that a `where` names and no sample has; to DuckDB they are fine."""

from collections.abc import Collection, Iterator

import duckdb

from schemas.read_toml import name_nearest
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.findings import WARNING, Finding
from tasks.parse_sql import Node, parse_select, read_arguments, read_constant, read_function_name, walk_nodes

_LABEL_COLUMNS = {"predicted", "truth", "label"}
_READS_KEY = {"->>", "->", "json_extract_string", "json_extract"}
_SAMPLES_LOOKED_AT = 20_000


def find_misspelt(
    connection: duckdb.DuckDBPyConnection, text: str, attribute: AttributeSettings, where: str
) -> Iterator[Finding]:
    """Yield a warning for each label or context key in an expression that matches nothing.

    Labels are compared with the attribute's own, present and past. Keys are looked for in the contexts of the
    latest samples, 20,000 at most; with none there is nothing to compare with. `text` has been checked before.
    """
    root = parse_select(connection, f"select {text}", origin=where)
    known = {*attribute.labels, *attribute.was}
    if attribute.kind == "class":
        for label in sorted(_find_labels(root) - known):
            hint = name_nearest(label, attribute.labels)
            yield Finding(
                WARNING,
                where,
                f"compares with {label!r}, which is no label of {attribute.name}",
                f"spell it: {hint}",
            )
    keys = sorted(_find_keys(root))
    seen = _list_keys(connection, attribute.name) if keys else set()
    for key in keys:
        if seen and key not in seen:
            what = f"reads {key!r} of the context, which the latest samples of {attribute.name} do not have"
            yield Finding(WARNING, where, what, f"spell it: {name_nearest(key, sorted(seen))}")


def _find_labels(root: Node) -> set[str]:
    """Return the texts that a label column is compared with, by =, <>, in and the like."""
    found: set[str] = set()
    for node in walk_nodes(root):
        sides = [node.get("left"), node.get("right")] if node.get("class") == "COMPARISON" else []
        if str(node.get("type")) in ("COMPARE_IN", "COMPARE_NOT_IN"):
            sides = list(node.get("children") or [])
        parts = [side for side in sides if isinstance(side, dict)]
        if any(_is_label_column(part) for part in parts):
            found |= {text for part in parts if (text := read_constant(part)) is not None}
    return found


def _is_label_column(node: Node) -> bool:
    names = node["column_names"] if node.get("class") == "COLUMN_REF" else [""]
    return str(names[-1]).lower() in _LABEL_COLUMNS


def _find_keys(root: Node) -> set[str]:
    """Return the plain keys that are read of the column context."""
    found: set[str] = set()
    for node in walk_nodes(root):
        if node.get("class") != "FUNCTION" or read_function_name(node) not in _READS_KEY:
            continue
        arguments = read_arguments(node)
        if len(arguments) == 2 and arguments[0].get("column_names") == ["context"]:
            key = (read_constant(arguments[1]) or "").removeprefix("$.")
            found |= {key} if key and not set(key) & set("$/.[") else set()
    return found


def _list_keys(connection: duckdb.DuckDBPyConnection, attribute: str) -> Collection[str]:
    rows = connection.execute(
        read_sql("setup/context_keys"), {"attribute": attribute, "at_most": _SAMPLES_LOOKED_AT}
    ).fetchall()
    return {str(row[0]) for row in rows}
