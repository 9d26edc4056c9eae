"""The queue asks one question about one sample, the most urgent first, and never what it knows already."""

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tasks.ask_fixes import insert_wishes, make_wishes, prepare_wishes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_settings
from tasks.settle_fixes import SettleSummary, settle_fixes
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, OpenFixes, ReadRows, WriteCase, WriteRows

REQUESTS = "select case_name, reason from fix_request order by all"


def limit(loop: Loop, text: str) -> Loop:
    path = loop.folder / "turnrow.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n[queue]\n" + text, encoding="utf-8")
    return replace(loop, settings=read_settings(loop.folder))


def doubt(loop: Loop, write_predictions: "WriteRows", *names: str) -> dict[str, str]:
    """Serve doubtful predictions and flag them; the first name is the most doubtful one."""
    rows = [{"object_id": name, "confidence": 0.5 + place / 1000} for place, name in enumerate(names)]
    ids = dict(zip(names, write_predictions(loop, rows), strict=True))
    flag_mispredictions(loop)
    return ids


def test_one_fix_a_sample_however_many_cases_and_runs(
    loop: Loop,
    write_predictions: "WriteRows",
    write_case: "WriteCase",
    read_rows: "ReadRows",
    make_id: "MakeId",
) -> None:
    ids = doubt(loop, write_predictions, "a", "b")
    match_cases(loop, [write_case(loop, "first", "object_id = 'a'"), write_case(loop, "second", "true")])

    assert queue_doubted(loop) == 2
    assert queue_doubted(loop) == 0

    assert read_rows(loop, "select fix_id, sample_id, attempt, reason from label_fix order by all") == sorted(
        (make_id(sample_id, 1), sample_id, 1, "flagged") for sample_id in ids.values()
    )
    assert read_rows(loop, REQUESTS) == [("first", "flagged"), ("second", "flagged"), ("second", "flagged")]
    flags: dict[str, str] = dict(read_rows(loop, "select sample_id, misprediction_id from misprediction"))
    asked = read_rows(
        loop, "select f.sample_id, q.misprediction_id from fix_request q join label_fix f using (fix_id)"
    )
    assert {(sample, flags[sample]) for sample in ids.values()} == set(asked)


def test_a_case_that_comes_later_joins_the_open_question(
    loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", read_rows: "ReadRows"
) -> None:
    doubt(loop, write_predictions, "a")
    queue_doubted(loop)
    assert read_rows(loop, REQUESTS) == [(None, "flagged")]
    match_cases(loop, [write_case(loop, "late", "true")])

    assert queue_doubted(loop) == 0
    assert read_rows(loop, REQUESTS) == [("late", "flagged"), (None, "flagged")]
    assert read_rows(loop, "select case_names from open_fix") == [(["late"],)]


def test_a_parked_case_asks_for_nothing(
    file_loop: Loop,
    write_predictions: "WriteRows",
    write_case: "WriteCase",
    insert_rows: "InsertRows",
    read_rows: "ReadRows",
) -> None:
    """Its sample is still a doubted one, and asked as such."""
    doubt(file_loop, write_predictions, "a")
    match_cases(file_loop, [write_case(file_loop, "parked", "true", severity="high")])
    parked = {"case_name": "parked", "state": "parked", "because": "next year", "decided_by": "dora"}
    insert_rows(file_loop, "case_state", [parked])

    assert queue_doubted(file_loop) == 1
    assert read_rows(file_loop, REQUESTS) == [(None, "flagged")]


def test_what_has_a_truth_is_not_asked(
    file_loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows"
) -> None:
    """Neither the one whose label disagrees, nor the doubted one whose label agrees, nor a number."""
    number = {"attribute": "distance", "predicted": "1.0"}
    write_predictions(file_loop, [{}, {"object_id": "agrees", "confidence": 0.5}, {"object_id": "n", **number}])
    write_labels(file_loop, [{}, {"object_id": "agrees", "label": "crate"}])
    write_labels(file_loop, [{"object_id": "n", "attribute": "distance", "label": "5"}])
    assert flag_mispredictions(file_loop).flagged == 2

    assert queue_doubted(file_loop) == 0


def test_the_limits_hold_and_the_most_urgent_come_first(
    file_loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", open_fixes: "OpenFixes"
) -> None:
    """Severity goes before doubt; at most two a run, three open at once."""
    loop = limit(file_loop, "ask_per_run = 2\nopen_at_most = 3\n")
    ids = doubt(loop, write_predictions, "a", "b", "c", "d", "e")
    match_cases(loop, [write_case(loop, "grave", "object_id = 'e'", severity="high")])

    assert queue_doubted(loop) == 2
    assert set(open_fixes(loop)) == {ids["e"], ids["a"]}
    assert queue_doubted(loop) == 1
    assert set(open_fixes(loop)) == {ids["e"], ids["a"], ids["b"]}
    assert queue_doubted(loop) == 0


def test_a_critical_class_is_asked_before_others(
    file_loop: Loop, write_predictions: "WriteRows", open_fixes: "OpenFixes"
) -> None:
    loop = limit(file_loop, "ask_per_run = 1\n")
    _, person = write_predictions(
        loop,
        [
            {"object_id": "a", "predicted": "crate", "confidence": 0.5},
            {"object_id": "b", "predicted": "person", "confidence": 0.58},
        ],
    )
    flag_mispredictions(loop)
    queue_doubted(loop)
    assert list(open_fixes(loop)) == [person]


def test_what_was_asked_and_settled_is_not_asked_again(
    loop: Loop,
    write_predictions: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
) -> None:
    doubt(loop, write_predictions, "a", "b")
    queue_doubted(loop)
    right, wrong = open_fixes(loop).values()
    answer(
        loop, [(fix, who, what) for fix, what in ((right, "crate"), (wrong, "animal")) for who in ("ada", "ben")]
    )
    settle_fixes(loop)
    for _ in range(2):
        flag_mispredictions(loop)
        assert queue_doubted(loop) == 0
    assert read_rows(loop, "select count(*) from label_fix") == [(2,)]


def test_a_disputed_label_gets_a_second_look_about_both_revisions(
    loop: Loop,
    write_labels: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
    make_id: "MakeId",
) -> None:
    sample, _ = write_labels(loop, [{"label": "person"}, {"label": "crate"}])
    assert queue_doubted(loop) == 1
    revisions = sorted(make_id(sample, label, None, "person", None, None, None) for label in ("person", "crate"))
    assert read_rows(loop, "select reason, about_revisions from label_fix") == [("second_look", revisions)]

    fix_id = open_fixes(loop)[sample]
    answer(loop, [(fix_id, "ada", "animal"), (fix_id, "ben", "animal")])
    settle_fixes(loop)

    assert read_rows(loop, "select label, disputed_because from current_label") == [("animal", None)]
    assert read_rows(loop, "select supersedes from label_revision where fix_id is not null") == [(revisions[0],)]
    assert queue_doubted(loop) == 0


def test_a_question_that_ends_without_a_label_twice_is_not_asked_a_third_time(
    file_loop: Loop, write_predictions: "WriteRows", answer: "Answer", open_fixes: "OpenFixes", make_id: "MakeId"
) -> None:
    sample = doubt(file_loop, write_predictions, "a")["a"]
    for attempt in (1, 2):
        assert queue_doubted(file_loop) == 1
        fix_id = open_fixes(file_loop)[sample]
        assert fix_id == make_id(sample, attempt)
        answer(file_loop, [(fix_id, "ada", "unusable"), (fix_id, "ben", "unusable")])
        assert settle_fixes(file_loop) == SettleSummary(settled=0, ambiguous=0, unusable=1)
    assert queue_doubted(file_loop) == 0


def test_a_failed_lot_is_asked_again(
    file_loop: Loop,
    write_predictions: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    insert_rows: "InsertRows",
    make_id: "MakeId",
) -> None:
    sample = doubt(file_loop, write_predictions, "a")["a"]
    queue_doubted(file_loop)
    fix_id = open_fixes(file_loop)[sample]
    answer(file_loop, [(fix_id, "ada", "person"), (fix_id, "ben", "person")])
    settle_fixes(file_loop)
    insert_rows(file_loop, "fix_outcome", [{"fix_id": fix_id, "outcome": "lot_failed"}])

    assert queue_doubted(file_loop) == 1
    assert open_fixes(file_loop) == {sample: make_id(sample, 2)}


def test_a_reserved_group_is_asked_by_its_holdout_only(
    loop: Loop, write_predictions: "WriteRows", insert_rows: "InsertRows", open_fixes: "OpenFixes"
) -> None:
    rows = [{"recording_id": name, "confidence": 0.5} for name in ("free", "reserved", "reserved elsewhere")]
    free, _, elsewhere = write_predictions(loop, rows)
    flag_mispredictions(loop)
    reserved = {"attribute": "obstacle", "group_id": "reserved", "case_name": "x"}
    other = {"attribute": "ground", "group_id": "reserved elsewhere", "case_name": "x"}
    insert_rows(loop, "holdout_reserved", [reserved, other])

    assert queue_doubted(loop) == 2
    assert set(open_fixes(loop)) == {free, elsewhere}


@pytest.mark.parametrize("is_settled", [False, True])
def test_a_question_that_another_process_asked_meanwhile_is_not_asked_again(
    make_lake_loop: "MakeLoop",
    write_predictions: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
    is_settled: bool,
) -> None:
    """On a lake others may ask, and even settle, between staging and the writers' lock."""
    loop = make_lake_loop()
    sample = doubt(loop, write_predictions, "a")["a"]
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        make_wishes(connection)
        connection.execute(
            "insert into wanted_fix (sample_id, attribute, reason, priority) "
            "values ($id, 'obstacle', 'flagged', 1)",
            {"id": sample},
        )
        prepare_wishes(warehouse)
        assert queue_doubted(loop) == 1
        if is_settled:
            fix_id = open_fixes(loop)[sample]
            answer(loop, [(fix_id, "ada", "person"), (fix_id, "ben", "person")])
            settle_fixes(loop)
        assert warehouse.write(lambda known_at: insert_wishes(connection, known_at)) == 0
    assert read_rows(loop, "select attempt from label_fix") == [(1,)]
