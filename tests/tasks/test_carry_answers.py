"""Where an attribute is constant within a track, a settled answer holds for the object's whole recording."""

from typing import TYPE_CHECKING

from tasks.flag_mispredictions import flag_mispredictions
from tasks.queue_fixes import queue_doubted
from tasks.settle_fixes import SettleSummary, settle_fixes

if TYPE_CHECKING:
    from tasks.loop import Loop
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, ReadRows, WriteRows

SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate"]
within_track = "constant"
answers_needed = 1
rules = []
"""
LABELS = (
    "select k.object_id, strftime(k.observed_at, '%M'), l.label "
    "from current_label l join known_sample k using (sample_id)"
)


def see(minute: int, track: str = "track-1", recording: str = "run-1") -> dict[str, str]:
    return {"recording_id": recording, "object_id": track, "observed_at": f"2026-05-01T06:{minute:02}:00Z"}


def ask(loop: "Loop", insert_rows: "InsertRows", make_id: "MakeId", sample_id: str, attempt: int = 1) -> str:
    fix_id = make_id(sample_id, attempt)
    question = {"attribute": "obstacle", "reason": "flagged" if attempt == 1 else "second_look", "priority": 1.0}
    insert_rows(loop, "label_fix", [{"fix_id": fix_id, "sample_id": sample_id, "attempt": attempt, **question}])
    return fix_id


def test_an_answer_reaches_the_whole_track_and_nothing_else(
    make_any_loop: "MakeLoop",
    write_predictions: "WriteRows",
    write_labels: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    loop = make_any_loop(SETTINGS)
    asked, *_ = write_predictions(loop, [see(1), see(2), see(3), see(4, "track-2"), see(5, recording="run-2")])
    write_labels(loop, [{**see(3), "label": "crate"}])
    first = ask(loop, insert_rows, make_id, asked)
    answer(loop, [(first, "ada", "animal")])

    assert settle_fixes(loop) == SettleSummary(1, 0, 0, carried=1, withdrawn=0)

    expected = {("track-1", "01", "animal"), ("track-1", "02", "animal"), ("track-1", "03", "crate")}
    assert set(read_rows(loop, LABELS)) == expected, "a label that a person brought by file stays"
    assert settle_fixes(loop) == SettleSummary(0, 0, 0)
    named = read_rows(loop, "select count(*), count(distinct fix_id) from label_revision where fix_id is not null")
    assert named == [(2, 1)]

    write_predictions(loop, [see(9)])
    assert settle_fixes(loop).carried == 1, "what comes later is of the same track"
    assert ("track-1", "09", "animal") in read_rows(loop, LABELS)


def test_the_track_s_other_questions_are_withdrawn(
    make_file_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    loop = make_file_loop(SETTINGS)
    samples = write_predictions(loop, [see(1), see(2), see(3, "track-2")])
    first, second, other = (ask(loop, insert_rows, make_id, sample) for sample in samples)
    answer(loop, [(first, "ada", "animal")])

    assert settle_fixes(loop) == SettleSummary(1, 0, 0, carried=1, withdrawn=1)

    outcomes = dict(read_rows(loop, "select fix_id, outcome from fix_outcome"))
    assert outcomes == {first: "settled", second: "withdrawn"}
    assert read_rows(loop, "select fix_id from open_fix") == [(other,)]
    assert queue_doubted(loop) == 0


def test_a_second_look_replaces_what_the_first_carried(
    make_file_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    loop = make_file_loop(SETTINGS)
    asked, _ = write_predictions(loop, [see(1), see(2)])
    answer(loop, [(ask(loop, insert_rows, make_id, asked), "ada", "animal")])
    settle_fixes(loop)
    (own,) = read_rows(loop, "select revision_id from current_label where sample_id = $id", id=asked)
    again = ask(loop, insert_rows, make_id, asked, attempt=2)
    with_about = "update label_fix set about_revisions = [$revision] where fix_id = $fix"
    change(loop, with_about, revision=own[0], fix=again)
    answer(loop, [(again, "ben", "person")])

    assert settle_fixes(loop) == SettleSummary(1, 0, 0, carried=1)

    assert {label for *_, label in read_rows(loop, LABELS)} == {"person"}


def change(loop: "Loop", statement: str, **values: object) -> None:
    from tasks.warehouse import open_warehouse

    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(lambda _: warehouse.connection.execute(statement, values) and None)


def test_what_comes_later_is_flagged_by_the_label_that_reaches_it(
    make_file_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    loop = make_file_loop(SETTINGS.replace("rules = []", 'rules = ["label_disagrees", "low_margin"]'))
    (asked,) = write_predictions(loop, [see(1)])
    answer(loop, [(ask(loop, insert_rows, make_id, asked), "ada", "animal")])
    settle_fixes(loop)
    flag_mispredictions(loop)
    (later,) = write_predictions(loop, [{**see(9), "confidence": 0.5}])
    assert settle_fixes(loop).carried == 1

    flag_mispredictions(loop)

    rules = read_rows(loop, "select rule from live_flag where sample_id = $id order by rule", id=later)
    assert rules == [("label_disagrees",), ("low_margin",)]
    assert queue_doubted(loop) == 0, "it has a label"


def test_an_answer_never_leaves_its_group(
    make_file_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    """A hold-out may hold one zone of a track: its answer must not reach training in another."""
    loop = make_file_loop(SETTINGS + "group_by = \"(context->>'zone')\"\n")
    rows = [{**see(minute), "context": {"zone": zone}} for minute, zone in ((1, "a"), (2, "a"), (3, "b"))]
    asked, *_ = write_predictions(loop, rows)
    answer(loop, [(ask(loop, insert_rows, make_id, asked), "ada", "animal")])

    assert settle_fixes(loop).carried == 1

    assert {minute for _, minute, _ in read_rows(loop, LABELS)} == {"01", "02"}
