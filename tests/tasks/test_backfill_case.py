"""A backfill adds one failure case's members and their flags, nothing else, however often it is stopped."""

import hashlib
import json
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from schemas.case_file import FailureCase
from schemas.tables import FACTS
from tasks.backfill_case import backfill_partitions, define_case, list_partitions, settle_state
from tasks.errors import ExpressionError, InputError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.pull_logs import pull_files
from tasks.read_settings import read_case
from tasks.warehouse import open_warehouse

DAY = datetime(2026, 5, 1, tzinfo=UTC)
CROUCHED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
"""
DOG = """
case = "dog-in-grass"
attribute = "obstacle"
question = "Is a dog in tall grass read as foliage?"
[members]
where = "predicted = 'foliage' and truth = 'animal'"
"""


def put_case(loop: Loop, text: str = CROUCHED) -> FailureCase:
    path = loop.folder / "cases" / f"{text.split(chr(34))[1]}.toml"
    path.write_text(text, encoding="utf-8")
    return read_case(path, loop.settings)


def put_log(loop: Loop, name: str, rows: list[dict[str, object]]) -> None:
    path = loop.folder / "inbox" / name
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    assert [file.error for file in pull_files(loop, [path]).files] == [""]


def row(number: int, predicted: str, truth: str | None, day: int = 0, **more: object) -> dict[str, object]:
    """One logged prediction of invented data; its own label goes with it where `truth` is given."""
    seen = {"reference_label": truth, "reference_origin": "person"} if truth else {}
    return {
        "recording_id": f"r{day}",
        "object_id": f"o{number}",
        "observed_at": (DAY + timedelta(days=day, minutes=number)).isoformat(),
        "attribute": "obstacle",
        "model_version": "m1",
        "predicted": predicted,
        "confidence": 0.9,
        **seen,
        **more,
    }


def put_history(loop: Loop) -> None:
    """Three days: on each a picker read as a crate, a dog read as foliage, and a crate read rightly."""
    rows = []
    for day in range(3):
        rows += [
            row(1, "crate", "person", day),
            row(2, "foliage", "animal", day),
            row(3, "crate", "crate", day),
        ]
    put_log(loop, "history.jsonl", rows)


def fetch(loop: Loop, query: str) -> list[tuple[object, ...]]:
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(query).fetchall()


def read_facts(loop: Loop) -> dict[str, list[tuple[object, ...]]]:
    with open_warehouse(loop, write=False) as warehouse:
        return {
            name: sorted(warehouse.connection.execute(f"select * from {name}").fetchall(), key=repr)
            for name in FACTS
        }


def backfill(loop: Loop, case: FailureCase, days: tuple[int, int] = (0, 3), at_most: int = 1000) -> list[int]:
    """Backfill whole days and return how many members each partition added."""
    since, until = (DAY + timedelta(days=day) for day in days)
    partitions = list_partitions(loop, case, since, until, at_most=at_most)
    define_case(loop, case)
    found = [result.members for result in backfill_partitions(loop, case, partitions, is_dry_run=False)]
    settle_state(loop, case)
    return found


def test_a_backfill_finds_what_flag_finds_and_touches_no_other_case(make_any_loop: Callable[..., Loop]) -> None:
    flagged, filled = make_any_loop(name="flagged"), make_any_loop(name="filled")
    for loop in (flagged, filled):
        put_history(loop)
    case, other = put_case(flagged), put_case(flagged, DOG)
    flag_mispredictions(flagged)
    match_cases(flagged, [case, other])

    assert backfill(filled, put_case(filled)) == [1, 1, 1]

    members = "select * exclude (known_at) from case_member where case_name = 'crouched-picker' order by all"
    flags = (
        "select * exclude (known_at) from misprediction "
        "where sample_id in (select sample_id from case_member) order by all"
    )
    assert fetch(filled, members) == fetch(flagged, members)
    assert len(fetch(filled, flags)) == 3
    assert set(fetch(filled, flags)) < set(fetch(flagged, flags))
    assert fetch(filled, "select count(*) from misprediction") == [(3,)]
    assert fetch(filled, "select distinct case_name from case_member") == [("crouched-picker",)]
    assert fetch(filled, "select count(*) from label_fix") == [(0,)]
    assert fetch(filled, "select case_name, state from case_state") == [("crouched-picker", "open")]
    assert fetch(filled, "select flagged, settled from case_counts") == [(3, 3)]


def test_another_case_keeps_its_facts_and_flag_adds_nothing_of_the_case_later(file_loop: Loop) -> None:
    put_history(file_loop)
    other = put_case(file_loop, DOG)
    flag_mispredictions(file_loop)
    match_cases(file_loop, [other])
    case = put_case(file_loop)
    before = read_facts(file_loop)

    backfill(file_loop, case)

    after = read_facts(file_loop)
    changed = {name for name in FACTS if before[name] != after[name]}
    assert changed == {"failure_case", "case_member", "case_state"}
    added = [row for row in after["case_member"] if row not in before["case_member"]]
    assert {row[0] for row in added} == {"crouched-picker"}
    flag_mispredictions(file_loop)
    match_cases(file_loop, [case, other])
    assert read_facts(file_loop) == after


def test_only_the_span_is_looked_at_and_its_end_is_left_out(file_loop: Loop) -> None:
    put_log(file_loop, "midnights.jsonl", [row(0, "crate", "person", day) for day in range(3)])
    assert backfill(file_loop, put_case(file_loop), days=(1, 2)) == [1]
    assert fetch(
        file_loop,
        "select s.recording_id from case_member as m inner join sample as s on s.sample_id = m.sample_id",
    ) == [("r1",)]


def test_a_day_with_too_many_predictions_is_taken_by_the_hour_and_such_an_hour_by_the_minute(
    file_loop: Loop,
) -> None:
    put_log(file_loop, "busy.jsonl", [row(number * 45, "crate", "person") for number in range(4)])
    case = put_case(file_loop)
    hours = list_partitions(file_loop, case, DAY, DAY + timedelta(days=1), at_most=3)
    assert [(part.first, part.end) for part in hours] == [
        (DAY + timedelta(hours=hour), DAY + timedelta(hours=hour + 1)) for hour in (0, 1, 2)
    ]
    assert backfill(file_loop, case, at_most=3) == [2, 1, 1]
    minutes = list_partitions(file_loop, case, DAY, DAY + timedelta(days=1), at_most=1)
    assert [(part.first, part.end, part.predictions) for part in minutes] == [
        (DAY, DAY + timedelta(minutes=1), 1),
        (DAY + timedelta(minutes=45), DAY + timedelta(minutes=46), 1),
        (DAY + timedelta(hours=1), DAY + timedelta(hours=2), 1),
        (DAY + timedelta(hours=2), DAY + timedelta(hours=3), 1),
    ]


def test_a_partition_is_cut_where_the_span_begins_and_ends(file_loop: Loop) -> None:
    put_history(file_loop)
    case = put_case(file_loop)
    first, end = DAY + timedelta(seconds=30), DAY + timedelta(days=1, minutes=1, microseconds=1)
    parts = list_partitions(file_loop, case, first, end)
    assert [(part.first, part.end) for part in parts] == [
        (first, DAY + timedelta(days=1)),
        (DAY + timedelta(days=1), end),
    ]


def test_a_backfill_that_was_stopped_goes_on_where_it_was(loop: Loop) -> None:
    put_history(loop)
    case = put_case(loop)
    partitions = list_partitions(loop, case, DAY, DAY + timedelta(days=3))
    define_case(loop, case)
    with closing(backfill_partitions(loop, case, partitions, is_dry_run=False)) as stopped:
        assert next(stopped).members == 1

    results = list(backfill_partitions(loop, case, partitions, is_dry_run=False))

    assert [result.samples for result in results] == [0, 3, 3]
    assert [result.members for result in results] == [0, 1, 1]
    assert len(fetch(loop, "select * from case_member")) == 3


def test_run_again_it_changes_nothing(loop: Loop) -> None:
    put_history(loop)
    case = put_case(loop)
    backfill(loop, case)
    before = read_facts(loop)
    assert backfill(loop, case) == [0, 0, 0]
    assert read_facts(loop) == before


def test_a_partition_of_which_something_became_known_is_done_again(file_loop: Loop) -> None:
    put_history(file_loop)
    put_log(file_loop, "silent.jsonl", [row(4, "crate", None, 1)])
    case = put_case(file_loop)
    assert backfill(file_loop, case) == [1, 1, 1]
    label = {key: row(4, "", None, 1)[key] for key in ("recording_id", "object_id", "observed_at", "attribute")}
    put_log(file_loop, "labels.jsonl", [{**label, "label": "person", "origin": "person"}])
    put_log(file_loop, "late.jsonl", [row(5, "crate", "person", 2)])
    assert backfill(file_loop, case) == [0, 1, 1]


def test_an_edited_case_is_matched_anew_as_it_is_defined_now(file_loop: Loop) -> None:
    put_history(file_loop)
    backfill(file_loop, put_case(file_loop))
    edited = put_case(file_loop, CROUCHED.replace("predicted = 'crate' and truth = 'person'", "truth = 'animal'"))
    assert backfill(file_loop, edited) == [1, 1, 1]
    assert fetch(
        file_loop,
        "select distinct truth from present_member semi join current_sample using (sample_id)"
        " inner join current_sample using (sample_id)",
    ) == [("animal",)]


def test_a_rule_that_only_suspects_makes_members_without_a_truth(file_loop: Loop) -> None:
    put_log(file_loop, "doubt.jsonl", [row(1, "crate", None, confidence=0.55), row(2, "crate", None)])
    case = put_case(file_loop, CROUCHED.replace("predicted = 'crate' and truth = 'person'", "predicted = 'crate'"))
    assert backfill(file_loop, case) == [1]
    assert fetch(file_loop, "select rule, revision_id from misprediction") == [("low_margin", None)]


def test_a_flag_whose_reason_is_gone_brings_in_no_member(file_loop: Loop) -> None:
    """The doubt is answered before the backfill, and `flag` has not yet let its flag lapse."""
    put_log(file_loop, "doubt.jsonl", [row(1, "crate", None, confidence=0.55)])
    flag_mispredictions(file_loop)
    label = {key: row(1, "", None)[key] for key in ("recording_id", "object_id", "observed_at", "attribute")}
    put_log(file_loop, "labels.jsonl", [{**label, "label": "crate", "origin": "person"}])
    case = put_case(file_loop, CROUCHED.replace("predicted = 'crate' and truth = 'person'", "predicted = 'crate'"))
    assert backfill(file_loop, case) == [0]


def test_rules_that_changed_are_applied_but_their_new_definition_is_left_to_flag(
    make_file_loop: Callable[..., Loop],
) -> None:
    loop = make_file_loop()
    put_log(
        loop,
        "doubt.jsonl",
        [row(1, "crate", None, confidence=0.62), row(2, "foliage", None, confidence=0.55)],
    )
    flag_mispredictions(loop)
    attribute = replace(loop.settings.attribute["obstacle"], low_margin=0.3)
    changed = replace(loop, settings=replace(loop.settings, attribute={"obstacle": attribute}))
    case = put_case(changed, CROUCHED.replace("predicted = 'crate' and truth = 'person'", "predicted = 'crate'"))
    definitions = fetch(loop, "select * from rule_definition order by all")

    assert backfill(changed, case) == [1]

    assert fetch(loop, "select * from rule_definition order by all") == definitions
    assert fetch(loop, "select predicted from flagged_sample") == [("foliage",)]
    flag_mispredictions(changed)
    assert fetch(loop, "select predicted from flagged_sample order by all") == [("crate",), ("foliage",)]


def test_a_dry_run_says_what_would_be_added_and_writes_nothing(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop()
    put_history(loop)
    case = put_case(loop)
    warehouse = loop.folder / "warehouse.duckdb"
    before = hashlib.sha256(warehouse.read_bytes()).hexdigest()
    files = sorted(path for path in loop.folder.rglob("*"))

    partitions = list_partitions(loop, case, DAY, DAY + timedelta(days=3))
    results = list(backfill_partitions(loop, case, partitions, is_dry_run=True))

    assert [(result.samples, result.flags, result.members) for result in results] == [(3, 1, 1)] * 3
    assert hashlib.sha256(warehouse.read_bytes()).hexdigest() == before
    assert sorted(path for path in loop.folder.rglob("*")) == files
    assert sum(backfill(loop, case)) == 3


def test_replays_are_no_part_of_a_case(file_loop: Loop) -> None:
    put_log(file_loop, "replay.jsonl", [row(1, "crate", "person", role="replay")])
    assert backfill(file_loop, put_case(file_loop)) == []


def test_a_span_without_time_and_a_bad_expression_are_refused_before_anything_is_written(file_loop: Loop) -> None:
    put_history(file_loop)
    case = put_case(file_loop)
    with pytest.raises(InputError, match=r"--since .* is not before --until"):
        list_partitions(file_loop, case, DAY, DAY)
    bad = put_case(file_loop, CROUCHED.replace("truth = 'person'", "trut = 'person'"))
    with pytest.raises(ExpressionError, match=r"crouched-picker\.toml, members\.where"):
        list_partitions(file_loop, bad, DAY, DAY + timedelta(days=1))
    assert fetch(file_loop, "select count(*) from failure_case") == [(0,)]
