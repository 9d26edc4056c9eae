"""The table of bad rows: each is quarantined with its reason and its raw content, and its neighbours stay."""

import json
from dataclasses import dataclass
from typing import Any

import pytest

from tasks.loop import Loop
from tasks.pull_logs import PulledFile, pull_files
from tasks.warehouse import open_warehouse

GOOD: dict[str, Any] = {
    "recording_id": "run-1",
    "object_id": "track-1",
    "observed_at": "2024-05-01T10:00:00Z",
    "attribute": "obstacle",
    "model_version": "obstacle-1-5f2a",
    "predicted": "crate",
    "confidence": 0.7,
}
LABEL: dict[str, Any] = {
    "recording_id": "run-1",
    "object_id": "track-1",
    "observed_at": "2024-05-01T10:00:00Z",
    "attribute": "obstacle",
    "label": "person",
    "origin": "person",
}
LABELS = "person, animal, crate, ladder, foliage, step_ladder"
ISO = "expected ISO 8601, as in 2024-05-01T10:00:00Z"


@dataclass(frozen=True)
class Bad:
    """What is changed in a good row, and the reason that it is then refused for."""

    changes: dict[str, Any]
    reason: str


PREDICTIONS = [
    Bad({"recording_id": None}, "recording_id is missing"),
    Bad({"recording_id": ""}, "recording_id is missing"),
    Bad({"object_id": None}, "object_id is missing"),
    Bad({"observed_at": None}, "observed_at is missing"),
    Bad({"attribute": None}, "attribute is missing"),
    Bad({"observed_at": "yesterday"}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": "now"}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": "infinity"}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": 1714557600}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": "2024-13-01T00:00:00Z"}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": "2024-05-01 06:00:00 America/New_York"}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": "01/05/2024 10:00"}, f"observed_at is no time; {ISO}"),
    Bad({"observed_at": "1969-12-31T23:59:59Z"}, "observed_at is outside the years 1970 to 2199"),
    Bad({"observed_at": "2200-01-01T00:00:00Z"}, "observed_at is outside the years 1970 to 2199"),
    Bad(
        {"attribute": "obstacles"},
        "attribute 'obstacles' is not in turnrow.toml; known are distance, ground, obstacle",
    ),
    Bad({"recording_id": "r" * 501}, "recording_id or object_id has more than 500 characters"),
    Bad({"object_id": "t" * 100_000}, "recording_id or object_id has more than 500 characters"),
    Bad({"object_id": "a\u0000b"}, "recording_id or object_id holds a control character"),
    Bad({"recording_id": "a\u001fb"}, "recording_id or object_id holds a control character"),
    Bad({"recording_id": "a\nb"}, "recording_id or object_id holds a control character"),
    Bad({"unit_id": "u" * 501}, "unit_id has more than 500 characters"),
    Bad({"unit_id": "cart\t1"}, "unit_id holds a control character"),
    Bad({"media_uri": "m" * 2001}, "media_uri has more than 2000 characters"),
    Bad({"media_uri": "a\u0007"}, "media_uri holds a control character"),
    Bad({"context": [1, 2]}, "context is no JSON object; expected a JSON object of scalars"),
    Bad({"context": "dusk"}, "context is no JSON object; expected a JSON object of scalars"),
    Bad({"context": {"light": {"a": 1}}}, "context holds a nested value; expected a JSON object of scalars"),
    Bad({"context": {"light": ["dusk"]}}, "context holds a nested value; expected a JSON object of scalars"),
    Bad(
        {"context": {"slope": float("nan")}},
        "context holds a number that is not finite; expected a JSON object of scalars",
    ),
    Bad(
        {"context": '{"light": "dusk", "light": "day"}'},
        "context names a key twice; expected a JSON object of scalars",
    ),
    Bad({"context": {"note": "n" * 20_000}}, "context has more than 20000 characters"),
    Bad({"model_version": None}, "model_version is missing"),
    Bad({"model_version": "m" * 501}, "model_version has more than 500 characters"),
    Bad({"model_version": "m\u0001"}, "model_version holds a control character"),
    Bad({"predicted": None}, "predicted is missing"),
    Bad({"predicted": "dog"}, f"predicted 'dog' is no label of the attribute; expected one of {LABELS}"),
    Bad({"predicted": "Crate"}, f"predicted 'Crate' is no label of the attribute; expected one of {LABELS}"),
    Bad({"confidence": None}, "confidence is missing"),
    Bad({"confidence": "high"}, "confidence is no number; expected 0 to 1"),
    Bad({"confidence": float("nan")}, "confidence is nan; expected 0 to 1"),
    Bad({"confidence": -0.25}, "confidence is -0.25; expected 0 to 1"),
    Bad({"confidence": 97.0}, "confidence is 97.0; expected 0 to 1"),
    Bad({"role": "shadow"}, "role is 'shadow'; expected served or replay"),
    Bad({"predicted_at": "soon"}, f"predicted_at is no time; {ISO}"),
    Bad({"predicted_at": "9999-01-01"}, "predicted_at is outside the years 1970 to 2199"),
    Bad({"scores": [0.5, 0.5]}, "scores is no JSON object; expected a JSON object of label to probability"),
    Bad(
        {"scores": {"dog": 0.5}},
        "scores name a label that is none of the attribute; expected " + LABELS,
    ),
    Bad({"scores": {"crate": "0.5"}}, "scores hold a value that is no number; expected 0 to 1"),
    Bad({"scores": {"crate": 1.5}}, "scores hold a value outside 0 to 1"),
    Bad({"reference_label": "dog", "reference_origin": "person"},
        f"label 'dog' is no label of the attribute; expected one of {LABELS}"),
    Bad({"reference_label": "person"}, "reference_origin is missing beside a reference_label"),
    Bad({"reference_origin": "person"}, "reference_origin stands without a reference_label"),
    Bad({"reference_label": "person", "reference_origin": "lidar"},
        "origin is 'lidar'; expected person, machine or synthetic"),
    Bad({"features": "none"}, "features is no list of numbers"),
    Bad({"features": []}, "features is empty"),
    Bad({"features": [1.0, None, 2.0]}, "features holds a value that is no number"),
    Bad({"features": [1.0, "x", 2.0]}, "features holds a value that is no number"),
    Bad({"features": [1.0, float("nan"), 2.0]}, "features holds a value that is not finite"),
    Bad({"features": [1.0, float("inf"), 2.0]}, "features holds a value that is not finite"),
    Bad({"features": [0.0, 0.0, 0.0]}, "features has norm zero"),
    Bad({"features": [1.0, 2.0]}, "features has length 2; expected 3, as elsewhere in the space features:1"),
    Bad({"embedding": [0.0, 0.0]}, "embedding has norm zero"),
    Bad({"embedding": [1.0], "embedder": "features:1"},
        "embedder starts with 'features:', which is kept for features; expected another name"),
    Bad({"attribute": "distance", "predicted": "far"}, "predicted 'far' is no finite number"),
    Bad({"attribute": "distance", "predicted": "inf"}, "predicted 'inf' is no finite number"),
    Bad({"attribute": "distance", "predicted": "4.5", "confidence": 2.0}, "confidence is 2.0; expected 0 to 1"),
]  # fmt: skip

LABEL_ROWS = [
    Bad({"label": None}, "label is missing"),
    Bad({"label": "unsure"}, f"label 'unsure' is no label of the attribute; expected one of {LABELS}"),
    Bad({"origin": None}, "origin is missing"),
    Bad({"origin": "robot"}, "origin is 'robot'; expected person, machine or synthetic"),
    Bad({"decided_at": "last week"}, f"decided_at is no time; {ISO}"),
    Bad({"decided_by": "a\u0002"}, "decided_by holds a control character"),
    Bad({"embedding": [1.0, 2.0]}, "embedding has no embedder; expected the name of its space"),
    Bad({"attribute": "distance", "label": "far"}, "label 'far' is no finite number"),
]


def pull_lines(loop: Loop, rows: list[dict[str, Any]]) -> PulledFile:
    path = loop.folder / "rows.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    (pulled,) = pull_files(loop, [path]).files
    return pulled


def read(loop: Loop, query: str) -> list[tuple[Any, ...]]:
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(query).fetchall()


def check_one_bad(loop: Loop, good: dict[str, Any], bad: Bad) -> None:
    neighbours = [{**good, "object_id": f"near-{i}", "features": [1.0, 2.0, i + 1.0]} for i in range(2)]
    row = {**good, **bad.changes}
    pulled = pull_lines(loop, [neighbours[0], row, neighbours[1]])
    assert (pulled.error, pulled.rows_read, pulled.rows_kept, pulled.rows_duplicate) == ("", 3, 2, 0)
    quarantined = read(loop, "select row_number, reason, raw from quarantined_row")
    assert quarantined == [(2, bad.reason, json.dumps(row))]
    assert sorted(read(loop, "select object_id from sample")) == [("near-0",), ("near-1",)]


@pytest.mark.parametrize("bad", PREDICTIONS, ids=lambda bad: str(bad.changes)[:40])
def test_a_bad_prediction_is_quarantined_with_its_reason(file_loop: Loop, bad: Bad) -> None:
    check_one_bad(file_loop, GOOD, bad)


@pytest.mark.parametrize("bad", LABEL_ROWS, ids=lambda bad: str(bad.changes)[:40])
def test_a_bad_label_is_quarantined_with_its_reason(file_loop: Loop, bad: Bad) -> None:
    check_one_bad(file_loop, LABEL, bad)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("{not json", "is no JSON object"),
        ('{"recording_id": "run-1"', "is no JSON object"),
        ("[1, 2]", "is no JSON object"),
        ("17", "is no JSON object"),
    ],
)
def test_a_broken_json_line_is_one_quarantined_row(file_loop: Loop, line: str, reason: str) -> None:
    path = file_loop.folder / "rows.jsonl"
    good = json.dumps(GOOD)
    path.write_text(f"{good}\n{line}\n{json.dumps({**GOOD, 'object_id': 'track-2'})}\n", encoding="utf-8")
    (pulled,) = pull_files(file_loop, [path]).files
    assert (pulled.rows_read, pulled.rows_kept, pulled.rows_quarantined) == (3, 2, 1)
    assert read(file_loop, "select row_number, reason, raw from quarantined_row") == [(2, reason, line)]


HEADER = "recording_id,object_id,observed_at,attribute,model_version,predicted,confidence"
LINE = "run-1,{},2024-05-01T10:00:00Z,obstacle,obstacle-1-5f2a,crate,0.7"


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("run-1,track-9", "is a broken line (missing columns)"),
        (LINE.format("track-9") + ",more", "is a broken line (too many columns)"),
    ],
)
def test_a_broken_csv_line_is_one_quarantined_row(file_loop: Loop, line: str, reason: str) -> None:
    path = file_loop.folder / "rows.csv"
    lines = [HEADER, LINE.format("track-1"), line, LINE.format("track-2"), LINE.format("")]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (pulled,) = pull_files(file_loop, [path]).files
    assert (pulled.rows_read, pulled.rows_kept, pulled.rows_quarantined) == (4, 2, 2)
    quarantined = read(file_loop, "select row_number, reason, raw from quarantined_row order by row_number")
    assert quarantined[0] == (2, reason, line)
    assert quarantined[1][:2] == (4, "object_id is missing")


def test_a_csv_line_that_is_not_utf_8_is_one_quarantined_row(file_loop: Loop) -> None:
    path = file_loop.folder / "rows.csv"
    lines = [HEADER, LINE.format("track-1"), LINE.format("tr\udcffck"), LINE.format("track-2")]
    path.write_bytes("\n".join(lines).encode("utf-8", "surrogateescape"))
    (pulled,) = pull_files(file_loop, [path]).files
    assert (pulled.rows_read, pulled.rows_kept, pulled.rows_quarantined) == (3, 2, 1)
    assert read(file_loop, "select row_number, reason from quarantined_row") == [
        (2, "is a broken line (invalid encoding)")
    ]


CONTRADICTIONS = [
    ({"unit_id": "cart-1"}, {"unit_id": "cart-2"}, "contradicts what is known of the sample: another unit_id"),
    ({"media_uri": "a"}, {"media_uri": "b"}, "contradicts what is known of the sample: another media_uri"),
    ({"context": {"light": "dusk"}}, {"context": {"light": "day"}},
     "contradicts what is known of the sample: another context"),
    ({"features": [1, 2]}, {"features": [1, 3]},
     "contradicts what is known of the sample: another vector features:1"),
    ({}, {"predicted": "person"},
     "a second, different prediction of model obstacle-1-5f2a as served for the sample"),
    ({}, {"confidence": 0.8},
     "a second, different prediction of model obstacle-1-5f2a as served for the sample"),
    ({}, {"scores": {"crate": 0.7}},
     "a second, different prediction of model obstacle-1-5f2a as served for the sample"),
    ({}, {"predicted_at": "2024-05-01T10:00:01Z"},
     "a second, different prediction of model obstacle-1-5f2a as served for the sample"),
]  # fmt: skip


@pytest.mark.parametrize(("first", "second", "reason"), CONTRADICTIONS)
@pytest.mark.parametrize("together", [True, False], ids=["one file", "two pulls"])
def test_of_rows_that_contradict_each_other_the_first_stays(
    file_loop: Loop, first: dict[str, Any], second: dict[str, Any], reason: str, together: bool
) -> None:
    rows = [{**GOOD, **first}, {**GOOD, **second}]
    if together:
        pull_lines(file_loop, rows)
    else:
        pull_lines(file_loop, rows[:1])
        pull_lines(file_loop, rows[1:])
    assert read(file_loop, "select reason, raw from quarantined_row") == [
        (f"{reason}; the first to arrive stays", json.dumps(rows[1]))
    ]
    assert read(file_loop, "select count(*) from prediction") == [(1,)]


def test_a_refused_row_adds_nothing_that_a_later_row_could_contradict(file_loop: Loop) -> None:
    rows = [
        {**GOOD, "unit_id": "cart-1"},
        {**GOOD, "model_version": "b", "unit_id": "cart-2", "media_uri": "refused"},
        {**GOOD, "model_version": "c", "media_uri": "kept"},
        {**GOOD, "model_version": "d", "media_uri": "refused"},
    ]
    pulled = pull_lines(file_loop, rows)
    assert (pulled.rows_kept, pulled.rows_quarantined) == (2, 2)
    assert read(file_loop, "select row_number from quarantined_row order by all") == [(2,), (4,)]
    assert read(file_loop, "select unit_id, media_uri from current_sample") == [("cart-1", "kept")]


def test_a_contradiction_is_settled_alike_on_a_lake(loop: Loop) -> None:
    rows = [
        {**GOOD, "unit_id": "cart-1"},
        {**GOOD, "unit_id": "cart-2"},
        {**GOOD, "predicted": "person"},
        GOOD,
    ]
    pulled = pull_lines(loop, rows)
    assert (pulled.rows_kept, pulled.rows_duplicate, pulled.rows_quarantined) == (1, 1, 2)
    pulled = pull_lines(loop, rows[1:])
    assert (pulled.rows_kept, pulled.rows_duplicate, pulled.rows_quarantined) == (0, 1, 2)
