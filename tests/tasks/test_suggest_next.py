"""What `status` tells to do next: what is broken first, then what waits for a person, then the loop's own work."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tasks.read_status import Status
from tasks.suggest_next import suggest_next

MORNING = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
LATER = MORNING + timedelta(hours=1)


def attribute(**more: Any) -> dict[str, Any]:
    return {
        "attribute": "obstacle",
        "incumbent": "m1",
        "latest_version_as_of": MORNING,
        "latest_candidate": None,
        "latest_verdict": None,
        "sign_off": None,
        "overall_holdout": "frozen",
    } | more


def case(**more: Any) -> dict[str, Any]:
    return {
        "case_name": "crouched-picker",
        "attribute": "obstacle",
        "state": "open",
        "queued": 0,
        "settled": 3,
        "holdout": "frozen",
    } | more


def held(missing: int, case_name: str = "crouched-picker") -> dict[str, Any]:
    return {"case_name": case_name, "attribute": "obstacle", "missing": missing}


CALM = Status(
    attributes=[attribute()],
    cases=[case(settled=0)],
    case_errors=[],
    open_fixes=[],
    audits=[],
    waiting_holdouts=[],
    runs=[],
    quarantined_count=0,
    moments={
        "last_step_at": LATER,
        "last_pull_at": MORNING,
        "last_log_at": MORNING,
        "last_flag_at": MORNING,
        "last_answer_at": None,
        "last_settle_at": None,
        "last_label_at": MORNING,
    },
)


def at(**moments: datetime | None) -> dict[str, datetime | None]:
    return CALM.moments | moments


@pytest.mark.parametrize(
    ("changes", "command"),
    [
        ({}, "turnrow nightly"),
        ({"case_errors": ["cases/a.toml: broken"]}, "turnrow check-setup"),
        ({"moments": at(last_log_at=None)}, "turnrow pull"),
        ({"cases": []}, "turnrow flag"),
        ({"cases": [case(state=None)]}, "turnrow flag"),
        ({"moments": at(last_pull_at=LATER)}, "turnrow flag"),
        ({"moments": at(last_label_at=LATER)}, "turnrow flag"),
        ({"moments": at(last_flag_at=None)}, "turnrow flag"),
        ({"attributes": [attribute(overall_holdout=None)]}, "turnrow holdout overall:obstacle"),
        ({"moments": at(last_answer_at=LATER)}, "turnrow settle"),
        ({"moments": at(last_answer_at=LATER, last_settle_at=MORNING)}, "turnrow settle"),
        ({"moments": at(last_answer_at=MORNING, last_settle_at=LATER)}, "turnrow nightly"),
        (
            {"attributes": [attribute(latest_candidate="m2", latest_verdict="passed")]},
            "turnrow sign-off m2 --by NAME --accept",
        ),
        ({"attributes": [attribute(latest_candidate="m2", latest_verdict="failed")]}, "turnrow report m2"),
        (
            {"attributes": [attribute(latest_candidate="m2", latest_verdict="failed", sign_off="refuse")]},
            "turnrow nightly",
        ),
        (
            {"attributes": [attribute(incumbent=None, latest_candidate="m1", latest_verdict="undecided")]},
            "turnrow sign-off m1 --by NAME --accept --note WHY",
        ),
        ({"last_night": {"state": "failed", "error": "pull: disk full"}}, "turnrow nightly"),
        ({"waiting_holdouts": [held(5)]}, "turnrow queue export questions.csv"),
        ({"cases": [case(holdout=None)]}, "turnrow holdout crouched-picker"),
        ({"cases": [case(holdout=None, state="parked")]}, "turnrow nightly"),
        (
            {"cases": [case(state="ready")], "attributes": [attribute(latest_version_as_of=None)]},
            "turnrow round obstacle",
        ),
        ({"cases": [case(state="ready")]}, "turnrow mine crouched-picker"),
        (
            {
                "cases": [case(state="ready")],
                "attributes": [attribute(latest_version_as_of=None, overall_holdout="open")],
            },
            "turnrow mine crouched-picker",
        ),
        ({"open_fixes": [{"open_count": 7}]}, "turnrow queue export questions.csv"),
        ({"cases": [case()]}, "turnrow mine crouched-picker"),
        ({"cases": [case(queued=4)]}, "turnrow nightly"),
    ],
)
def test_the_next_step_fits_where_the_loop_stands(changes: dict[str, Any], command: str) -> None:
    assert suggest_next(replace(CALM, **changes)).command == command


def test_the_number_of_questions_is_told() -> None:
    waiting = replace(CALM, open_fixes=[{"open_count": 1200}, {"open_count": 34}])
    assert suggest_next(waiting).what == "1,234 questions wait for answers"


def test_the_hold_out_that_lacks_least_is_told_with_the_minutes_that_answers_take() -> None:
    waiting = replace(CALM, waiting_holdouts=[held(31), held(40, "overall:obstacle")])
    told = "31 hold-out labels would let crouched-picker be judged"
    assert suggest_next(waiting).what == f"{told}; 1 more hold-out waits"
    timed = replace(waiting, label_seconds={"obstacle": 7.8}, waiting_holdouts=[held(31)])
    assert suggest_next(timed).what == f"{told}: about 4 minutes of answering"
    overall = replace(CALM, waiting_holdouts=[held(1, "overall:obstacle")], label_seconds={"obstacle": 3.0})
    assert suggest_next(overall).what == (
        "1 hold-out label would let candidates for obstacle be judged: about 1 minute of answering"
    )


def test_a_scheduler_that_is_down_is_started_first() -> None:
    night = {"state": "done", "started_at": MORNING, "error": None}
    told = suggest_next(replace(CALM, is_night_late=True, last_night=night))
    assert told.what == f"no scheduler runs, and the last night was on {MORNING:%Y-%m-%d}; start it"
    assert told.command == "turnrow schedule"
    idle = suggest_next(replace(CALM, is_night_late=True, last_night=night, scheduler="running"))
    assert idle.command == "turnrow schedule --next"


def test_a_run_that_died_or_does_not_end_is_told_with_what_to_end_and_to_type() -> None:
    run = {
        "flow": "backfill",
        "parameters": {
            "case": "crouched-picker",
            "since": "2026-01-01",
            "until": "2026-02-01",
            "files": ["a b.csv"],
        },
        "started_at": MORNING,
        "process": {"process": 12, "host": "barn"},
        "is_dead": True,
        "is_long": True,
    }
    died = suggest_next(replace(CALM, under_way=[run]))
    since = f"{MORNING:%Y-%m-%d %H:%M}"
    assert died.what == (
        f"the process of the backfill of {since} UTC has died; what it had done is kept, go on with it"
    )
    assert died.command == (
        "turnrow backfill crouched-picker --since 2026-01-01 --until 2026-02-01 --files 'a b.csv'"
    )
    night = run | {"flow": "nightly", "parameters": {}, "is_dead": False}
    hangs = suggest_next(replace(CALM, under_way=[night]))
    assert hangs.what == (
        f"the nightly of {since} UTC still runs; if it hangs, end process 12 on barn, and go on with it"
    )
    assert hangs.command == "turnrow nightly"
    assert suggest_next(replace(CALM, under_way=[night | {"is_long": False}])) == suggest_next(CALM)


def test_a_night_that_failed_is_told_before_all_else_but_a_broken_case() -> None:
    night = {"state": "failed", "error": "pull: disk full\nflag: no"}
    told = suggest_next(replace(CALM, last_night=night, moments=at(last_log_at=None)))
    assert told.what == "the last night failed: pull: disk full (and 1 more); mend that and run it again"
    partial = replace(
        CALM, last_night={"state": "partial", "error": "pull a.csv: torn"}, waiting_holdouts=[held(5)]
    )
    assert suggest_next(partial).what == "the last night left pull a.csv: torn; see to that, and run it again"
