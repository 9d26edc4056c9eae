"""`why`: a sample's whole life, and why it is not in a training set where it is not."""

import json
from dataclasses import dataclass, replace

import duckdb

from schemas.settings import AttributeSettings
from tasks.errors import TurnrowError
from tasks.explain_absence import Presence, choose_version, explain_presence
from tasks.fetch_rows import Row, fetch_rows, read_moment
from tasks.find_sample import Matches, find_samples, read_refused, stage_sample
from tasks.group_samples import view_groups
from tasks.loop import Loop
from tasks.read_version import StoredVersion
from tasks.record_definitions import read_guideline
from tasks.warehouse import Warehouse, open_warehouse, show_only

_MOMENTS = {
    "observed_at",
    "known_at",
    "predicted_at",
    "lapsed_at",
    "member_since",
    "asked_since",
    "answered_at",
    "ended_at",
    "decided_at",
    "drawn_at",
    "frozen_at",
    "as_of",
}


@dataclass(frozen=True)
class SampleLife:
    """A sample's life in the order in which it goes.

    `sample`: what it is, its label and, where it has none, why (`disputed_because`). `is_asked`: a question about
    it is open, it is a known item, or an audit asks about it; such answers are hidden. `questions` hold their
    `requests`, `answers` and `outcomes`; `versions` their `models`. `presence` is about one version; None where
    the attribute has none. `group_problem` says why its group cannot be told.
    """

    sample: Row
    arrivals: list[Row]
    refused: list[Row]
    predictions: list[Row]
    flags: list[Row]
    cases: list[Row]
    questions: list[Row]
    is_asked: bool
    revisions: list[Row]
    holdouts: list[Row]
    group_id: str | None
    group_problem: str | None
    reservations: list[Row]
    versions: list[Row]
    check_failures: list[Row]
    presence: Presence | None


def explain_sample(loop: Loop, text: str, version: str | None = None) -> SampleLife | Matches:
    """Return the life of the sample that `text` means, or the samples that it may mean where they are several.

    `version` is the training set that it is looked for in; by default its attribute's latest. Raises
    UnknownNameError where nothing is meant, and for an unknown version.
    """
    with open_warehouse(loop, write=False) as warehouse:
        found = find_samples(warehouse.connection, loop, text)
        if found.count > 1:
            return found
        row = found.rows[0]
        stage_sample(warehouse.connection, str(row["sample_id"]))
        made = choose_version(warehouse.connection, str(row["attribute"]), version)
        return _read_life(warehouse, made)


def _read_life(warehouse: Warehouse, made: StoredVersion | None) -> SampleLife:
    connection, loop = warehouse.connection, warehouse.loop
    with show_only(warehouse, "explained_sample"):
        sample = _read_sample(connection)
        attribute = loop.settings.attribute.get(str(sample["attribute"]))
        guideline = read_guideline(loop, attribute) if attribute else None
        group_id, group_problem = _find_group(connection, attribute)
        parts = {name: _read(connection, name) for name in ("arrivals", "predictions", "flags", "cases")}
        questions = _read_questions(connection, guideline)
        revisions = [_tell_guideline(row, guideline) for row in _read(connection, "revisions")]
    reservations = _read(connection, "reservations", {"attribute": sample["attribute"], "group_id": group_id})
    life = SampleLife(
        sample=sample,
        refused=_read_refused(connection, sample),
        questions=questions,
        is_asked=any(question["is_open"] for question in questions),
        revisions=revisions,
        holdouts=_read(connection, "holdouts"),
        group_id=group_id,
        group_problem=group_problem,
        reservations=reservations,
        versions=_read_versions(connection),
        check_failures=_read(connection, "check_failures"),
        presence=None,
        **parts,
    )
    return life if made is None else _add_presence(warehouse, life, made)


def _read(connection: duckdb.DuckDBPyConnection, name: str, parameters: Row | None = None) -> list[Row]:
    rows = fetch_rows(connection, f"why/{name}", parameters)
    for row in rows:
        row.update({key: read_moment(row[key]) for key in _MOMENTS & row.keys()})
    return rows


def _read_sample(connection: duckdb.DuckDBPyConnection) -> Row:
    (row,) = _read(connection, "sample")
    row["context"] = None if row["context"] is None else json.loads(row["context"])
    return row


def _find_group(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings | None
) -> tuple[str | None, str | None]:
    """Return the sample's group, or why it cannot be told."""
    if attribute is None:
        return None, "turnrow.toml no longer has the attribute, so nothing says what makes its groups"
    try:
        view_groups(connection, attribute)
    except TurnrowError as error:
        return None, str(error)
    row = connection.execute("select group_id from grouped_sample").fetchone()
    return (str(row[0]) if row else None), None


def _read_refused(connection: duckdb.DuckDBPyConnection, sample: Row) -> list[Row]:
    names = (str(sample["recording_id"]), str(sample["object_id"]), str(sample["attribute"]))
    return read_refused(connection, *names, sample["observed_at"])


def _read_questions(connection: duckdb.DuckDBPyConnection, guideline: str | None) -> list[Row]:
    """Return the questions with what belongs to each; answers only of those that have ended."""
    parts = {name: _group(_read(connection, name), "fix_id") for name in ("requests", "answers", "outcomes")}
    questions = [_tell_guideline(row, guideline) for row in _read(connection, "questions")]
    for question in questions:
        question.update({name: rows.get(question["fix_id"], []) for name, rows in parts.items()})
        if question["is_open"]:
            question["answers"] = []
    return questions


def _tell_guideline(row: Row, guideline: str | None) -> Row:
    """Add whether it was decided or asked under what annotators are told today (None: under nothing)."""
    is_present = None if row["guideline_sha256"] is None else row["guideline_sha256"] == guideline
    return {**row, "is_present_guideline": is_present}


def _read_versions(connection: duckdb.DuckDBPyConnection) -> list[Row]:
    models = _group(_read(connection, "models"), "version")
    return [{**row, "models": models.get(row["version"], [])} for row in _read(connection, "versions")]


def _group(rows: list[Row], key: str) -> dict[object, list[Row]]:
    groups: dict[object, list[Row]] = {}
    for row in rows:
        groups.setdefault(row[key], []).append(row)
    return groups


def _add_presence(warehouse: Warehouse, life: SampleLife, made: StoredVersion) -> SampleLife:
    known = {
        **life.sample,
        "group_id": life.group_id,
        "reservations": life.reservations,
        "revisions": life.revisions,
        "arrivals": life.arrivals,
    }
    is_in = any(row["version"] == made.version for row in life.versions)
    return replace(life, presence=explain_presence(warehouse, known, made, is_in=is_in))
