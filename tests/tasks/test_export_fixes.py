"""`queue export` hands out blind questions that come back as they went, in each format."""

import csv
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pytest

from tasks.errors import InputError, UnknownNameError
from tasks.export_fixes import QueueFilter, export_fixes, list_fixes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.queue_fixes import queue_doubted

if TYPE_CHECKING:
    from tests.tasks.conftest import ReadRows, WriteCase, WriteRows

COLUMNS = [
    *("fix_id", "sample_id", "recording_id", "object_id", "observed_at", "attribute", "question"),
    *("allowed_labels", "media_uri", "context", "predicted", "current_label", "case_name", "reason", "priority"),
]
OPEN_ONLY = ("predicted", "current_label", "case_name", "reason", "priority")
FORMATS = ("parquet", "csv", "jsonl")


def read_file(path: Path) -> list[dict[str, Any]]:
    """Read an export as an annotator's own script would."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as handle:
            return list(csv.DictReader(handle))
    if path.suffix == ".jsonl":
        return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    cursor = duckdb.execute(
        "select * replace (cast(observed_at as varchar) as observed_at) from read_parquet(?)", [str(path)]
    )
    names = [column[0] for column in cursor.description or []]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


@pytest.fixture
def asking(loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", write_case: "WriteCase") -> Loop:
    """A loop that asks about a doubted sample, which two cases want, a disputed one, and a number."""
    write_predictions(
        loop,
        [
            {
                "object_id": 'a "quoted", name',
                "predicted": "crate",
                "confidence": 0.5,
                "context": {"light": "dusk", "note": 'a, b\n"c"'},
                "media_uri": "frames/1.png",
            },
            {"object_id": "disputed", "predicted": "animal"},
            {"object_id": "n", "attribute": "distance", "predicted": "2.5"},
        ],
    )
    number = {"object_id": "n", "attribute": "distance"}
    write_labels(
        loop,
        [
            {"object_id": "disputed", "label": "person"},
            {"object_id": "disputed", "label": "crate"},
            {**number, "label": "1.5"},
            {**number, "label": "9.5"},
        ],
    )
    flag_mispredictions(loop)
    where = "list_contains(rules, 'low_margin')"
    cases = [write_case(loop, "mild", where, severity="low"), write_case(loop, "grave", where, severity="high")]
    match_cases(loop, [write_case(loop, "also-grave", where, severity="high"), *cases])
    assert queue_doubted(loop) == 3
    return loop


def test_every_format_asks_the_same_questions_blind(asking: Loop, tmp_path: Path) -> None:
    exports = {}
    for suffix in FORMATS:
        path = tmp_path / f"out.{suffix}"
        assert export_fixes(asking, path, QueueFilter(), is_open=False).questions == 3
        exports[suffix] = read_file(path)
    for suffix, rows in exports.items():
        assert [list(row) for row in rows] == [COLUMNS] * 3, suffix
        assert {row[name] for row in rows for name in OPEN_ONLY} == {"" if suffix == "csv" else None}
        assert {row["question"] for row in rows if row["attribute"] == "obstacle"} == {
            "What is the obstacle here?"
        }
        assert {row["question"] for row in rows if row["attribute"] == "distance"} == {
            "What is the distance here? (in m)"
        }
    named = [[(row["attribute"], row["fix_id"]) for row in rows] for rows in exports.values()]
    assert named == [sorted(named[0])] * 3
    first = {suffix: next(r for r in rows if "quoted" in r["object_id"]) for suffix, rows in exports.items()}
    assert {row["object_id"] for row in first.values()} == {'a "quoted", name'}
    assert {row["observed_at"][:19].replace("T", " ") for row in first.values()} == {"2026-05-01 06:00:00"}
    labels = ["person", "animal", "crate", "ladder", "foliage", "unsure", "unusable"]
    assert first["jsonl"]["allowed_labels"] == first["parquet"]["allowed_labels"] == labels
    assert json.loads(first["csv"]["allowed_labels"]) == labels
    context = {"light": "dusk", "note": 'a, b\n"c"'}
    assert first["jsonl"]["context"] == context
    assert json.loads(first["csv"]["context"]) == json.loads(first["parquet"]["context"]) == context


def test_a_blind_file_holds_no_word_of_what_the_model_or_the_queue_thinks(asking: Loop, tmp_path: Path) -> None:
    """Two samples of one attribute differ in nothing but what names and shows them; nor does the file's frame."""
    import pyarrow.parquet as pq

    path = tmp_path / "out.parquet"
    export_fixes(asking, path, QueueFilter(), is_open=False)
    columns = ("question", "allowed_labels", *OPEN_ONLY)
    asked = {
        json.dumps([row[name] for name in columns]) for row in read_file(path) if row["attribute"] == "obstacle"
    }
    assert len(asked) == 1
    frame = str(pq.read_metadata(path).metadata) + str(pq.read_schema(path).metadata)
    assert not [word for word in ("grave", "low_margin", "second_look", "0.5") if word in frame]
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(("out", ".out"))] == ["out.parquet"]


@pytest.mark.parametrize("suffix", FORMATS)
def test_an_open_file_tells_prediction_label_case_reason_and_priority(
    asking: Loop, tmp_path: Path, suffix: str
) -> None:
    """The case is the most severe one, of equals the first by name, and its question is asked."""
    path = tmp_path / f"out.{suffix}"
    export_fixes(asking, path, QueueFilter(), is_open=True)
    rows = {row["object_id"]: row for row in read_file(path)}
    shown = {
        name: [row[key] or None for key in ("question", "predicted", "current_label", "case_name", "reason")]
        for name, row in rows.items()
    }
    assert shown == {
        'a "quoted", name': ["Is it?", "crate", None, "also-grave", "flagged"],
        "disputed": ["What is the obstacle here?", "animal", None, None, "second_look"],
        "n": ["What is the distance here? (in m)", "2.5", None, None, "second_look"],
    }
    assert all(float(row["priority"]) > 0 for row in rows.values())


@pytest.mark.parametrize("suffix", FORMATS)
def test_an_export_with_two_columns_added_is_what_import_takes(
    asking: Loop, tmp_path: Path, read_rows: "ReadRows", suffix: str
) -> None:
    out, back = tmp_path / f"out.{suffix}", tmp_path / f"back.{suffix}"
    export_fixes(asking, out, QueueFilter(), is_open=False)
    options = {"parquet": "(format parquet)", "csv": "(format csv, header)", "jsonl": "(format json)"}[suffix]
    reader = {"parquet": "read_parquet", "csv": "read_csv", "jsonl": "read_json"}[suffix]
    duckdb.execute(
        "copy (select *, 'ada' as annotator, "
        "case attribute when 'distance' then '2.25' else 'person' end as answer "
        f"from {reader}('{out}')) to '{back}' {options}"
    )
    summary = import_answers(asking, back)
    assert (summary.rows_read, summary.rows_kept, summary.refused) == (3, 3, ())
    assert read_rows(asking, "select answer, answer_value from fix_answer order by all") == [
        ("2.25", 2.25),
        ("person", None),
        ("person", None),
    ]


def test_the_filter_narrows_to_an_attribute_a_case_and_the_most_urgent(asking: Loop, tmp_path: Path) -> None:
    def count(which: QueueFilter) -> tuple[int, int]:
        exported = export_fixes(asking, tmp_path / "o.csv", which, is_open=False)
        return len(list_fixes(asking, which)), exported.questions

    assert count(QueueFilter(attribute="distance")) == (1, 1)
    assert count(QueueFilter(case_name="mild")) == (1, 1)
    assert count(QueueFilter(case_name="no-such-case")) == (0, 0)
    assert count(QueueFilter(at_most=2)) == (2, 2)
    assert {fix["reason"] for fix in list_fixes(asking, QueueFilter(at_most=2))} == {"second_look"}
    with pytest.raises(UnknownNameError, match=r"no attribute distanse in turnrow\.toml"):
        list_fixes(asking, QueueFilter(attribute="distanse"))


def test_a_file_that_cannot_be_written_is_named_and_leaves_nothing(file_loop: Loop, tmp_path: Path) -> None:
    (tmp_path / "taken.csv").mkdir()
    for path, why in (
        (tmp_path / "out.xlsx", "the suffix says the format"),
        (tmp_path / "no" / "out.csv", "is not there; make it first"),
        (tmp_path / "taken.csv", "cannot be written"),
    ):
        with pytest.raises(InputError, match=why):
            export_fixes(file_loop, path, QueueFilter(), is_open=False)
    assert not list(tmp_path.glob(".*.part"))


def test_an_export_of_an_empty_queue_has_its_columns(file_loop: Loop, tmp_path: Path) -> None:
    assert export_fixes(file_loop, tmp_path / "out.csv", QueueFilter(), is_open=False).questions == 0
    assert (tmp_path / "out.csv").read_text(encoding="utf-8").strip() == ",".join(COLUMNS)
