"""Whether a user's text is one SELECT that reads the warehouse's tables and nothing else."""

from collections.abc import Collection
from difflib import get_close_matches

from duckdb import DuckDBPyConnection

from schemas.allowed_functions import TABLE_FUNCTIONS, read_names
from tasks.bound_size import check_size
from tasks.check_calls import QUERY, check_calls, check_expression_node, check_unqualified
from tasks.parse_sql import Node, check_text, parse_select, read_function_name, refuse, walk_nodes

QUERY_ORIGIN = "sql"
LONGEST_QUERY = 100_000

_QUERY_NODES = read_names("SELECT_NODE SET_OPERATION_NODE RECURSIVE_CTE_NODE CTE_NODE")
_SOURCES = read_names("BASE_TABLE SUBQUERY JOIN TABLE_FUNCTION EXPRESSION_LIST EMPTY PIVOT")
_MODIFIERS = read_names(
    """
    ORDER_MODIFIER LIMIT_MODIFIER LIMIT_PERCENT_MODIFIER DISTINCT_MODIFIER ORDER_DEFAULT ASCENDING
    DESCENDING
    """
)
_STRUCTURE = _QUERY_NODES | _SOURCES | _MODIFIERS


def check_query(connection: DuckDBPyConnection, text: str, *, known_tables: Collection[str]) -> None:
    """Raise ExpressionError unless `text` is exactly one SELECT over `known_tables`.

    Tables are named alone or as `main.NAME`. Common table expressions (recursive ones too), unions,
    subqueries, joins, windows, `pivot ... in` and `values` are fine; so are the clock and chance. Other
    statements, files, settings, the catalogue, other schemas, table functions and scalar functions
    outside `schemas/allowed_functions.py` are refused. Nothing of the text is bound or run.
    """
    check_text(text, origin=QUERY_ORIGIN, longest=LONGEST_QUERY)
    tree = parse_select(connection, text, origin=QUERY_ORIGIN)
    _check_sources(tree, frozenset(), frozenset(name.lower() for name in known_tables))
    calls = [node for node in walk_nodes(tree) if node.get("class") in ("FUNCTION", "WINDOW")]
    sources = [node["function"] for node in walk_nodes(tree) if node.get("type") == "TABLE_FUNCTION"]
    check_calls(connection, [c for c in calls if not any(c is s for s in sources)], QUERY, origin=QUERY_ORIGIN)
    check_size(tree, origin=QUERY_ORIGIN)


def _check_sources(value: object, named: frozenset[str], known: frozenset[str]) -> None:
    """Check every node of a tree; `named` are the common table expressions that can be seen from there."""
    if isinstance(value, list):
        for part in value:
            _check_sources(part, named, known)
    elif isinstance(value, dict):
        _check_node(value, named, known)
        parts = dict(value)
        if value.get("type") == "RECURSIVE_CTE_NODE":
            # its first part cannot see its own name: there it would mean a table of the catalogue
            _check_sources(parts.pop("left", None), named, known)
            named |= {str(value["cte_name"]).lower()}
        for entry in (parts.pop("cte_map", None) or {}).get("map", []):
            _check_sources(entry["value"], named, known)
            named |= {str(entry["key"]).lower()}
        for part in parts.values():
            _check_sources(part, named, known)


def _check_node(node: Node, named: frozenset[str], known: frozenset[str]) -> None:
    kind = node.get("type")
    if "class" in node:
        check_expression_node(node, QUERY, origin=QUERY_ORIGIN)
    elif isinstance(kind, str) and kind not in _STRUCTURE and not kind.endswith("_TYPE_INFO"):
        refuse(QUERY_ORIGIN, f"{kind.lower().replace('_', ' ')} is not allowed; write one plain SELECT")
    elif kind == "BASE_TABLE":
        _check_table(node, named, known)
    elif kind == "TABLE_FUNCTION":
        _check_table_function(node["function"])


def _check_table(node: Node, named: frozenset[str], known: frozenset[str]) -> None:
    """Refuse tables of other schemas, the catalogue's own views, and file names."""
    name, schema, catalog = (
        str(node["table_name"]),
        node.get("schema_name") or "",
        node.get("catalog_name") or "",
    )
    if catalog or schema.lower() not in ("", "main"):
        refuse(
            QUERY_ORIGIN,
            f"{'.'.join(p for p in (catalog, schema, name) if p)}: name a table of the warehouse alone",
        )
    if name.lower() in known or (not schema and name.lower() in named):
        return
    near = get_close_matches(name.lower(), sorted(known | named), n=1)
    refuse(QUERY_ORIGIN, f"the warehouse has no table {name}" + (f"; did you mean {near[0]}?" if near else ""))


def _check_table_function(call: Node) -> None:
    check_unqualified(call, origin=QUERY_ORIGIN)
    name = read_function_name(call)
    if call.get("class") != "FUNCTION" or name not in TABLE_FUNCTIONS:
        allowed = ", ".join(sorted(TABLE_FUNCTIONS))
        refuse(QUERY_ORIGIN, f"the table function {name}() is not allowed; these are: {allowed}")
