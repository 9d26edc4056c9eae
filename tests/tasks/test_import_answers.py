"""`queue import` keeps every good answer once, and says of each other row why it is refused."""

import csv
import hashlib
import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tasks.errors import InputError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import ImportSummary, import_answers
from tasks.loop import Loop
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_settings

if TYPE_CHECKING:
    from tests.tasks.conftest import InsertRows, MakeId, ReadRows, Row, WriteRows

NAMES = ("fix_id", "annotator", "answer", "answered_at", "seconds", "note")
ANSWERS = "select fix_id, annotator, answer, answer_value, answered_at, seconds, note from fix_answer order by all"


def put_questions(
    loop: Loop, write_predictions: "WriteRows", insert_rows: "InsertRows", make_id: "MakeId"
) -> dict[str, str]:
    rows: list[Row] = [
        {"object_id": "class", "attribute": "obstacle", "confidence": 0.5},
        {"object_id": "number", "attribute": "distance", "predicted": "1.0"},
    ]
    samples = write_predictions(loop, rows)
    asked = {name: make_id(sample, 1) for name, sample in zip(("class", "number"), samples, strict=True)}
    question = {"attempt": 1, "reason": "flagged", "priority": 1.0}
    fixes = [
        {"fix_id": make_id(sample, 1), "sample_id": sample, "attribute": row["attribute"], **question}
        for row, sample in zip(rows, samples, strict=True)
    ]
    insert_rows(loop, "label_fix", fixes)
    return asked


@pytest.fixture
def fixes(
    loop: Loop, write_predictions: "WriteRows", insert_rows: "InsertRows", make_id: "MakeId"
) -> dict[str, str]:
    """The fix_ids of two open questions: `class` about an obstacle, `number` about a distance."""
    return put_questions(loop, write_predictions, insert_rows, make_id)


@pytest.fixture
def file_fixes(
    file_loop: Loop, write_predictions: "WriteRows", insert_rows: "InsertRows", make_id: "MakeId"
) -> dict[str, str]:
    """The same in a DuckDB file alone."""
    return put_questions(file_loop, write_predictions, insert_rows, make_id)


def write_jsonl(path: Path, rows: Sequence["Row"]) -> Path:
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


def write_csv(path: Path, rows: Sequence["Row"], *, encoding: str = "utf-8", delimiter: str = ",") -> Path:
    """Write as a spreadsheet does: line ends of two characters, quotes where needed."""
    with path.open("w", encoding=encoding, newline="") as handle:
        writer = csv.DictWriter(handle, fieldnames=list(rows[0]), delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)
    return path


def give(fix_id: str, annotator: str = "ada", answer: Any = "person", **more: Any) -> "Row":
    return {"fix_id": fix_id, "annotator": annotator, "answer": answer, **more}


# what is wrong with a row -> the row's difference from a good one, and its reason
REFUSED: dict[str, tuple[str, "Row", str]] = {
    "no fix": ("class", {"fix_id": ""}, "fix_id is missing"),
    "an unknown fix": ("class", {"fix_id": "0" * 32}, "fix_id is not known here"),
    "no annotator": ("class", {"annotator": "  "}, "annotator is missing"),
    "a comma in the name": ("class", {"annotator": "ada,ben"}, "without commas"),
    "a control character": ("class", {"annotator": "ada\u0007"}, "without commas or control characters"),
    "a long name": ("class", {"annotator": "a" * 201}, "at most 200 characters"),
    "no answer": ("class", {"answer": None}, "answer is missing"),
    "a foreign label": ("class", {"answer": "tractor"}, "answer is not one of person, animal, crate"),
    "another spelling": ("class", {"answer": "Person"}, "answer is not one of"),
    "an old label": ("class", {"answer": "step_ladder"}, "answer is not one of"),
    "a label for a number": ("number", {"answer": "person"}, "answer is not a number, unsure or unusable"),
    "a decimal comma": ("number", {"answer": "1,5"}, "answer is not a number"),
    "not a number": ("number", {"answer": "NaN"}, "answer is not a number"),
    "infinity": ("number", {"answer": "inf"}, "answer is not a number"),
    "a bad time": ("class", {"answered_at": "yesterday"}, "answered_at is not a time"),
    "a bad time of one who is unsure": ("class", {"answer": "unsure", "answered_at": "2026-13-01"}, "not a time"),
    "a named zone": ("class", {"answered_at": "2026-05-01 12:00:00 Europe/Berlin"}, "not a time"),
    "negative seconds": ("class", {"seconds": -1}, "seconds is not a number of seconds"),
    "bad seconds": ("class", {"answer": "unusable", "seconds": "long"}, "seconds is not a number of seconds"),
    "a long note": ("class", {"note": "n" * 2001}, "note has more than 2000 characters"),
}


def test_each_bad_answer_is_refused_with_its_reason_and_the_rest_is_kept(
    loop: Loop, fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    bad = [
        give(fixes[fix]) | {"annotator": f"person {n}"} | row for n, (fix, row, _) in enumerate(REFUSED.values())
    ]
    good = [give(fixes["class"], "zoe"), give(fixes["number"], "zoe", 1.25)]
    path = write_jsonl(tmp_path / "answers.jsonl", [good[0], *bad, good[1]])

    summary = import_answers(loop, path)

    assert (summary.rows_read, summary.rows_kept, summary.rows_duplicate) == (len(bad) + 2, 2, 0)
    assert [number for number, _ in summary.refused] == list(range(2, len(bad) + 2))
    reasons = dict(zip(REFUSED, [reason for _, reason in summary.refused], strict=True))
    wanted = {name: reason for name, (_, _, reason) in REFUSED.items()}
    assert {name: reason for name, reason in reasons.items() if wanted[name] not in reason} == {}
    kept = read_rows(
        loop, "select annotator, answer, answer_value, saw_prediction from fix_answer order by answer"
    )
    assert kept == [("zoe", "1.25", 1.25, False), ("zoe", "person", None, False)]
    batch_id = hashlib.sha256(hashlib.sha256(path.read_bytes()).hexdigest().encode()).hexdigest()[:32]
    quarantined = read_rows(
        loop, "select batch_id, row_number, reason, raw from quarantined_row order by row_number"
    )
    assert [(row[0], row[1], row[2]) for row in quarantined] == [(batch_id, n, r) for n, r in summary.refused]
    raws = [{k: v for k, v in json.loads(row[3]).items() if v is not None} for row in quarantined]
    text = [{k: str(v) for k, v in row.items() if v is not None} for row in bad]
    assert raws == text
    counts = "select batch_id, kind, rows_read, rows_kept, rows_duplicate, rows_quarantined from pull_batch"
    assert read_rows(loop, f"{counts} where kind = 'answers'") == [
        (batch_id, "answers", len(bad) + 2, 2, 0, len(bad))
    ]


def test_the_first_answer_of_a_person_stays(
    loop: Loop, fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    """The same again is a duplicate, another one is refused: within a file, and against an earlier one."""
    fix = fixes["class"]
    first = write_jsonl(
        tmp_path / "first.jsonl",
        [give(fix), give(fix), give(fix, answer="crate"), give(fix, "ben", "crate")],
    )
    assert import_answers(loop, first) == ImportSummary(
        4, 2, 1, 1, ((3, "ada answers this fix twice in the file, first with person"),)
    )
    again = write_jsonl(
        tmp_path / "again.jsonl",
        [give(fix, answer="crate"), give(fix, note="the same"), give(fix, "cyd")],
    )
    assert import_answers(loop, again) == ImportSummary(
        3, 1, 1, 1, ((1, "ada has answered this fix before, with person; the first answer stays"),)
    )
    assert read_rows(loop, "select annotator, answer from fix_answer order by all") == [
        ("ada", "person"),
        ("ben", "crate"),
        ("cyd", "person"),
    ]


def test_a_number_is_the_same_answer_however_it_is_written(
    file_loop: Loop, file_fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    fix = file_fixes["number"]
    rows = [give(fix, answer=text) for text in ("1.50", "1.5", 1.5, "15e-1", "1.6")]
    summary = import_answers(file_loop, write_jsonl(tmp_path / "a.jsonl", rows))
    assert (summary.rows_kept, summary.rows_duplicate) == (1, 3)
    assert summary.refused == ((5, "ada answers this fix twice in the file, first with 1.50"),)
    assert read_rows(file_loop, "select answer, answer_value from fix_answer") == [("1.50", 1.5)]


def test_the_same_file_again_and_a_renamed_copy_add_nothing(
    loop: Loop, fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    path = write_jsonl(
        tmp_path / "a.jsonl", [give(fixes["class"]), give("nobody knows"), give(fixes["number"], answer=2)]
    )
    facts = ("fix_answer", "quarantined_row", "pull_batch")
    first = import_answers(loop, path)
    before = [read_rows(loop, f"select * from {table} order by all") for table in facts]

    copy = tmp_path / "renamed.jsonl"
    shutil.copy(path, copy)
    for again in (path, copy):
        assert import_answers(loop, again) == ImportSummary(3, 0, 2, 1, first.refused)

    assert [read_rows(loop, f"select * from {table} order by all") for table in facts] == before


def test_the_same_answers_in_another_file_add_its_batch_alone(
    file_loop: Loop, file_fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    import_answers(file_loop, write_jsonl(tmp_path / "a.jsonl", [give(file_fixes["class"])]))
    before = read_rows(file_loop, "select * from fix_answer")
    assert (
        import_answers(file_loop, write_csv(tmp_path / "a.csv", [give(file_fixes["class"])])).rows_duplicate == 1
    )
    assert read_rows(file_loop, "select * from fix_answer") == before
    counts = read_rows(
        file_loop, "select rows_kept, rows_duplicate from pull_batch where kind = 'answers' order by all"
    )
    assert counts == [(0, 1), (1, 0)]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_spreadsheets_csv_is_read_as_it_was_meant(
    loop: Loop, fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path, separator: str
) -> None:
    """A byte order mark, line ends of two characters, quoted separators, quotes and line breaks, empty cells."""
    note = f'dusk{separator} "wet"\nand far'
    rows = [
        give(fixes["class"], "Zoë ", answered_at="2026-05-01T14:00:00.25+02:00", seconds="3.5", note=note),
        give(fixes["number"], "Zoe\u0308", "2.50", answered_at="", seconds="", note=""),
    ]
    path = write_csv(tmp_path / "a.csv", rows, encoding="utf-8-sig", delimiter=separator)

    assert import_answers(loop, path).refused == ()

    noon = datetime(2026, 5, 1, 12, 0, 0, 250_000, tzinfo=UTC)
    found = [
        row if row[4] is None else (*row[:4], row[4].astimezone(UTC), *row[5:]) for row in read_rows(loop, ANSWERS)
    ]
    assert sorted(found, key=lambda row: row[2]) == [
        (fixes["number"], "Zoë", "2.50", 2.5, None, None, None),
        (fixes["class"], "Zoë", "person", None, noon, 3.5, note),
    ]


def test_every_notation_and_format_of_a_time_is_the_same_instant(
    file_loop: Loop, file_fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    moment = datetime(2026, 5, 1, 12, tzinfo=UTC)
    texts = ["2026-05-01T12:00:00Z", "2026-05-01 14:00:00+02:00", "20260501T120000Z", "2026-05-01T12:00"]
    rows = [give(file_fixes["class"], f"p{n}", answered_at=text) for n, text in enumerate(texts)]
    import_answers(file_loop, write_jsonl(tmp_path / "all.jsonl", rows))
    import_answers(
        file_loop, write_jsonl(tmp_path / "one.jsonl", [give(file_fixes["class"], "q", answered_at=texts[1])])
    )
    for n, kind in enumerate((pa.timestamp("us", tz="Europe/Berlin"), pa.timestamp("ns"), pa.timestamp("s"))):
        value = moment if n == 0 else moment.replace(tzinfo=None)
        table = pa.table(
            {
                "fix_id": [file_fixes["class"]],
                "annotator": [f"r{n}"],
                "answer": ["person"],
                "answered_at": pa.array([value], kind),
            }
        )
        pq.write_table(table, tmp_path / f"{n}.parquet")
        assert import_answers(file_loop, tmp_path / f"{n}.parquet").refused == ()
    assert read_rows(file_loop, "select count(*), list(distinct epoch_us(answered_at)) from fix_answer") == [
        (8, [int(moment.timestamp()) * 1_000_000])
    ]


def test_answers_about_an_attribute_that_is_gone_are_refused(
    file_loop: Loop, file_fixes: dict[str, str], tmp_path: Path
) -> None:
    path = file_loop.folder / "turnrow.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: text.index("[attribute.distance]")], encoding="utf-8")
    later = replace(file_loop, settings=read_settings(file_loop.folder))
    summary = import_answers(
        later, write_jsonl(tmp_path / "a.jsonl", [give(file_fixes["number"], answer="anything")])
    )
    assert summary.refused == ((1, "turnrow.toml has no attribute distance any more"),)


@pytest.mark.parametrize("suffix", ["parquet", "csv", "jsonl"])
def test_half_a_file_is_refused_as_a_whole_and_by_name(
    file_loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows", tmp_path: Path, suffix: str
) -> None:
    write_predictions(file_loop, [{"confidence": 0.5}])
    flag_mispredictions(file_loop)
    queue_doubted(file_loop)
    ((fix_id,),) = read_rows(file_loop, "select fix_id from open_fix")
    rows = [give(fix_id, f"person {n}", seconds=1, note="x") for n in range(400)]
    path = tmp_path / f"answers.{suffix}"
    if suffix == "parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        pq.write_table(pa.Table.from_pylist(rows), path)
    elif suffix == "csv":
        write_csv(path, rows)
    else:
        write_jsonl(path, rows)
    whole = path.read_bytes()
    cut = len(whole) // 2 if suffix == "parquet" else whole.index(b"person 200") + 8
    path.write_bytes(whole[:cut])

    with pytest.raises(InputError, match=rf"answers\.{suffix}: cannot be read as {suffix}"):
        import_answers(file_loop, path)

    assert read_rows(file_loop, "select count(*) from fix_answer") == [(0,)]
    assert read_rows(file_loop, "select count(*) from pull_batch where kind = 'answers'") == [(0,)]
