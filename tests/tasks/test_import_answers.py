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
from tasks.export_fixes import QueueFilter, export_fixes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import ImportSummary, import_answers
from tasks.loop import Loop
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_settings
from tasks.settle_fixes import settle_fixes

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
    "a control character": (
        "class",
        {"annotator": "ada\u0007"},
        "without commas, control or invisible characters",
    ),
    "an invisible character": ("class", {"annotator": "ada\u200b"}, "invisible characters"),
    "a name spelt otherwise": ("class", {"annotator": "Zoe"}, "annotator is spelt zoe elsewhere"),
    "a name with a blank more": ("class", {"annotator": "z oe"}, "annotator is spelt zoe elsewhere"),
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


def put_many(loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows") -> list["Row"]:
    """Answers of 400 people to one question."""
    write_predictions(loop, [{"confidence": 0.5}])
    flag_mispredictions(loop)
    queue_doubted(loop)
    ((fix_id,),) = read_rows(loop, "select fix_id from open_fix")
    return [give(fix_id, f"person {n}", seconds=1, note="x") for n in range(400)]


@pytest.mark.parametrize(
    ("suffix", "why"),
    [
        ("csv", "has too few columns: 2, where the first line names 5"),
        ("jsonl", "is no JSON object, or half of one"),
    ],
)
def test_of_half_a_file_the_broken_line_alone_is_refused(
    file_loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows", tmp_path: Path, suffix: str, why: str
) -> None:
    rows = put_many(file_loop, write_predictions, read_rows)
    path = tmp_path / f"answers.{suffix}"
    (write_csv if suffix == "csv" else write_jsonl)(path, rows)
    whole = path.read_bytes()
    path.write_bytes(whole[: whole.index(b"person 200") + 8])
    last = path.read_text(encoding="utf-8").splitlines()[-1]

    assert import_answers(file_loop, path) == ImportSummary(201, 200, 0, 1, ((201, why),))

    assert read_rows(file_loop, "select row_number, reason, raw from quarantined_row") == [(201, why, last)]
    path.write_bytes(whole)
    assert import_answers(file_loop, path) == ImportSummary(400, 200, 200, 0, ()), "the rest comes with the rest"


def test_half_a_parquet_file_is_refused_as_a_whole_and_by_name(
    file_loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows", tmp_path: Path
) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    path = tmp_path / "answers.parquet"
    pq.write_table(pa.Table.from_pylist(put_many(file_loop, write_predictions, read_rows)), path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(InputError, match=r"answers\.parquet: cannot be read as parquet"):
        import_answers(file_loop, path)
    assert read_rows(file_loop, "select count(*) from fix_answer") == [(0,)]
    assert read_rows(file_loop, "select count(*) from pull_batch where kind = 'answers'") == [(0,)]


# a line in the middle of a file -> why it is refused
BROKEN_CSV = {
    "FIX,eve": "has too few columns: 2, where the first line names 4",
    "FIX,eve,person,,": "has too many columns: 5, where the first line names 4",
    'FIX,eve,"person': "has a quote that is not closed",
    'FIX,eve,"person" said she,': "has a quote that is not closed",
    "FIX,e\udcffve,person,": "is no UTF-8 text; save the file as UTF-8",
}
BROKEN_JSON = {
    '{"fix_id": "FIX", "annotator": "eve", "ans': "is no JSON object, or half of one",
    '["FIX", "eve", "person"]': "is no JSON object",
    '{"fix_id": "FIX", "annotator": "eve\\ud83d", "answer": "person"}': "holds half a character",
    '{"fix_id": "FIX", "annotator": "e\udcffve", "answer": "person"}': "is no UTF-8 text",
    "[" * 100_000: "is no JSON object, or half of one",
}


@pytest.mark.parametrize(
    ("suffix", "line", "why"),
    [
        *(("csv", line, why) for line, why in BROKEN_CSV.items()),
        *(("jsonl", line, why) for line, why in BROKEN_JSON.items()),
    ],
)
def test_a_broken_line_in_the_middle_costs_that_row_alone(
    file_loop: Loop,
    file_fixes: dict[str, str],
    read_rows: "ReadRows",
    tmp_path: Path,
    suffix: str,
    line: str,
    why: str,
) -> None:
    """The row before it and those after it are kept; one of those has a note of two lines with quotes in it."""
    rows = [give(file_fixes["class"], who, note='she said "no"\nand left') for who in ("ada", "ben", "cyd")]
    path = tmp_path / f"a.{suffix}"
    (write_csv if suffix == "csv" else write_jsonl)(path, rows)
    text = path.read_bytes().decode()
    before = text.index(file_fixes["class"], text.index("ada")) - (0 if suffix == "csv" else len('{"fix_id": "'))
    broken = line.replace("FIX", file_fixes["class"])
    path.write_bytes((text[:before] + broken + "\n" + text[before:]).encode("utf-8", errors="surrogateescape"))

    assert import_answers(file_loop, path) == ImportSummary(4, 3, 0, 1, ((2, why),))

    assert {row[0] for row in read_rows(file_loop, "select note from fix_answer")} == {'she said "no"\nand left'}
    ((raw,),) = read_rows(file_loop, "select raw from quarantined_row")
    assert raw == broken.replace("\udcff", "\\xff")


def test_a_growing_file_is_read_from_what_was_taken_in_at_first(
    file_loop: Loop, file_fixes: dict[str, str], tmp_path: Path
) -> None:
    """An answer page's file that has no answer yet is none; a lone half line is a row that is refused."""
    path = tmp_path / "page.jsonl"
    path.write_bytes(b"")
    assert import_answers(file_loop, path) == ImportSummary(0, 0, 0, 0, ())
    whole = json.dumps(give(file_fixes["class"]))
    path.write_text(whole[:30], encoding="utf-8")
    assert import_answers(file_loop, path).rows_quarantined == 1
    path.write_text(whole, encoding="utf-8")
    assert import_answers(file_loop, path).rows_kept == 1


@pytest.mark.parametrize(
    ("name", "content", "why"),
    [
        ("a.csv", "", "is empty"),
        ("a.csv", "fix_id,annotator\n", "lacks the column answer; it has fix_id, annotator"),
        ("a.csv", "fix_id,annotator,annotator\n", "name each column once"),
        ("a.csv", "fix_id,annotator,answer\n".encode("utf-16"), "no UTF-8 text; save the file as UTF-8"),
        ("a.jsonl", "one\ntwo\n", "no line of it is a JSON object"),
        ("a.jsonl", '{"fix_id": "x"}\n', "lacks the column annotator, answer; it has fix_id"),
        ("a.parquet", "PAR1", "cannot be read as parquet"),
        ("a.xlsx", "x", "the suffix says the format"),
    ],
)
def test_a_file_of_which_nothing_can_be_read_is_named(
    file_loop: Loop, tmp_path: Path, name: str, content: str | bytes, why: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(InputError, match=why) as caught:
        import_answers(file_loop, path)
    assert str(path) in str(caught.value)
    with pytest.raises(InputError, match="there is no such file"):
        import_answers(file_loop, tmp_path / "gone.csv")


def test_what_a_person_saw_and_was_told_is_kept(
    loop: Loop, fixes: dict[str, str], insert_rows: "InsertRows", read_rows: "ReadRows", tmp_path: Path
) -> None:
    """Without a word the prediction was not seen, and the guideline is the question's own; any hash is taken."""
    question = {"sample_id": "s", "attribute": "obstacle", "attempt": 1, "reason": "flagged", "priority": 1.0}
    insert_rows(loop, "label_fix", [{"fix_id": "guided", "guideline_sha256": "own", **question}])
    rows = [
        give("guided", "ada"),
        give("guided", "ben", saw_prediction=True, guideline_sha256="newer"),
        give(fixes["class"], "cyd", saw_prediction="FALSE", guideline_sha256="any"),
        give(fixes["class"], "dan", saw_prediction="1"),
        give(fixes["class"], "eve", saw_prediction="perhaps"),
        give(fixes["class"], "fay", guideline_sha256="x" * 201),
    ]
    summary = import_answers(loop, write_jsonl(tmp_path / "a.jsonl", rows))
    assert summary.refused == (
        (5, "saw_prediction is neither true nor false"),
        (6, "guideline_sha256 has more than 200 characters"),
    )
    kept = read_rows(loop, "select annotator, saw_prediction, guideline_sha256 from fix_answer order by annotator")
    assert kept == [("ada", False, "own"), ("ben", True, "newer"), ("cyd", False, "any"), ("dan", True, None)]


LATE = "comes too late: the answer that it takes back, person, was taken in before"
NOTHING = "takes nothing back: ada gave no answer to this fix before it in this file"
BEFORE = "ada has answered this fix before, with person; the first answer stays"
# what ada does one after the other (None: takes back), and after how many of it the file is imported a first time
# -> what is kept in the end, and the refusals of the last import
TAKEN_BACK: dict[str, tuple[list[str | None], list[int], list[str], list[tuple[int, str]]]] = {
    "and gives another": (["person", None, "crate"], [], ["crate"], []),
    "and gives the same": (["person", None, "person"], [], ["person"], []),
    "and gives none": (["person", None], [], [], []),
    "twice": (["person", None, "crate", None, "animal"], [], ["animal"], []),
    "a changed mind before it": (["person", "crate", None, "animal"], [], ["animal"], []),
    "nothing": ([None, "person"], [], ["person"], [(1, NOTHING)]),
    "twice at once": (["person", None, None, "crate"], [], ["crate"], [(3, NOTHING)]),
    "too late": (["person", None], [1], ["person"], [(2, LATE)]),
    "too late for another": (["person", None, "crate"], [1], ["person"], [(2, LATE), (3, BEFORE)]),
    "too late, then the same": (["person", None, "person"], [1], ["person"], []),
    "in time for the first, and again": (["crate", None, "person"], [3], ["person"], []),
    "in time, then too late": (["crate", None, "person", None], [3], ["person"], [(4, LATE)]),
    "in time though the file was read before it": (["crate", None, "person"], [2], ["person"], []),
}


@pytest.mark.parametrize("name", TAKEN_BACK)
def test_an_answer_is_taken_back_within_its_file_until_it_was_taken_in(
    file_loop: Loop, file_fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path, name: str
) -> None:
    deeds, first_after, kept, refused = TAKEN_BACK[name]
    others = [give(file_fixes["class"], "ben"), give(file_fixes["number"], "ada", "1.5")]
    rows = [
        give(file_fixes["class"], answer=deed)
        if deed
        else {"fix_id": file_fixes["class"], "annotator": "ada", "takes_back": True}
        for deed in deeds
    ]
    path = tmp_path / "a.jsonl"
    for count in (*first_after, len(rows)):
        summary = import_answers(
            file_loop, write_jsonl(path, [*rows[:count], *(others if count == len(rows) else [])])
        )
    assert list(summary.refused) == refused
    assert summary.rows_read == len(rows) + 2
    added = summary.rows_kept + summary.rows_duplicate + summary.rows_taken_back + summary.rows_quarantined
    assert added == summary.rows_read
    mine = "select answer from fix_answer where annotator = 'ada' and fix_id = $fix"
    assert [row[0] for row in read_rows(file_loop, mine, fix=file_fixes["class"])] == kept
    assert read_rows(file_loop, "select count(*) from fix_answer") == [(len(kept) + 2,)]
    facts = "select * from fix_answer order by all"
    before = read_rows(file_loop, facts)
    assert import_answers(file_loop, path).rows_kept == 0
    assert read_rows(file_loop, facts) == before
    sums = "select bool_and(rows_read = rows_kept + rows_duplicate + rows_quarantined) from pull_batch"
    assert read_rows(file_loop, sums) == [(True,)]


def test_takes_back_is_true_or_false(file_loop: Loop, file_fixes: dict[str, str], tmp_path: Path) -> None:
    rows = [
        give(file_fixes["class"], takes_back="no"),
        give(file_fixes["class"], "ben", takes_back="maybe"),
        give(file_fixes["class"], "ada", takes_back="TRUE"),
    ]
    summary = import_answers(file_loop, write_csv(tmp_path / "a.csv", rows))
    assert (summary.rows_taken_back, summary.rows_kept) == (2, 0)
    assert summary.refused == ((2, "takes_back is neither true nor false"),)


def test_whoever_decided_what_is_looked_at_again_is_refused(
    loop: Loop, fixes: dict[str, str], insert_rows: "InsertRows", read_rows: "ReadRows", tmp_path: Path
) -> None:
    """In the same words for a known item, an audit, and a lot that failed; others answer all three."""
    ((sample, _),) = read_rows(loop, "select sample_id, 0 from label_fix where fix_id = $fix", fix=fixes["class"])
    first = [give(fixes["class"], who) for who in ("ada", "ben")]
    import_answers(loop, write_jsonl(tmp_path / "first.jsonl", first))
    settle_fixes(loop)
    ((revision,),) = read_rows(loop, "select revision_id from label_revision")
    item = {"sample_id": sample, "attempt": 2}
    known = {"fix_id": "known", "attribute": "obstacle", "revision_id": revision, "label": "person", **item}
    insert_rows(loop, "known_item", [known])
    lot = {"lot_id": "lot", "attribute": "obstacle", "source": "queue", "lot_number": 1, "aql": 1.0, "level": "II"}
    plan = {"inspection": "normal", "lot_size": 1, "sample_size": 1, "accept_at_most": 0, "reject_from": 1}
    insert_rows(loop, "audit_lot", [lot | plan])
    insert_rows(
        loop, "audit_item", [{"lot_id": "lot", "fix_id": "audit", "audited_fix_id": fixes["class"], **item}]
    )
    again = {
        "fix_id": "again",
        "sample_id": sample,
        "attribute": "obstacle",
        "attempt": 3,
        "reason": "second_look",
    }
    insert_rows(loop, "label_fix", [again | {"priority": 1.0}])
    insert_rows(loop, "fix_outcome", [{"fix_id": fixes["class"], "outcome": "lot_failed"}])
    asked = ("known", "audit", "again")
    rows = [give(fix, who) for fix in asked for who in ("ada", "cyd")]
    summary = import_answers(loop, write_jsonl(tmp_path / "again.jsonl", rows))
    why = "ada decided this sample before, and this question looks at it again: other people answer it"
    assert summary.refused == ((1, why), (3, why), (5, why))
    assert summary.rows_kept == 3
    before = read_rows(loop, "select * from label_revision order by all")
    settle_fixes(loop)
    assert read_rows(loop, "select * from label_revision order by all") == before


def test_answers_to_a_question_that_has_ended_are_kept_and_decide_nothing(
    file_loop: Loop, file_fixes: dict[str, str], read_rows: "ReadRows", tmp_path: Path
) -> None:
    def give_all(*people: str, answer: str) -> int:
        rows = [give(file_fixes["class"], who, answer) for who in people]
        return import_answers(file_loop, write_jsonl(tmp_path / "a.jsonl", rows)).rows_kept

    assert give_all("ada", "ben", answer="person") == 2
    settle_fixes(file_loop)
    facts = ("fix_outcome", "label_revision")
    before = [read_rows(file_loop, f"select * from {table} order by all") for table in facts]
    assert give_all("cyd", "dan", "eve", answer="crate") == 3
    settle_fixes(file_loop)
    assert [read_rows(file_loop, f"select * from {table} order by all") for table in facts] == before


def test_a_csv_export_edited_in_a_spreadsheet_comes_back(
    file_loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows", tmp_path: Path
) -> None:
    """Names that would be formulas went out as text; semicolons, a byte order mark, quotes and CRLF come back."""
    write_predictions(file_loop, [{"object_id": "=1+1", "confidence": 0.5}, {"object_id": "b", "confidence": 0.5}])
    flag_mispredictions(file_loop)
    queue_doubted(file_loop)
    out = tmp_path / "out.csv"
    export_fixes(file_loop, out, QueueFilter(), is_open=False)
    with out.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert {row["object_id"] for row in rows} == {"'=1+1", "b"}
    edited = [row | {"annotator": "ada", "answer": "person", "note": '\'=tall; "wet" grass'} for row in rows]
    path = write_csv(tmp_path / "back.csv", edited, encoding="utf-8-sig", delimiter=";")
    assert import_answers(file_loop, path) == ImportSummary(2, 2, 0, 0, ())
    assert read_rows(file_loop, "select distinct note from fix_answer") == [('=tall; "wet" grass',)]
