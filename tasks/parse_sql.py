"""Reading a user's SQL text with DuckDB's own parser: its limits, its tree, what the parts say.

The tree is what `json_serialize_sql` gives. DuckDB 1.5 and 2.0 write some of its parts differently; only
this module knows how.
"""

import json
import unicodedata
from collections.abc import Iterator
from typing import Any, NoReturn

from duckdb import DuckDBPyConnection, Error

from tasks.errors import ExpressionError

Node = dict[str, Any]

DEEPEST_NESTING = 50
# qualified, since a macro of the warehouse could have the same name
_SERIALIZE = "select system.main.json_serialize_sql(?)"
_PLAIN_CONTROLS = "\n\r\t"
_DIRECTION_CONTROLS = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def refuse(origin: str, reason: str) -> NoReturn:
    """Raise ExpressionError in one line that begins with where the text stands."""
    raise ExpressionError(f"{origin}: {reason}")


def check_text(text: str, *, origin: str, longest: int) -> None:
    """Refuse text that is empty, longer than `longest`, or holds characters that hide what it says."""
    if not text.strip():
        refuse(origin, "it is empty; write an SQL text")
    if len(text) > longest:
        refuse(origin, f"it has {len(text)} characters; at most {longest} are read, so shorten it")
    for place, character in enumerate(text):
        if character in _PLAIN_CONTROLS:
            continue
        if unicodedata.category(character) in ("Cc", "Cs") or character in _DIRECTION_CONTROLS:
            refuse(origin, f"character {place + 1} is the control character U+{ord(character):04X}; remove it")


def parse_select(connection: DuckDBPyConnection, text: str, *, origin: str) -> Node:
    """Return the query node of the one SELECT that `text` is; nothing in it is bound or run.

    Raises ExpressionError where the text is no valid SQL, no SELECT, more than one statement, or nested
    too deeply.
    """
    try:
        found = connection.execute(_SERIALIZE, [text]).fetchone()
        parsed: dict[str, Any] = json.loads(found[0]) if found else {"statements": []}
    except RecursionError:
        refuse(origin, f"it is nested too deeply; at most {DEEPEST_NESTING} levels are read")
    except Error as error:
        refuse(origin, f"DuckDB cannot read it: {first_line(error)}")
    if parsed.get("error"):
        refuse(origin, f"DuckDB cannot read it: {first_line(parsed['error_message'])}")
    if len(parsed["statements"]) != 1:
        refuse(origin, f"it holds {len(parsed['statements'])} statements; write exactly one")
    node: Node = parsed["statements"][0]["node"]
    _check_depth(node, origin)
    return node


def first_line(message: object) -> str:
    """Return a DuckDB message's first line that says something, without the picture of the place below it."""
    lines = [line.strip() for line in str(message).splitlines() if line.strip()]
    return lines[0] if lines else "no reason given"


def _check_depth(root: Node, origin: str) -> None:
    """Refuse more than DEEPEST_NESTING expressions or queries inside each other, without recursion."""
    waiting: list[tuple[object, int]] = [(root, 0)]
    while waiting:
        value, depth = waiting.pop()
        if isinstance(value, list):
            waiting += [(part, depth) for part in value]
        elif isinstance(value, dict):
            depth += isinstance(value.get("type"), str)
            if depth > DEEPEST_NESTING:
                refuse(origin, f"it is nested too deeply; at most {DEEPEST_NESTING} levels are read")
            waiting += [(part, depth) for part in value.values()]


def walk_nodes(value: object) -> Iterator[Node]:
    """Yield every mapping of a syntax tree, the outer before the inner."""
    if isinstance(value, list):
        for part in value:
            yield from walk_nodes(part)
    elif isinstance(value, dict):
        yield value
        for part in value.values():
            yield from walk_nodes(part)


def read_function_name(node: Node) -> str:
    """Return a function or window node's name in lower case."""
    return str(node["function_name"]).lower()


def read_arguments(node: Node) -> list[Node]:
    """Return a function node's arguments in order (`children` in DuckDB 1.5, named `arguments` in 2.0)."""
    if "arguments" in node:
        return [argument["expression"] for argument in node["arguments"]]
    return list(node.get("children") or [])


def read_constant(node: Node) -> str | None:
    """Return a constant's text, or None where the node is no constant or is null.

    DuckDB 2.0 keeps it under `literal`, 1.5 under `value`. A decimal is given without its point by DuckDB
    1.5; callers only need lengths and whole numbers.
    """
    if node.get("class") != "CONSTANT":
        return None
    literal = node.get("literal")
    if isinstance(literal, dict):
        return str(literal.get("text", ""))
    value = node.get("value")
    return None if not isinstance(value, dict) or value.get("is_null") else str(value.get("value", ""))


def is_null(node: Node) -> bool:
    """Tell whether a node is the constant null."""
    written = node.get("value") or node.get("literal") or {}
    return node.get("class") == "CONSTANT" and (bool(written.get("is_null")) or written.get("kind") == "NULL")
