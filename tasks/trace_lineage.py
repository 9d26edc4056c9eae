"""`lineage`: what a thing came from and what came of it, from the view lineage_edge, as a tree."""

from dataclasses import dataclass, field

import duckdb

from schemas.read_toml import name_nearest
from schemas.sql_files import read_sql
from tasks.ask_lineage import is_known, list_about
from tasks.errors import UnknownNameError
from tasks.fetch_rows import Row, fetch_rows
from tasks.find_sample import tell_erased
from tasks.loop import Loop
from tasks.warehouse import open_warehouse

# How many of a kind are shown next to a thing. A training set has a parent a row; all are counted.
_SHOWN = 5
_Key = tuple[str, str]


@dataclass(frozen=True)
class Thing:
    """A node of the tree: `words` say what it is; `is_repeated`: what it came from stands further up.

    `more` counts, by kind, the direct parents that are not shown.
    """

    kind: str
    id: str
    words: str | None
    parents: tuple["Thing", ...] = ()
    more: dict[str, int] = field(default_factory=dict)
    is_repeated: bool = False


@dataclass(frozen=True)
class Lineage:
    """The tree above a thing, how many things of each kind it came from, and what came of it.

    `led_to` counts by kind; `led_to_names` lists the training sets, models, hold-outs among them.
    """

    tree: Thing
    came_from: dict[str, int]
    led_to: dict[str, int]
    led_to_names: list[Row]


def trace_lineage(loop: Loop, thing_id: str) -> Lineage:
    """Trace a training set, model, label revision, fix, prediction, file or any other ID both ways.

    Raises UnknownNameError where nothing in the warehouse bears that ID.
    """
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        kind = _find_kind(connection, loop, thing_id)
        parameters = {"kind": kind, "id": thing_id}
        connection.execute(read_sql("trace/ancestor_edge"), parameters)
        came_from = _count_kinds(connection)
        tree = _build_tree(connection, (kind, thing_id))
        connection.execute(read_sql("trace/descendant_edge"), parameters)
        names = fetch_rows(connection, "trace/named_things")
        return Lineage(tree, came_from, _count_kinds(connection), names)


def _find_kind(connection: duckdb.DuckDBPyConnection, loop: Loop, thing_id: str) -> str:
    kinds = fetch_rows(connection, "trace/find_kind", {"id": thing_id})
    if kinds:
        return str(kinds[0]["kind"])
    raise UnknownNameError(
        _tell_recording(connection, thing_id)
        or tell_erased(connection, loop, thing_id)
        or _tell_unknown(connection, thing_id)
    )


def _tell_recording(connection: duckdb.DuckDBPyConnection, thing_id: str) -> str | None:
    if not is_known(connection, "recording", thing_id):
        return None
    ways = ", or ".join(f"`--ask {name}`" for name in list_about("recording"))
    return f"{thing_id}: is a recording, which has no tree: {ways} asks about it, `turnrow why` about its samples"


def _tell_unknown(connection: duckdb.DuckDBPyConnection, thing_id: str) -> str:
    names = [str(row["name"]) for row in fetch_rows(connection, "trace/known_names")]
    return (
        f"{thing_id}: the warehouse knows no training set, model, label revision, fix, prediction, file or "
        f"sample of that ID; of training sets and models, {name_nearest(thing_id, names)}"
    )


def _count_kinds(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    return {str(row["kind"]): int(row["count"]) for row in fetch_rows(connection, "trace/count_kinds")}


def _build_tree(connection: duckdb.DuckDBPyConnection, root: _Key) -> Thing:
    shown = _read_shown(connection, root)
    ids = {root[1]} | {str(edge["far_id"]) for edges in shown.values() for edge in edges}
    described = fetch_rows(connection, "trace/describe_things", {"ids": sorted(ids)})
    words = {(row["kind"], row["id"]): str(row["words"]) for row in described if row["words"] is not None}
    return _grow(root, shown, words, set())


def _read_shown(connection: duckdb.DuckDBPyConnection, root: _Key) -> dict[_Key, list[Row]]:
    """Return by thing the steps next to it that the tree may show, level by level from the root."""
    shown: dict[_Key, list[Row]] = {}
    level = {root}
    while level:
        for key in level:
            shown[key] = []
        ids = sorted({key[1] for key in level})
        for edge in fetch_rows(connection, "trace/first_edges", {"ids": ids, "at_most": _SHOWN}):
            near = (str(edge["near_kind"]), str(edge["near_id"]))
            if near in level:
                shown[near].append(edge)
        level = {
            _far_key(edge)
            for key in level
            for edge in shown[key]
            if not _is_only_counted(edge, root) and _far_key(edge) not in shown
        }
    return shown


def _far_key(edge: Row) -> _Key:
    return str(edge["far_kind"]), str(edge["far_id"])


def _is_only_counted(edge: Row, root: _Key) -> bool:
    """Tell whether an edge leads to a row of a training set further up: these are counted, not shown."""
    near = (edge["near_kind"], edge["near_id"])
    return near[0] == "training_set" and near != root and int(edge["beside_count"]) > 1


def _grow(key: _Key, shown: dict[_Key, list[Row]], words: dict[_Key, str], met: set[_Key]) -> Thing:
    """Return a node with what it came from, which is given once, where the thing is met first."""
    edges = shown.get(key, [])
    if key in met:
        return Thing(*key, words.get(key), is_repeated=bool(edges))
    met.add(key)
    root = next(iter(shown))
    kept = [edge for edge in edges if not _is_only_counted(edge, root)]
    parents = tuple(_grow(_far_key(edge), shown, words, met) for edge in kept)
    return Thing(*key, words.get(key), parents, _count_more(edges, kept))


def _count_more(edges: list[Row], kept: list[Row]) -> dict[str, int]:
    """Return by kind how many direct parents the tree leaves out."""
    more = {str(edge["far_kind"]): int(edge["beside_count"]) for edge in edges}
    for edge in kept:
        more[str(edge["far_kind"])] -= 1
    return {kind: count for kind, count in more.items() if count}
