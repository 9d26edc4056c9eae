"""The library of lineage questions: each a query of `schemas/sql/lineage`, asked of one thing by name."""

from dataclasses import dataclass
from typing import Any

import duckdb

from schemas.read_toml import name_nearest
from schemas.sql_files import list_sql, read_sql
from tasks.errors import InputError, UnknownNameError
from tasks.fetch_rows import fetch_rows
from tasks.find_sample import tell_erased
from tasks.loop import Loop
from tasks.warehouse import open_warehouse

_MODEL, _REVISION, _RECORDING = "model", "label_revision", "recording"


@dataclass(frozen=True)
class LineageQuestion:
    """A question by name, in words, and as SQL.

    `kind` is what it is asked of: a training_set, model, label_revision or recording. `wants_value`: it is about
    one more name.
    """

    name: str
    kind: str
    words: str
    sql: str
    wants_value: bool


@dataclass(frozen=True)
class LineageAnswer:
    """What a question found: columns, and rows in order."""

    question: str
    words: str
    columns: list[str]
    rows: list[list[Any]]


def list_questions() -> list[LineageQuestion]:
    """Return all questions, by name."""
    return [_read_question(name.removeprefix("lineage/")) for name in list_sql("lineage")]


def _read_question(name: str) -> LineageQuestion:
    """Return a file's question: its first comment is the question, its second says of what it is asked."""
    sql = read_sql(f"lineage/{name}")
    words, about = (line.removeprefix("--").strip() for line in sql.splitlines()[:2])
    return LineageQuestion(
        name=name.replace("_", "-"),
        kind=about.removeprefix("of a "),
        words=words.replace("$value", "VALUE"),
        sql=sql,
        wants_value="$value" in sql,
    )


def ask_lineage(loop: Loop, name: str, thing_id: str, value: str | None = None) -> LineageAnswer:
    """Ask one question.

    Raises UnknownNameError for no such question, and where nothing that the question is about bears that ID;
    InputError for a missing value.
    """
    known = {question.name: question for question in list_questions()}
    if name not in known:
        raise UnknownNameError(f"{name}: no such lineage question; {name_nearest(name, list(known))}")
    question = known[name]
    if question.wants_value != (value is not None):
        wanted = "wants --value VALUE too" if question.wants_value else "takes no --value"
        raise InputError(f"{name}: {wanted} ({question.words})")
    bound = {"id": thing_id} if value is None else {"id": thing_id, "value": value}
    with open_warehouse(loop, write=False) as warehouse:
        _require_asked(warehouse.connection, loop, question, thing_id)
        cursor = warehouse.connection.execute(question.sql, bound)
        columns = [str(column[0]) for column in cursor.description or []]
        return LineageAnswer(name, question.words, columns, [list(row) for row in cursor.fetchall()])


def is_known(connection: duckdb.DuckDBPyConnection, kind: str, thing_id: str) -> bool:
    """Tell whether questions about this kind of thing can be asked of this ID."""
    return bool(fetch_rows(connection, "trace/find_asked", {"kind": kind, "id": thing_id}))


def list_about(kind: str) -> list[str]:
    """Return the names of the questions about this kind of thing."""
    return [question.name for question in list_questions() if question.kind == kind]


def _require_asked(
    connection: duckdb.DuckDBPyConnection, loop: Loop, question: LineageQuestion, thing_id: str
) -> None:
    """Refuse to answer "nothing" about what is not there, or is something else."""
    if is_known(connection, question.kind, thing_id):
        return
    kinds = [str(row["kind"]) for row in fetch_rows(connection, "trace/find_kind", {"id": thing_id})]
    if is_known(connection, _RECORDING, thing_id):
        kinds.append(_RECORDING)
    told = (
        _tell_other_kind(question, thing_id, kinds[0])
        if kinds
        else tell_erased(connection, loop, thing_id) or _tell_unknown(connection, question, thing_id)
    )
    raise UnknownNameError(told)


def _tell_other_kind(question: LineageQuestion, thing_id: str, kind: str) -> str:
    if kind == question.kind == _MODEL:
        return (
            f"{thing_id}: is known by its predictions alone, not by what it learned from; "
            "`turnrow import-model --trained-on` tells that"
        )
    others = list_about(kind)
    hint = f"ask of it {', '.join(others)}" if others else f"`turnrow lineage {thing_id}` shows where it came from"
    return f"{thing_id}: is a {_name(kind)}, and {question.name} is about a {_name(question.kind)}; {hint}"


def _tell_unknown(connection: duckdb.DuckDBPyConnection, question: LineageQuestion, thing_id: str) -> str:
    if question.kind == _REVISION:
        hint = "`turnrow why SAMPLE --json` shows the revision_id of each label of a sample"
    else:
        rows = fetch_rows(connection, "trace/nearest_names", {"kind": question.kind, "id": thing_id})
        hint = name_nearest(thing_id, [str(row["name"]) for row in rows])
    kind = _name(question.kind)
    return f"{thing_id}: the warehouse knows no {kind} of that name, which {question.name} is about; {hint}"


def _name(kind: str) -> str:
    return kind.replace("_", " ")
