"""Whether a user's `where` is one harmless boolean expression, before it is placed into our SQL.

Allowed: columns, constants, operators, `case`, casts, and the functions of `schemas/allowed_functions.py`.
Refused: everything else, lambdas included (nested, they run for hours within one value, where nothing can
interrupt them). A checked text is placed as `(TEXT` line break `)`, so a comment at its end does no harm.

A cast of 'now' or 'today' to a time is refused here, and by DuckDB 1.5.5 and 2.0.1 too when it runs, also
where the cast is not written out; 'epoch' and 'infinity' are fixed moments.
"""

from difflib import get_close_matches

from duckdb import DuckDBPyConnection, Error

from tasks.bound_size import check_size
from tasks.check_calls import EXPRESSION, check_calls, check_expression_node, check_plain_call
from tasks.parse_sql import (
    Node,
    check_text,
    first_line,
    is_null,
    parse_select,
    read_arguments,
    refuse,
    walk_nodes,
)

LONGEST_EXPRESSION = 10_000
_WRAPPER = "checked_expression"
_TABLE = "checked_table"
_EMPTY_PARTS = ("where_clause", "group_expressions", "group_sets", "having", "sample", "qualify", "modifiers")


def check_expression(
    connection: DuckDBPyConnection,
    text: str,
    *,
    relation: str | None,
    origin: str,
    must_be_boolean: bool = True,
) -> None:
    """Raise ExpressionError unless `text` is exactly one boolean expression that is safe to place.

    `relation` names a view or table that the connection sees: then every column must be one of its
    columns, and the text must bind and be boolean (or null) on it. With `must_be_boolean` false it may
    give any type: a grouping or a slice. `origin` names file and key and opens the message. Runs nothing
    of the text.
    """
    tree = _parse_expression(connection, text, origin)
    nodes = [node for node in walk_nodes(tree) if "class" in node]
    for node in nodes:
        check_expression_node(node, EXPRESSION, origin=origin)
    calls = [node for node in nodes if node["class"] == "FUNCTION"]
    for node in calls:
        check_plain_call(node, origin=origin)
    check_calls(connection, calls, EXPRESSION, origin=origin)
    check_size(tree, origin=origin)
    if relation is not None:
        _check_columns(connection, nodes, relation, origin)
        found = _read_type(connection, text, relation, origin)
        if must_be_boolean and found not in ("BOOLEAN", "NULL") and not is_null(tree):
            refuse(origin, f"it gives {found}, not true or false; compare it with something")


def list_columns(connection: DuckDBPyConnection, text: str) -> set[str]:
    """Return the columns that an expression names, as written; of a dotted name its first part.

    Raises ExpressionError where `text` is no single expression; it does not check what it calls.
    """
    tree = _parse_expression(connection, text, "an expression")
    return {_read_column(node) for node in walk_nodes(tree) if node.get("class") == "COLUMN_REF"}


def _parse_expression(connection: DuckDBPyConnection, text: str, origin: str) -> Node:
    """Return the tree of the one expression that `text` is.

    It is read as the argument of a function: a text whose brackets are balanced only by ours, as in `1)
    or (2`, then has another root than that function. (In plain brackets it would pass, and break out of
    the query it is placed in.)
    """
    check_text(text, origin=origin, longest=LONGEST_EXPRESSION)
    node = parse_select(connection, f"select {_WRAPPER}({text}\n) from {_TABLE}", origin=origin)
    root = _read_single_item(node)
    arguments = read_arguments(root) if root else []
    if root is None or len(arguments) != 1 or _has_more(root, arguments[0]):
        refuse(origin, "it must be exactly one expression, such as predicted = 'crate' and truth = 'person'")
    return arguments[0]


def _read_single_item(node: Node) -> Node | None:
    """Return the wrapper call, or None where the statement is more than `select WRAPPER(...) from TABLE`."""
    table = node.get("from_table") or {}
    if node.get("type") != "SELECT_NODE" or any(node.get(part) for part in _EMPTY_PARTS):
        return None
    if (node.get("cte_map") or {}).get("map") or node.get("aggregate_handling") != "STANDARD_HANDLING":
        return None
    if table.get("type") != "BASE_TABLE" or table.get("table_name") != _TABLE:
        return None
    if any(table.get(part) for part in ("alias", "sample", "schema_name", "catalog_name", "at_clause")):
        return None
    items = node.get("select_list") or []
    is_wrapper = len(items) == 1 and items[0].get("function_name") == _WRAPPER and items[0]["class"] == "FUNCTION"
    return items[0] if is_wrapper else None


def _has_more(root: Node, argument: Node) -> bool:
    """Tell whether the wrapper call has a filter, an order, `distinct`, a schema or named parts."""
    names = [part.get("name") for part in root.get("arguments", [])] + [
        argument.get("alias"),
        root.get("alias"),
    ]
    parts = (root.get("filter"), root.get("distinct"), root.get("schema"), root.get("catalog"))
    return any(parts) or bool((root.get("order_bys") or {}).get("orders")) or any(names)


def _read_column(node: Node) -> str:
    return str(node["column_names"][0])


def _check_columns(connection: DuckDBPyConnection, nodes: list[Node], relation: str, origin: str) -> None:
    """Refuse names that are no columns of the relation: unknown or hidden ones, the relation as a row."""
    columns = _read_columns(connection, relation, origin)
    known = {column.lower() for column in columns}
    for node in nodes:
        if node["class"] != "COLUMN_REF" or _read_column(node).lower() in known:
            continue
        name = _read_column(node)
        near = get_close_matches(name, columns, n=1)
        hint = f"did you mean {near[0]}?" if near else f"its columns are {', '.join(columns)}"
        if name.lower() == relation.lower():
            hint = "name its columns without it"
        refuse(origin, f"{relation} has no column {name}; {hint}")


def _read_columns(connection: DuckDBPyConnection, relation: str, origin: str) -> list[str]:
    try:
        rows = connection.execute(f"describe select * from {_quote(relation)}").fetchall()
    except Error as error:
        refuse(origin, f"{relation} cannot be read: {first_line(error)}")
    return [str(row[0]) for row in rows]


def _read_type(connection: DuckDBPyConnection, text: str, relation: str, origin: str) -> str:
    """Return the type that DuckDB gives the expression on a relation; binds it and runs nothing."""
    try:
        row = connection.execute(f"describe select ({text}\n) from {_quote(relation)}").fetchone()
    except Error as error:
        refuse(origin, f"it does not fit {relation}: {first_line(error)}")
    return str(row[1]).strip('"') if row else "nothing"


def _quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
