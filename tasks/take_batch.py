"""The answer page's batch: chosen and leased, then read once, so that no warehouse is open while a person thinks.

What may be shown before an answer and what may not are kept apart from the start: a `Question` holds nothing that
tells why it is asked, and an `Opinion` is there only where it may ever be shown.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from statistics import quantiles
from typing import Any

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import InputError
from tasks.export_fixes import ask_neutrally
from tasks.find_media import find_media, find_roots
from tasks.hand_out_fixes import Lease, QueueFilter, hand_out
from tasks.loop import Loop
from tasks.make_plain import make_plain
from tasks.read_opinions import Opinion, read_opinions
from tasks.warehouse import open_warehouse, show_only

_FRAMES = 7
_BAND_OF = 10  # plots: of fewer a band would say nothing


@dataclass(frozen=True)
class Frame:
    """A picture by its number in the batch, and how long after the sample in question it was taken."""

    number: int
    offset_seconds: float


@dataclass(frozen=True)
class Question:
    """What a person is shown: the same fields for every kind of question.

    `context` has (name, text) pairs; `features` is None where there is a picture.
    """

    fix_id: str
    attribute: str
    recording_id: str
    object_id: str
    observed_at: str
    context: tuple[tuple[str, str], ...]
    frames: tuple[Frame, ...]
    features: tuple[float, ...] | None


@dataclass(frozen=True)
class Asking:
    """How an attribute is asked: its question, answers, and the guideline as it was when the batch was read."""

    attribute: str
    question: str
    kind: str
    unit: str
    labels: tuple[str, ...]
    guideline: str
    guideline_sha256: str | None


@dataclass(frozen=True)
class Batch:
    """All that the page needs. `opinions` lacks every question whose opinion is never shown.

    `bands`: by attribute, the lower and upper end of the middle four fifths of each feature in this batch.
    """

    questions: tuple[Question, ...]
    askings: Mapping[str, Asking]
    bands: Mapping[str, tuple[tuple[float, float], ...]]
    opinions: Mapping[str, Opinion]
    pictures: tuple[Path, ...]
    unseen_pictures: tuple[str, ...]
    leased_until: datetime | None
    held_by_others: tuple[Lease, ...]


def take_batch(loop: Loop, annotator: str, which: QueueFilter) -> Batch:
    """Lease the questions that a person may answer and return all that is needed to ask them.

    `unseen_pictures` says of the pictures that cannot be shown why. Raises InputError for a name that is none,
    UnknownNameError for an unknown attribute.
    """
    with hand_out(loop, which, annotator=annotator) as handed:
        query = "select fix_id, sample_id, attribute, kind, reason from chosen_fix"
        chosen = handed.warehouse.connection.execute(query).fetchall()
        until, others = handed.leased_until, handed.held_by_others
    askings = {row[2]: read_asking(loop, loop.settings.attribute[row[2]]) for row in chosen}
    with open_warehouse(loop, write=False) as warehouse:
        _restage(warehouse.connection, loop, chosen)
        frames, pictures, unseen = _read_frames(warehouse.connection, loop)
        features = _read_features(warehouse.connection)
        with show_only(warehouse, "chosen_fix"):
            questions = _read_questions(warehouse.connection, frames, features)
        opinions = read_opinions(warehouse, sorted(askings))
    return Batch(questions, askings, _find_bands(questions), opinions, pictures, unseen, until, others)


def read_asking(loop: Loop, attribute: AttributeSettings) -> Asking:
    """Return how an attribute is asked; text and hash of the guideline are those of the same bytes."""
    path = loop.locate(attribute.guideline) if attribute.guideline else None
    content = path.read_bytes() if path is not None and path.is_file() else None
    return Asking(
        attribute.name,
        ask_neutrally(attribute),
        attribute.kind,
        attribute.unit,
        attribute.labels if attribute.kind == "class" else (),
        "" if content is None else content.decode("utf-8", errors="replace"),
        None if content is None else hashlib.sha256(content).hexdigest(),
    )


def _restage(connection: duckdb.DuckDBPyConnection, loop: Loop, chosen: Sequence[tuple[Any, ...]]) -> None:
    """Make the temp tables `chosen_fix`, `asked_sample` (their samples) and `answer_space` (features in use)."""
    connection.execute(
        "create or replace temp table chosen_fix "
        "(fix_id varchar, sample_id varchar, attribute varchar, kind varchar, reason varchar)"
    )
    if chosen:
        connection.executemany("insert into chosen_fix values (?, ?, ?, ?, ?)", chosen)
    connection.execute(
        "create or replace temp table asked_sample as "
        "select distinct sample_id, recording_id, object_id, observed_at "
        "from sample semi join chosen_fix using (sample_id)"
    )
    connection.execute("create or replace temp table answer_space (attribute varchar, feature_space varchar)")
    for attribute in loop.settings.attribute.values():
        connection.execute(
            "insert into answer_space values ($name, $space)",
            {"name": attribute.name, "space": attribute.feature_space},
        )


def _read_frames(
    connection: duckdb.DuckDBPyConnection, loop: Loop
) -> tuple[dict[str, list[Frame]], tuple[Path, ...], tuple[str, ...]]:
    """Return fix -> its frames, the pictures that they number, and why others cannot be shown."""
    roots = find_roots(loop)
    numbers: dict[str, int | None] = {}
    pictures: list[Path] = []
    unseen: list[str] = []
    frames: dict[str, list[Frame]] = {}
    for fix_id, uri, offset in connection.execute(read_sql("answer/frames"), {"at_most": _FRAMES}).fetchall():
        if uri not in numbers:
            try:
                pictures.append(find_media(loop, uri, roots))
                numbers[uri] = len(pictures) - 1
            except InputError as error:
                unseen.append(str(error))
                numbers[uri] = None
        number = numbers[uri]
        if number is not None:
            frames.setdefault(fix_id, []).append(Frame(number, float(offset)))
    return frames, tuple(pictures), tuple(unseen)


def _read_features(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[float, ...]]:
    rows = connection.execute(read_sql("answer/features")).fetchall()
    return {fix_id: tuple(make_plain(float(value)) or 0.0 for value in vector) for fix_id, vector in rows}


def _read_questions(
    connection: duckdb.DuckDBPyConnection,
    frames: Mapping[str, Sequence[Frame]],
    features: Mapping[str, tuple[float, ...]],
) -> tuple[Question, ...]:
    rows = connection.execute(read_sql("answer/questions")).fetchall()
    return tuple(
        Question(
            fix_id,
            attribute,
            recording_id,
            object_id,
            make_plain(observed_at),
            _list_context(unit_id, context),
            tuple(frames.get(fix_id, ())),
            None if frames.get(fix_id) else features.get(fix_id),
        )
        for fix_id, _, attribute, recording_id, object_id, unit_id, observed_at, context in rows
    )


def _find_bands(questions: Sequence[Question]) -> dict[str, tuple[tuple[float, float], ...]]:
    """Return what a plot is seen against, where enough questions of one length of vector are plotted."""
    plotted: dict[str, list[tuple[float, ...]]] = {}
    for question in questions:
        if question.features is not None:
            plotted.setdefault(question.attribute, []).append(question.features)
    return {
        attribute: tuple(
            (cuts[0], cuts[-1]) for cuts in (quantiles(values, n=10) for values in zip(*vectors, strict=True))
        )
        for attribute, vectors in plotted.items()
        if len(vectors) >= _BAND_OF and len({len(vector) for vector in vectors}) == 1
    }


def _list_context(unit_id: str | None, context: str | None) -> tuple[tuple[str, str], ...]:
    known = {} if unit_id is None else {"unit": unit_id}
    told = json.loads(context) if context else {}
    if isinstance(told, dict):
        known |= {
            str(name): value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
            for name, value in told.items()
            if value is not None
        }
    return tuple(known.items())
