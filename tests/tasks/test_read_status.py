"""Where the loop stands: the same numbers as the views give, from nothing that grows with the predictions."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from flows.print_status import print_status
from schemas.case_file import FailureCase
from schemas.sql_files import read_sql
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.errors import SettingsError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.keep_schedule import LOCK
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.make_plain import make_plain
from tasks.match_cases import match_cases
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_case
from tasks.read_status import Status, read_status
from tasks.record_run import record_run
from tasks.track_run import track_run
from tasks.warehouse import open_warehouse

CROUCHED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
severity = "high"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
where = "(context->>'light') = 'dusk'"
[holdout]
size = 8
"""
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


def put_case(loop: Loop) -> FailureCase:
    path = loop.folder / "cases" / "crouched-picker.toml"
    path.write_text(CROUCHED, encoding="utf-8")
    return read_case(path, loop.settings)


def pull(loop: Loop, name: str, rows: list[dict[str, Any]]) -> None:
    path = loop.folder / "inbox" / name
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    pull_files(loop, [path])


def see(number: int, truth: str | None, **more: Any) -> dict[str, Any]:
    """One invented prediction, `crate` at dusk, with the label its log carries."""
    seen: dict[str, Any] = {
        "recording_id": f"drive-{number}",
        "object_id": "o1",
        "observed_at": f"2026-05-01T20:{number:02}:00Z",
        "attribute": "obstacle",
        "model_version": "m1",
        "predicted": "crate",
        "confidence": 0.51,
        "features": [float(number), 1.0],
        "scores": {"crate": 0.51, "person": 0.49},
        "context": {"light": "dusk"},
    }
    return seen | ({"reference_label": truth, "reference_origin": "person"} if truth else {}) | more


def set_clock(loop: Loop, moment: datetime) -> Loop:
    return replace(loop, clock=lambda: moment)


def read(loop: Loop, *cases: FailureCase, errors: tuple[SettingsError, ...] = ()) -> Status:
    return read_status(loop, cases, errors)


def test_an_empty_loop_has_its_attributes_and_nothing_else(loop: Loop) -> None:
    status = read(loop)
    assert [row["attribute"] for row in status.attributes] == ["obstacle", "ground", "distance"]
    assert {row["incumbent"] for row in status.attributes} == {None}
    assert (status.cases, status.open_fixes, status.waiting_holdouts, status.runs) == ([], [], [], [])
    assert status.moments["last_log_at"] is None


def test_counts_are_those_of_the_view_case_counts(loop: Loop) -> None:
    case = put_case(loop)
    pull(loop, "drive.jsonl", [see(n, "person" if n < 3 else "crate" if n < 5 else None) for n in range(7)])
    flag_mispredictions(loop)
    match_cases(loop, [case])
    queue_doubted(loop)
    drawn = draw_holdout(loop, HoldoutTarget(loop.settings.attribute["obstacle"], case))
    assert drawn.missing == 2
    status = read(loop, case)
    with open_warehouse(loop, write=False) as warehouse:
        cursor = warehouse.connection.execute("select * from case_counts")
        names = [column[0] for column in cursor.description or []]
        counts = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    assert [{name: row[name] for name in names} for row in status.cases] == counts
    (row,) = status.cases
    assert (row["flagged"], row["queued"], row["settled"]) == (3, 2, 3)
    assert (row["state"], row["severity"], row["holdout"]) == ("open", "high", "open")
    assert [(held["case_name"], held["missing"]) for held in status.waiting_holdouts] == [("crouched-picker", 2)]
    assert sum(fix["open_count"] for fix in status.open_fixes) == 2


def test_a_case_file_that_was_never_flagged_is_listed_without_a_state(file_loop: Loop) -> None:
    broken = SettingsError("cases/broken.toml: case: is missing")
    status = read(file_loop, put_case(file_loop), errors=(broken,))
    assert [(row["case_name"], row["state"], row["flagged"]) for row in status.cases] == [
        ("crouched-picker", None, 0)
    ]
    assert status.case_errors == ["cases/broken.toml: case: is missing"]


def test_refused_rows_count_for_seven_days(file_loop: Loop) -> None:
    now = file_loop.clock()
    pull(file_loop, "drive.jsonl", [see(1, "person"), see(2, "tractor"), see(3, None, confidence=2.0)])
    for days, count in ((0, 2), (6, 2), (8, 0)):
        assert read(set_clock(file_loop, now + timedelta(days=days))).quarantined_count == count


def test_last_runs_are_shown_and_older_failures_of_the_week(file_loop: Loop) -> None:
    loop = set_clock(file_loop, NOON)
    moments = {f"flow-{hours}": NOON - timedelta(hours=hours) for hours in range(7)}
    failures = {f"failed-{days}": NOON - timedelta(days=days) for days in (1, 30)}
    with open_warehouse(loop, write=True) as warehouse:

        def insert(_: datetime) -> None:
            for flow, at in moments.items():
                record_run(warehouse.connection, flow, started_at=at, ended_at=at)
            for flow, at in failures.items():
                record_run(warehouse.connection, flow, started_at=at, ended_at=at, state="failed", error="no room")

        warehouse.write(insert)
    runs = read(loop).runs
    assert [run["flow"] for run in runs] == ["flow-0", "flow-1", "flow-2", "flow-3", "flow-4", "failed-1"]
    assert (runs[-1]["error"], runs[-1]["started_at"]) == ("no room", NOON - timedelta(days=1))


def test_an_attribute_shows_its_latest_candidate_and_verdict(file_loop: Loop) -> None:
    with open_warehouse(file_loop, write=True) as warehouse:
        connection = warehouse.connection

        def insert(known_at: datetime) -> None:
            connection.execute(
                "insert into model by name select 'm2' as model_version, 'obstacle' as attribute, "
                "'candidate' as role, $known_at as known_at",
                {"known_at": known_at},
            )
            connection.execute(
                "insert into gate_decision by name select 'm2' as candidate, 'overall' as criterion, "
                "'passed' as verdict, 'every criterion holds' as reason, $known_at as known_at",
                {"known_at": known_at},
            )

        warehouse.write(insert)
    (row,) = [row for row in read(file_loop).attributes if row["attribute"] == "obstacle"]
    assert (row["latest_candidate"], row["latest_verdict"], row["sign_off"]) == ("m2", "passed", None)


def test_status_tells_what_the_last_night_left_what_is_to_look_at_and_how_long_answers_take(
    file_loop: Loop,
) -> None:
    with open_warehouse(file_loop, write=True) as warehouse:

        def put(known_at: datetime) -> None:
            for hour, state in ((1, "done"), (2, "partial")):
                at = NOON.replace(hour=hour)
                error = "pull a.csv: torn\npull b.csv: torn" if state == "partial" else None
                did = {"files": 3, "rows": 1746, "settled": 0, "problems": 2}
                record_run(
                    warehouse.connection,
                    "nightly",
                    started_at=at,
                    ended_at=at,
                    state=state,
                    counts=did,
                    error=error,
                )
            warehouse.connection.execute(
                "insert into open_finding values ('old_questions', 'obstacle', 'it waits', $at, null)",
                {"at": NOON},
            )
            warehouse.connection.execute(
                "insert into label_fix select 'f' || n, 's' || n, 'obstacle', 1, 'flagged', 1, null, null, $at "
                "from range(10) as numbers(n)",
                {"at": known_at},
            )
            warehouse.connection.execute(
                "insert into fix_answer "
                "select 'f' || (n - 1), 'ana', 'crate', null, false, null, n, null, 'b', $at, null "
                "from range(1, 11) as numbers(n)",
                {"at": known_at},
            )

        warehouse.write(put)
    status = read(file_loop)
    assert status.under_way == []
    assert status.last_night == {
        "state": "partial",
        "started_at": NOON.replace(hour=2),
        "counts": {"files": 3, "rows": 1746, "settled": 0, "problems": 2},
        "error": "pull a.csv: torn\npull b.csv: torn",
    }
    assert status.findings == [
        {"watch": "old_questions", "subject": "obstacle", "message": "it waits", "found_at": NOON}
    ]
    assert status.label_seconds == {"obstacle": 11.0}, "5.5 seconds an answer, two answers a label"
    shown = list(print_status({**make_plain(status), "next": {"what": "w", "command": "c"}}))
    start = shown.index("The last night (2026-05-04 02:00:00 UTC) ended as partial and left")
    assert shown[start + 1 : start + 4] == [
        "  pull a.csv: torn",
        "  pull b.csv: torn",
        "  did: files 3, rows 1,746",
    ]
    assert "  old_questions obstacle (since 2026-05-04 12:00:00 UTC): it waits" in shown
    assert any("pull a.csv: torn (and 1 more)" in line for line in shown)


def test_a_flow_stands_for_its_steps_and_what_was_made_good_is_not_told_again(file_loop: Loop) -> None:
    def put(flow: str, minute: int, minutes: int, state: str = "done", case: str | None = None) -> None:
        start = NOON + timedelta(minutes=minute)
        end, error = start + timedelta(minutes=minutes), None if state == "done" else "torn"
        with open_warehouse(file_loop, write=True) as warehouse:
            connection = warehouse.connection
            warehouse.write(
                lambda _: record_run(
                    connection,
                    flow,
                    started_at=start,
                    ended_at=end,
                    state=state,
                    error=error,
                    parameters={"case": case} if case else {},
                )
            )

    put("backfill", 0, 1, "partial", "old")
    put("backfill", 2, 1, "partial", "crouched-picker")
    put("backfill", 4, 1, "done", "crouched-picker")
    put("nightly", 10, 9)
    put("pull", 11, 1)
    put("flag", 12, 1)
    put("flag", 30, 1)
    for number in range(4):
        put("settle", 40 + number, 1)
    then = replace(file_loop, clock=lambda: NOON + timedelta(days=1))
    shown = [(run["flow"], run["parameters"], run["state"]) for run in read(then).runs]
    assert shown == [
        *[("settle", "{}", "done")] * 4,
        ("flag", "{}", "done"),
        ("backfill", '{"case": "old"}', "partial"),
    ]


def test_a_stopped_scheduler_is_told_and_a_night_that_is_missing(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop()
    assert (read(loop).scheduler, read(loop).is_night_late) == (None, False), "a person may run the nights"
    with hold_file_lock(loop.folder / LOCK, shared=False, wait_seconds=0):
        assert (read(loop).scheduler, read(loop).is_night_late) == ("running", False), "its first night is to come"
    assert (read(loop).scheduler, read(loop).is_night_late) == ("stopped", True)
    with track_run(loop, "nightly", {}):
        pass
    assert not read(loop).is_night_late
    tomorrow = replace(loop, clock=lambda: datetime.now(UTC) + timedelta(hours=27))
    assert read(tomorrow).is_night_late


def test_a_run_of_a_host_that_is_gone_hides_nothing_for_longer_than_a_day(
    make_file_loop: Callable[..., Loop],
) -> None:
    loop = make_file_loop()
    row = {
        "run_id": "gone",
        "flow": "nightly",
        "parameters": "{}",
        "started_at": loop.clock() - timedelta(hours=30),
    }
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        values = row | {"counts": json.dumps({"host": "barn", "process": 1})}
        warehouse.write(lambda _: connection.execute(read_sql("runs/start_run"), values))
        moment = loop.clock()
        warehouse.write(
            lambda _: record_run(connection, "pull", started_at=moment, ended_at=moment, state="failed")
        )
    status = read(loop)
    assert [run["is_long"] for run in status.under_way] == [False]
    assert [run["flow"] for run in status.runs] == ["pull", "nightly"]
