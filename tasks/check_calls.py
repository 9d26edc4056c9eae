"""Whether the parts and functions of a user's SQL text are among those that it may use."""

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from duckdb import DuckDBPyConnection

from schemas.allowed_functions import (
    CLOCK_WORDS,
    EXPRESSION_FUNCTIONS,
    PARSER_MADE_FUNCTIONS,
    QUERY_FUNCTIONS,
    SESSION_WORDS,
    read_names,
)
from schemas.sql_files import read_sql
from tasks.parse_sql import Node, read_arguments, read_constant, read_function_name, refuse

_EXPRESSION_CLASSES = read_names(
    """
    COLUMN_REF CONSTANT COMPARISON CONJUNCTION BETWEEN CASE CAST TYPE OPERATOR FUNCTION COLLATE
    LAMBDA
    """
)
_EXPRESSION_OPERATORS = read_names(
    """
    COMPARE_IN COMPARE_NOT_IN OPERATOR_NOT OPERATOR_IS_NULL OPERATOR_IS_NOT_NULL OPERATOR_COALESCE
    OPERATOR_NULLIF OPERATOR_TRY ARRAY_EXTRACT ARRAY_SLICE STRUCT_EXTRACT ARRAY_CONSTRUCTOR
    """
)
_CLOCK_TEXTS = read_names("now today yesterday tomorrow")
_PLAIN_NAMES = {
    "SUBQUERY": "a subquery (`any` and `all` are subqueries too; use `in` or list_contains)",
    "WINDOW": "a window function",
    "STAR": "a star",
    "PARAMETER": "a parameter",
    "POSITIONAL_REFERENCE": "a column by its number",
    "DEFAULT": "`default`",
    "GROUPING_FUNCTION": "grouping()",
}


@dataclass(frozen=True)
class Allowance:
    """What one kind of text may use: node classes, operators, functions, and whether it may aggregate."""

    name: str
    classes: frozenset[str]
    operators: frozenset[str]
    functions: frozenset[str]
    refused_words: frozenset[str]
    aggregates: bool


EXPRESSION = Allowance(
    "an expression",
    _EXPRESSION_CLASSES,
    _EXPRESSION_OPERATORS,
    EXPRESSION_FUNCTIONS,
    CLOCK_WORDS | SESSION_WORDS,
    aggregates=False,
)
QUERY = Allowance(
    "a query",
    _EXPRESSION_CLASSES | {"SUBQUERY", "WINDOW", "STAR", "POSITIONAL_REFERENCE"},
    _EXPRESSION_OPERATORS | {"GROUPING_FUNCTION"},
    QUERY_FUNCTIONS,
    SESSION_WORDS,
    aggregates=True,
)


def check_expression_node(node: Node, allowance: Allowance, *, origin: str) -> None:
    """Refuse a node whose class, operator, type or word is not allowed; functions are looked at apart."""
    kind, operator = str(node["class"]), str(node.get("type"))
    if kind not in allowance.classes:
        refuse(origin, f"{_PLAIN_NAMES.get(kind, kind.lower())} is not allowed in {allowance.name}")
    if kind == "OPERATOR" and operator not in allowance.operators:
        refuse(origin, f"{_PLAIN_NAMES.get(operator, operator.lower())} is not allowed in {allowance.name}")
    if kind == "LAMBDA" and node.get("syntax_type", "SINGLE_ARROW") != "SINGLE_ARROW":
        refuse(origin, f"a lambda is not allowed in {allowance.name}")
    if kind == "COLUMN_REF":
        _check_word(node, allowance, origin)
    if kind in ("CAST", "TYPE"):
        _check_type(node, origin)
    if kind == "CAST" and (read_constant(node["child"]) or "").strip().lower() in _CLOCK_TEXTS:
        refuse(origin, f"a cast of '{read_constant(node['child'])}' means the clock; write the time itself")


def _check_word(node: Node, allowance: Allowance, origin: str) -> None:
    """`current_user` and the like stand as columns in the tree; the parser cannot tell them from a column."""
    names = [str(name).lower() for name in node["column_names"]]
    if len(names) == 1 and names[0] in allowance.refused_words:
        refuse(origin, f"{names[0]} reads the clock or the session, which is not allowed in {allowance.name}")


def _check_type(node: Node, origin: str) -> None:
    """Refuse qualified types, and fixed-size arrays: a null of one can take all memory."""
    written = node.get("cast_type") or node
    details = written.get("type_info") or written
    if details.get("schema") or details.get("catalog"):
        refuse(origin, "a cast to a type with a schema is not allowed; name the type alone")
    if written.get("id") == "ARRAY" or str(written.get("type_name", "")).lower() == "array":
        refuse(origin, "a cast to an array of fixed size is not allowed; use a list, as in `float[]`")


def check_plain_call(node: Node, *, origin: str) -> None:
    """Refuse a call in an expression that carries `filter`, `distinct`, `order by`, or a schema."""
    name = read_function_name(node)
    if node.get("filter") or node.get("distinct") or (node.get("order_bys") or {}).get("orders"):
        refuse(origin, f"{name}() with filter, distinct or order by is not allowed in an expression")


def check_unqualified(node: Node, *, origin: str) -> None:
    """Refuse a call through a schema, a catalogue or a value (`x.f()`); DuckDB 1.5 itself writes `main`."""
    name, schema, catalog = read_function_name(node), node.get("schema") or "", node.get("catalog") or ""
    if catalog or (schema and not (schema == "main" and name in PARSER_MADE_FUNCTIONS)):
        refuse(
            origin,
            f"call {name}() by its name alone, not through {'.'.join(p for p in (catalog, schema) if p)}",
        )


def check_calls(
    connection: DuckDBPyConnection, calls: Iterable[Node], allowance: Allowance, *, origin: str
) -> None:
    """Refuse calls of functions that `allowance` does not list, or that the warehouse redefines as a macro.

    Raises ExpressionError with the function's name, why, and for an unknown one the nearest allowed name.
    """
    listed = list(calls)
    for node in listed:
        check_unqualified(node, origin=origin)
        if read_function_name(node) == "age" and len(read_arguments(node)) < 2 and not allowance.aggregates:
            refuse(origin, "age() with one argument reads the clock; give it two times")
    names = sorted({read_function_name(node) for node in listed})
    known = _look_up(connection, names)
    for name in names:
        _check_name(name, known.get(name, []), allowance, origin)


def _look_up(connection: DuckDBPyConnection, names: list[str]) -> dict[str, list[tuple[str, str, bool]]]:
    """Return what DuckDB has under each name: kind (scalar, macro, table ...), stability, built in."""
    rows = connection.execute(read_sql("checks/known_functions"), {"names": names}).fetchall() if names else []
    found: dict[str, list[tuple[str, str, bool]]] = {}
    for name, kind, stability, is_internal in rows:
        found.setdefault(name, []).append((kind, stability, is_internal))
    return found


def _check_name(name: str, known: list[tuple[str, str, bool]], allowance: Allowance, origin: str) -> None:
    if not all(is_internal for _, _, is_internal in known):
        refuse(origin, f"{name}() is a macro of the warehouse; only DuckDB's own functions are allowed")
    kinds = {kind for kind, _, _ in known}
    if allowance.aggregates and kinds & {"aggregate", "window"}:
        return
    if not known:
        near = get_close_matches(name, allowance.functions, n=1)
        refuse(origin, f"there is no function {name}()" + (f"; did you mean {near[0]}()?" if near else ""))
    if name not in allowance.functions:
        refuse(origin, f"{name}() is not allowed in {allowance.name}: {_tell_why(kinds, known)}")


def _tell_why(kinds: set[str], known: list[tuple[str, str, bool]]) -> str:
    stabilities = {stability for kind, stability, _ in known if kind == "scalar"}
    if "VOLATILE" in stabilities:
        return "it gives another value every time, or changes something"
    if "CONSISTENT_WITHIN_QUERY" in stabilities:
        return "it reads the clock or the session"
    if kinds & {"aggregate", "window"}:
        return "it aggregates over rows"
    if kinds <= {"table", "table_macro", "pragma"}:
        return "it is a table function"
    return "it is not among the functions known to be harmless and bounded"
