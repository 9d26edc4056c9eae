"""The library of lineage questions: each a query of `schemas/sql/lineage`, asked of one thing by name."""

from dataclasses import dataclass
from typing import Any

from schemas.read_toml import name_nearest
from schemas.sql_files import list_sql, read_sql
from tasks.errors import InputError, UnknownNameError
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class LineageQuestion:
    """A question by name, in words, and as SQL; `wants_value`: it is about an id and one more name."""

    name: str
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
    sql = read_sql(f"lineage/{name}")
    words = sql.splitlines()[0].removeprefix("--").strip()
    return LineageQuestion(name.replace("_", "-"), words, sql, "$value" in sql)


def ask_lineage(loop: Loop, name: str, thing_id: str, value: str | None = None) -> LineageAnswer:
    """Ask one question. Raises UnknownNameError for no such question, InputError for a missing value."""
    known = {question.name: question for question in list_questions()}
    if name not in known:
        raise UnknownNameError(f"{name}: no such lineage question; {name_nearest(name, list(known))}")
    question = known[name]
    if question.wants_value != (value is not None):
        wanted = "wants --value too" if question.wants_value else "takes no --value"
        raise InputError(f"{name}: {wanted} ({question.words})")
    bound = {"id": thing_id} if value is None else {"id": thing_id, "value": value}
    with open_warehouse(loop, write=False) as warehouse:
        cursor = warehouse.connection.execute(question.sql, bound)
        columns = [str(column[0]) for column in cursor.description or []]
        return LineageAnswer(name, question.words, columns, [list(row) for row in cursor.fetchall()])
