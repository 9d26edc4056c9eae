"""What an erasure did, or would do, as text for a person: first what went, then what did not."""

from collections.abc import Iterable, Iterator
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless

_Document = dict[str, Any]


def print_erase(document: _Document) -> Iterable[str]:
    """Yield what went from tables and files, what was made of it, what is left, and the cautions."""
    yield _tell_what(document)
    yield from _list_tables(document)
    yield from _list_files(document)
    yield from _list_concerned(document)
    yield from _list_left(document)
    yield ""
    yield from (make_harmless(caution) for caution in document["cautions"])


def _tell_what(document: _Document) -> str:
    name = make_harmless(document["recording_id"])
    if document["object_id"] is not None:
        name += f", object {make_harmless(document['object_id'])}"
    if document["is_dry_run"]:
        return f"{name}: nothing was written; this is what `erase` would take out"
    if document["is_new"]:
        return f"{name}: erased; rows of it that come later are refused as erased"
    has_changed = (
        document["tables"] or document["is_rewritten"] or any(f["done"] != "left" for f in document["files"])
    )
    return f"{name}: was erased before; {'what was left is done now' if has_changed else 'there is nothing new'}"


def _list_tables(document: _Document) -> Iterator[str]:
    if document["tables"]:
        yield ""
        columns = {"table": "table", "deleted": "rows deleted", "changed": "rows kept without it"}
        yield from lay_out_table(document["tables"], columns)
    if document["is_rewritten"]:
        yield "the warehouse's storage was made anew: nothing of it is left in free blocks or earlier snapshots"


def _list_files(document: _Document) -> Iterator[str]:
    done = [file for file in document["files"] if file["done"] != "left"]
    if done:
        yield ""
        columns = {
            "path": "file",
            "done": "becomes" if document["is_dry_run"] else "was",
            "rows": "rows",
            "texts": "texts",
        }
        yield from lay_out_table(done, columns)


def _list_concerned(document: _Document) -> Iterator[str]:
    if document["versions"]:
        yield ""
        yield "training sets that cannot be rebuilt any more:"
        yield from indent([f"{name}: {why}" for name, why in document["versions"].items()])
    if document["models"]:
        yield "models whose weights may still carry the data:"
        yield from indent([_tell_model(model) for model in document["models"]])
    if document["holdouts"]:
        yield "hold-outs that held it: their figures so far stay, later evaluations leave it out:"
        yield from indent([_tell_holdout(holdout) for holdout in document["holdouts"]])


def _tell_model(model: _Document) -> str:
    place = f", {make_harmless(model['artefact_uri'])}" if model["artefact_uri"] else ""
    return f"{model['model_version']} ({model['role']}{place})"


def _tell_holdout(holdout: _Document) -> str:
    state = "frozen" if holdout["is_frozen"] else "not frozen yet"
    left = count_things(holdout["members_left"], "member")
    return f"{holdout['case_name']} of {holdout['attribute']}, version {holdout['version']} ({state}; {left} left)"


def _list_left(document: _Document) -> Iterator[str]:
    sources = [file for file in document["files"] if file["done"] == "left" and file["is_source"]]
    texts = [file for file in document["files"] if file["done"] == "left" and not file["is_source"]]
    if sources:
        yield ""
        yield "sources that still hold it (`--sources` rewrites them):"
        yield from indent([f"{make_harmless(f['path'])}: {count_things(f['rows'], 'row')}" for f in sources])
    if texts:
        yield "files of your own that name it, to be edited by you:"
        yield from indent([make_harmless(file["path"]) for file in texts])
    if document["still_named"]:
        yield "columns that name it in rows of others, and are left:"
        yield from indent([_tell_named(named) for named in document["still_named"]])
    if document["unreachable"]:
        yield "exported folders that are no longer where they were written; look for their copies:"
        yield from indent([make_harmless(path) for path in document["unreachable"]])
    yield from (make_harmless(text) for text in document["told"])


def _tell_named(named: _Document) -> str:
    return f"{named['table']}.{named['column']}: {count_things(named['rows'], 'row')}"
