"""The queue asks one question about one sample, the most urgent first, and never what it knows already."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
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


def clock(loop: Loop, moment: datetime) -> Loop:
    return replace(loop, clock=lambda: moment)


def test_the_formula_asks_hold_outs_and_the_watch_first_whatever_else_holds(file_loop: Loop) -> None:
    """Even the most urgent second look comes after the watch, and the most urgent doubt after an old guideline."""
    with open_warehouse(file_loop, write=False) as warehouse:

        def value(reason: str, *, most: bool) -> float:
            rest = "'high', true, 1.0, rule_precision := 1.0, case_share := 1.0" if most else "null, false, null"
            row = warehouse.connection.execute(f"select fix_priority('{reason}', {rest})").fetchone()
            assert row is not None
            return float(row[0])

        first = min(value("holdout", most=False), value("watch", most=False))
        assert first > max(value("second_look", most=True), value("guideline", most=True))
        doubts = ("flagged", "mined", "look_alike")
        assert min(value("second_look", most=False), value("guideline", most=False)) > max(
            value(reason, most=True) for reason in doubts
        )


def test_a_rule_that_is_right_is_asked_before_one_that_is_not(
    file_loop: Loop,
    write_predictions: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
) -> None:
    """Three flags each are settled: all of `tall` were errors, none of `wide`. So (3 + 1) / (3 + 2) and 1 / 5."""
    path = file_loop.folder / "turnrow.toml"
    rules = [("tall", "starts_with(object_id, 'tall')"), ("wide", "starts_with(object_id, 'wide')")]
    text = path.read_text(encoding="utf-8").replace(
        "answers_needed = 2", 'answers_needed = 1\nrules = ["label_disagrees"]', 1
    )
    tables = [f'[[rule]]\nname = "{name}"\nattribute = "obstacle"\nwhere = "{where}"\n' for name, where in rules]
    path.write_text(text + "\n" + "".join(tables), encoding="utf-8")
    loop = replace(file_loop, settings=read_settings(file_loop.folder))
    names = [f"{rule}{n}" for rule in ("tall", "wide") for n in range(3)]
    ids = dict(zip(names, write_predictions(loop, [{"object_id": name} for name in names]), strict=True))
    flag_mispredictions(loop)
    assert queue_doubted(loop) == 6
    fixes = open_fixes(loop)
    answer(loop, [(fixes[ids[name]], "ada", "person" if "tall" in name else "crate") for name in names])
    settle_fixes(loop)
    late = write_predictions(loop, [{"object_id": "wide9"}, {"object_id": "tall9"}])
    flag_mispredictions(loop)
    assert queue_doubted(loop) == 2
    found: dict[str, float] = dict(read_rows(loop, "select sample_id, priority from open_fix"))
    assert found[late[1]] - found[late[0]] == pytest.approx(4 * (4 / 5 - 1 / 5))


def test_a_case_that_occurs_more_often_is_asked_before_a_rare_one(
    file_loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", read_rows: "ReadRows"
) -> None:
    """Of 16 served samples nine are members of one case, four of the other: square roots 3/4 and 2/4."""
    names = [*(f"often{n}" for n in range(9)), *(f"rare{n}" for n in range(4)), "x", "y", "z"]
    rows = [{"object_id": name, "confidence": 0.5, "scores": None} for name in names]
    ids = dict(zip(names, write_predictions(file_loop, rows), strict=True))
    flag_mispredictions(file_loop)
    cases = [write_case(file_loop, name, f"starts_with(object_id, '{name}')") for name in ("often", "rare")]
    match_cases(file_loop, cases)
    queue_doubted(file_loop)
    found: dict[str, float] = dict(read_rows(file_loop, "select sample_id, priority from open_fix"))
    assert found[ids["often0"]] - found[ids["rare0"]] == pytest.approx(4 * (3 / 4 - 2 / 4))


MONDAY = datetime(2030, 5, 6, 2, tzinfo=UTC)


def test_no_more_than_per_week_are_opened_in_any_seven_days(
    file_loop: Loop, write_predictions: "WriteRows", insert_rows: "InsertRows", read_rows: "ReadRows"
) -> None:
    """Hold-outs and the watch are neither counted nor cut; what was opened seven days ago gives room again."""
    loop = limit(file_loop, "per_week = 5\nask_per_run = 3\n")
    doubt(loop, write_predictions, *"abcdefghijkl")
    question = {"attribute": "obstacle", "attempt": 1, "priority": 1.0}
    held = [
        {"fix_id": f"h{n}", "sample_id": f"h{n}", "reason": ("holdout", "watch")[n % 2], **question}
        for n in range(20)
    ]
    insert_rows(clock(loop, MONDAY), "label_fix", held)
    asked = [queue_doubted(clock(loop, MONDAY + timedelta(days=day, minutes=day))) for day in range(10)]
    assert asked == [3, 2, 0, 0, 0, 0, 0, 3, 2, 0]
    most = (
        "select max(n) from (select count(*) over (order by known_at range between interval 7 days preceding "
        "and current row) as n from label_fix where reason = 'flagged')"
    )
    assert read_rows(loop, most) == [(5,)]


def test_every_case_keeps_a_floor_and_the_rest_goes_by_priority(
    file_loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", read_rows: "ReadRows"
) -> None:
    """Of a room of 12 half is divided equally: 3 each for two cases; the other 6 are all the grave case's."""
    loop = limit(file_loop, "ask_per_run = 12\n")
    doubt(loop, write_predictions, *(f"{kind}{n:02}" for kind in ("grave", "mild") for n in range(20)))
    cases = [
        write_case(loop, name, f"starts_with(object_id, '{name}')", severity=severity)
        for name, severity in (("grave", "high"), ("mild", "low"))
    ]
    match_cases(loop, cases)
    assert queue_doubted(loop) == 12
    asked = read_rows(
        loop,
        "select regexp_extract(object_id, '[a-z]+') as kind, count(*) from open_fix "
        "inner join known_sample using (sample_id) group by all order by all",
    )
    assert asked == [("grave", 9), ("mild", 3)]


def test_what_is_left_of_a_cases_part_of_the_week_is_kept_for_it(
    file_loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", open_fixes: "OpenFixes"
) -> None:
    """20 a week and two cases: 5 are kept for each. The case that floods the queue gets 15, the other its 5."""
    loop = limit(file_loop, "per_week = 20\n")
    doubt(loop, write_predictions, *(f"grave{n:02}" for n in range(40)), "mild00")
    cases = [
        write_case(loop, name, f"starts_with(object_id, '{name}')", severity=severity)
        for name, severity in (("grave", "high"), ("mild", "low"))
    ]
    match_cases(loop, cases)
    assert queue_doubted(clock(loop, MONDAY)) == 16
    assert queue_doubted(clock(loop, MONDAY + timedelta(days=1))) == 0
    late = doubt(loop, write_predictions, *(f"mild{n:02}" for n in range(10, 20)))
    match_cases(loop, cases)
    assert queue_doubted(clock(loop, MONDAY + timedelta(days=2))) == 4
    assert len(set(late.values()) & set(open_fixes(loop))) == 4
    assert queue_doubted(clock(loop, MONDAY + timedelta(days=3))) == 0


def see_track(loop: Loop, write_predictions: "WriteRows", track: str, count: int, start: int = 0) -> list[str]:
    """Serve doubtful predictions of one track and flag them; the first is the most doubtful one."""
    rows = [
        {
            "object_id": track,
            "observed_at": f"2026-05-01T06:{start + n:02}:00Z",
            "confidence": 0.5 + (start + n) / 1000,
        }
        for n in range(count)
    ]
    ids = write_predictions(loop, rows)
    flag_mispredictions(loop)
    return ids


def test_a_few_samples_of_a_track_are_asked_about_in_all(
    loop: Loop, write_predictions: "WriteRows", answer: "Answer", open_fixes: "OpenFixes"
) -> None:
    """The most doubtful three, once and for all, whatever is answered since; another track has its own three."""
    first = see_track(loop, write_predictions, "long", 6)
    other = see_track(loop, write_predictions, "short", 2)
    assert queue_doubted(loop) == 5
    asked = open_fixes(loop)
    assert set(asked) == {*first[:3], *other}
    answer(loop, [(fix, who, "person") for fix in asked.values() for who in ("ada", "ben")])
    settle_fixes(loop)
    see_track(loop, write_predictions, "long", 3, start=10)
    assert queue_doubted(loop) == 0


def test_a_second_look_a_hold_out_and_the_settings_go_beyond_it(
    file_loop: Loop,
    write_predictions: "WriteRows",
    write_labels: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
) -> None:
    loop = limit(file_loop, "per_track = 2\n")
    ids = see_track(loop, write_predictions, "long", 6)
    when = {"object_id": "long", "observed_at": "2026-05-01T06:05:00Z"}
    write_labels(loop, [{**when, "label": label} for label in ("person", "crate")])
    question = {"attribute": "obstacle", "attempt": 1, "reason": "holdout", "priority": 1.0}
    held = [{"fix_id": make_id(sample, 1), "sample_id": sample, **question} for sample in ids[3:5]]
    insert_rows(loop, "label_fix", held)
    assert queue_doubted(loop) == 3, "two doubted ones and the second look"


def test_of_a_constant_track_one_question_is_open_at_a_time(
    file_loop: Loop, write_predictions: "WriteRows", answer: "Answer", open_fixes: "OpenFixes"
) -> None:
    path = file_loop.folder / "turnrow.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("answers_needed = 2", 'answers_needed = 2\nwithin_track = "constant"', 1))
    loop = replace(file_loop, settings=read_settings(file_loop.folder))
    first = see_track(loop, write_predictions, "long", 4)
    assert queue_doubted(loop) == 1
    ((sample, fix_id),) = open_fixes(loop).items()
    assert sample == first[0]
    assert queue_doubted(loop) == 0
    answer(loop, [(fix_id, who, "person") for who in ("ada", "ben")])
    settle_fixes(loop)
    flag_mispredictions(loop)
    assert queue_doubted(loop) == 0, "its answer serves the whole track"
