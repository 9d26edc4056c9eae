"""How large a user's SQL text can make a value, and how slow a pattern, told from its tree.

DuckDB's memory limit does not hold while a single value is built, and nothing can interrupt it then: a
few nested `replace` calls, or a pattern of many wildcards, would take the whole machine. The bound is
rough and on the safe side.
"""

from collections.abc import Sequence

from schemas.allowed_functions import read_names
from tasks.parse_sql import Node, read_arguments, read_constant, read_function_name, refuse, walk_nodes

LARGEST_VALUE = 200_000
ASSUMED_COLUMN = 1_000
MOST_WILDCARDS = 4

_PATTERNS = read_names(
    """
    ~~ !~~ ~~* !~~* ~~~ like_escape not_like_escape ilike_escape not_ilike_escape
    """
)
_PATTERN_CLASSES = read_names("CONSTANT COLUMN_REF CAST TYPE LAMBDA")
_PATTERN_CALLS = read_names("|| concat -> ->> lower upper")
_SIZED = read_names("repeat lpad rpad")
_DISTANCES = read_names(
    """
    levenshtein editdist3 damerau_levenshtein jaro_similarity jaro_winkler_similarity
    """
)
_PRODUCTS = read_names(
    """
    array_to_string list_string_agg list_select array_select regexp_replace concat_ws
    """
)
_FACTORS = {
    **dict.fromkeys(read_names("hex to_hex base64 to_base64 regexp_escape json_merge_patch"), 2.0),
    **dict.fromkeys(read_names("url_encode nfc_normalize"), 3.0),
    **dict.fromkeys(read_names("json json_quote to_json array_to_json row_to_json json_object json_array"), 6.0),
    **dict.fromkeys(read_names("bin to_binary"), 8.0),
    "strftime": 16.0,
}
_SMALL_CLASSES = read_names("COMPARISON CONJUNCTION BETWEEN")
_SMALL_OPERATORS = read_names(
    """
    COMPARE_IN COMPARE_NOT_IN OPERATOR_NOT OPERATOR_IS_NULL OPERATOR_IS_NOT_NULL GROUPING_FUNCTION
    """
)


def check_size(root: Node, *, origin: str) -> None:
    """Refuse a text whose values could pass LARGEST_VALUE characters, or whose pattern could hang.

    A column is taken to hold ASSUMED_COLUMN characters. `root` is an expression or a whole query.
    """
    for node in walk_nodes(root):
        if node.get("class") == "FUNCTION" and read_function_name(node) in _PATTERNS:
            _check_pattern(node, origin)
    _measure(root, origin)


def _check_pattern(node: Node, origin: str) -> None:
    """Refuse many wildcards: `like` and `glob` of DuckDB 1.5 take time in the power of their number."""
    parts = [part for part in walk_nodes(read_arguments(node)[1:2]) if "class" in part]
    for part in parts:
        is_plain = part["class"] in _PATTERN_CLASSES
        if not is_plain and not (part["class"] == "FUNCTION" and read_function_name(part) in _PATTERN_CALLS):
            refuse(origin, "a pattern may be made of texts and columns only; write it out")
    texts = [read_constant(part) or "" for part in parts]
    wildcards = sum(text.count("%") + text.count("*") for text in texts)
    if wildcards > MOST_WILDCARDS:
        refuse(origin, f"a pattern has {wildcards} wildcards; at most {MOST_WILDCARDS}, or use regexp_matches")


def _measure(value: object, origin: str) -> float:
    """Return how many characters a value of this part may have, every part inside it checked as well."""
    if isinstance(value, list):
        return sum(_measure(part, origin) for part in value)
    if not isinstance(value, dict):
        return 0.0
    size = _measure_node(value, origin)
    if "class" in value and size > LARGEST_VALUE:
        refuse(origin, f"a value in it could grow to {size:.3g} characters; at most {LARGEST_VALUE} are allowed")
    return size


def _measure_node(node: Node, origin: str) -> float:
    kind = node.get("class")
    if kind == "CONSTANT":
        return float(len(read_constant(node) or ""))
    if kind == "FUNCTION":
        arguments = read_arguments(node)
        _measure([node.get("filter"), node.get("order_bys")], origin)
        return _measure_call(read_function_name(node), arguments, [_measure(a, origin) for a in arguments], origin)
    inside = sum(_measure(part, origin) for part in node.values())
    if kind in _SMALL_CLASSES or str(node.get("type")) in _SMALL_OPERATORS:
        return 1.0
    if kind == "CAST":
        return 2 * inside
    return float(ASSUMED_COLUMN) if kind in ("COLUMN_REF", "SUBQUERY", "WINDOW", "STAR") else inside


def _measure_call(name: str, arguments: Sequence[Node], sizes: Sequence[float], origin: str) -> float:
    total = sum(sizes)
    if name in _SIZED and len(arguments) > 1:
        return _measure_sized(name, arguments[1], sizes, origin)
    if name == "replace" and len(sizes) == 3:
        needle = max(1, len(read_constant(arguments[1]) or ""))
        return sizes[0] * max(1.0, sizes[2] / needle)
    if name in _DISTANCES and len(sizes) > 1:
        return sizes[0] * sizes[1] / 100
    if name in _PRODUCTS:
        return total + _multiply(name, sizes)
    return total * _FACTORS.get(name, 1.0)


def _multiply(name: str, sizes: Sequence[float]) -> float:
    """Return what repeating one part as often as another is long gives."""
    if name == "concat_ws":
        return sizes[0] * len(sizes) if sizes else 0.0
    return (
        sizes[0] * sizes[2 if name == "regexp_replace" else 1]
        if len(sizes) > (name == "regexp_replace") + 1
        else 0.0
    )


def _measure_sized(name: str, count: Node, sizes: Sequence[float], origin: str) -> float:
    """`repeat`, `lpad` and `rpad` give what their second argument says, so it must be written out."""
    written = read_constant(count) or ""
    if not written.isdecimal():
        refuse(origin, f"the second argument of {name}() must be a whole number that is written out")
    return sizes[0] * int(written) if name == "repeat" else float(written)
