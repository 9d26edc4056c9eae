"""A night takes in all that is new, leaves what is bad and says what, and does all the rest."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pytest

from flows.attempt_steps import perform_plainly
from flows.nightly import NightlySummary, run_nightly
from schemas.tables import FACTS
from tasks.errors import WarehouseError

if TYPE_CHECKING:
    from tests.flows.conftest import Orchard

T = TypeVar("T")
LAST_RUN = "select state, error from flow_run where flow = 'nightly' order by started_at desc limit 1"


def read_facts(orchard: Orchard) -> dict[str, list[tuple[object, ...]]]:
    return {name: sorted(orchard.fetch(f"select * from {name}"), key=repr) for name in FACTS}


def tell(summary: NightlySummary) -> list[tuple[str, str]]:
    return [(problem.step, problem.what) for problem in summary.problems]


def pick(summary: NightlySummary, *names: str) -> list[object]:
    return [summary.counts.get(name) for name in names]


def test_from_logs_over_answers_to_a_judged_candidate_in_two_nights(any_orchard: Orchard) -> None:
    any_orchard.put_first_night()
    first = run_nightly(any_orchard.loop)
    assert first.state == "done"
    assert pick(first, "files", "rows", "flagged", "members", "asked", "rounds") == [1, 44, 24, 24, 4, 0]
    any_orchard.freeze_holdout()
    assert any_orchard.answer_all() == 4

    second = run_nightly(any_orchard.loop)

    assert second.state == "done"
    assert pick(second, "answers", "settled", "flagged", "rounds") == [4, 4, 8, 1]
    (done,) = second.rounds
    assert any_orchard.fetch("select model_version, role from model") == [(done.model, "candidate")]
    assert any_orchard.fetch("select case_name, arg_max(state, known_at) from case_state group by all") == [
        ("crouched-picker", "ready")
    ]
    assert any_orchard.fetch("select distinct state from flow_run") == [("done",)]
    before = read_facts(any_orchard)
    assert run_nightly(any_orchard.loop).rounds == ()
    assert read_facts(any_orchard) == before, "a night without news changes nothing"


def test_the_watch_asks_before_what_is_doubted_and_its_fixes_count_once_its_week_is_closed(
    orchard: Orchard,
) -> None:
    """All 44 tracks are drawn, 40 have a person's word; the doubts join the questions about the other four."""
    queue = replace(orchard.loop.settings.queue, watch_per_week=50)
    loop = replace(orchard.loop, settings=replace(orchard.loop.settings, queue=queue))
    orchard.put_first_night()
    first = run_nightly(loop)
    assert pick(first, "watch_drawn", "asked", "rounds") == [44, 0, 0]
    assert orchard.fetch("select reason, case_name, count(*) from fix_request group by all order by all") == [
        ("flagged", "crouched-picker", 4),
        ("watch", None, 4),
    ]
    orchard.freeze_holdout()
    assert orchard.answer_all() == 4
    second = run_nightly(loop)
    assert pick(second, "settled", "watch_drawn", "rounds") == [4, 0, 1]
    assert orchard.fetch("select count(*) from watch_close") == [(1,)]
    before = read_facts(orchard)
    run_nightly(loop)
    assert read_facts(orchard) == before, "a night without news changes nothing"


def test_too_few_settled_fixes_start_no_round(make_orchard: Callable[[str], Orchard]) -> None:
    orchard = make_orchard("")
    orchard.put_first_night()
    patient = replace(orchard.loop.settings.schedule, round_after_fixes=5)
    loop = replace(orchard.loop, settings=replace(orchard.loop.settings, schedule=patient))
    run_nightly(loop)
    orchard.freeze_holdout()
    orchard.answer_all()
    summary = run_nightly(loop)
    assert pick(summary, "settled", "rounds") == [4, 0]


def test_fixes_that_a_candidate_has_seen_do_not_start_another_round(orchard: Orchard) -> None:
    orchard.put_first_night()
    run_nightly(orchard.loop)
    orchard.freeze_holdout()
    orchard.answer_all()
    assert len(run_nightly(orchard.loop).rounds) == 1
    orchard.put_log("later", [orchard.row(50, None, 0.55)])
    run_nightly(orchard.loop)
    orchard.answer_all("later")
    assert pick(run_nightly(orchard.loop), "settled", "rounds") == [1, 0]


def test_a_file_that_cannot_be_read_is_left_by_name_and_the_rest_is_done(orchard: Orchard) -> None:
    orchard.put_first_night()
    bad = orchard.loop.folder / "inbox" / "predictions" / "torn.jsonl"
    bad.write_text('{"recording_id": "r1", "obj', encoding="utf-8")

    summary = run_nightly(orchard.loop)

    assert summary.state == "partial"
    assert tell(summary) == [("pull", "inbox/predictions/torn.jsonl")]
    assert pick(summary, "files", "flagged", "asked", "problems") == [1, 24, 4, 1]
    ((state, error),) = orchard.fetch(LAST_RUN)
    assert state == "partial"
    assert "pull inbox/predictions/torn.jsonl: " in str(error)


def test_bad_cases_are_left_by_name_and_the_others_are_matched(orchard: Orchard) -> None:
    """One file is no TOML, one names a column that is not there, and one fails on the samples themselves."""
    orchard.put_first_night()
    (orchard.loop.folder / "cases" / "broken.toml").write_text("case = ", encoding="utf-8")
    orchard.put_case("no-such-column", "colour = 'red'")
    orchard.put_case("no-number", "cast(predicted as integer) = 1")

    summary = run_nightly(orchard.loop)

    assert summary.state == "partial"
    assert tell(summary) == [("case", ""), ("case", "no-number"), ("case", "no-such-column")]
    messages = [problem.message for problem in summary.problems]
    assert "broken.toml" in messages[0]
    assert "no-number.toml, members.where: fails on a stored sample" in messages[1]
    assert "try_cast" in messages[1]
    assert "no-such-column.toml, members.where" in messages[2]
    assert orchard.fetch("select distinct case_name from case_member") == [("crouched-picker",)]
    assert pick(summary, "members", "asked") == [24, 4]


def test_a_bad_rule_leaves_its_attribute_and_the_others_are_flagged(
    make_orchard: Callable[[str], Orchard],
) -> None:
    orchard = make_orchard(
        '[[rule]]\nname = "slips"\nattribute = "ground"\nwhere = "cast((context->>\'slip\') as double) > 0.3"\n'
    )
    orchard.put_first_night()
    orchard.put_log("ground", [{**orchard.row(60, "soft", 0.9, "ground"), "context": {"slip": "much"}}])

    summary = run_nightly(orchard.loop)

    assert summary.state == "partial"
    assert tell(summary) == [("flag", "ground")]
    assert "turnrow.toml, rule.slips.where: fails on a stored sample" in summary.problems[0].message
    assert orchard.fetch("select distinct attribute from misprediction") == [("obstacle",)]


def test_answer_files_are_taken_once_and_again_when_they_grow(orchard: Orchard) -> None:
    orchard.put_first_night()
    run_nightly(orchard.loop)
    orchard.answer_all()
    path = orchard.loop.folder / "inbox" / "answers" / "answers.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[:1]), encoding="utf-8")
    assert pick(run_nightly(orchard.loop), "answers", "settled") == [1, 1]
    imports = "select count(*) from flow_run where flow = 'queue import'"
    assert orchard.fetch(imports) == [(1,)]

    assert pick(run_nightly(orchard.loop), "answers", "settled") == [None, 0]
    assert orchard.fetch(imports) == [(1,)]

    path.write_text("".join(lines), encoding="utf-8")
    assert pick(run_nightly(orchard.loop), "answers", "settled") == [3, 3]


def test_a_broken_answer_file_is_left_by_name_and_a_refused_row_is_counted(orchard: Orchard) -> None:
    orchard.put_first_night()
    run_nightly(orchard.loop)
    orchard.answer_all()
    answers = orchard.loop.folder / "inbox" / "answers"
    (answers / "broken.csv").write_text("fix_id,annotator\nx,ana\n", encoding="utf-8")
    row = {"fix_id": "unknown", "annotator": "ana", "answer": "person"}
    (answers / "unknown.jsonl").write_text(json.dumps(row) + "\n", encoding="utf-8")

    summary = run_nightly(orchard.loop)

    assert summary.state == "partial"
    assert tell(summary) == [("answers", "inbox/answers/broken.csv")]
    assert "lacks the column answer" in summary.problems[0].message
    assert pick(summary, "answers", "refused_answers", "settled") == [4, 1, 4]


def test_a_hold_out_that_lacks_labels_is_told_as_waiting_not_as_a_problem(orchard: Orchard) -> None:
    from tasks.draw_holdout import HoldoutTarget, draw_holdout

    orchard.put_first_night()
    run_nightly(orchard.loop)
    target = HoldoutTarget(orchard.loop.settings.attribute["obstacle"], None)
    drawn = draw_holdout(orchard.loop, target)
    assert drawn.missing > 0
    summary = run_nightly(orchard.loop)
    assert summary.state == "done"
    assert [(wait.step, wait.what) for wait in summary.waiting] == [("holdout", "overall:obstacle")]
    assert f"{drawn.missing} of its {drawn.members} samples" in summary.waiting[0].message


def test_a_case_without_settled_members_waits_and_leaves_the_run_done(
    make_orchard: Callable[[str], Orchard],
) -> None:
    orchard = make_orchard("")
    orchard.put_first_night()
    orchard.put_case("nothing-yet", "predicted = 'person'")
    case = orchard.loop.folder / "cases" / "nothing-yet.toml"
    case.write_text(case.read_text().replace("budget = 0", "budget = 5"), encoding="utf-8")
    summary = run_nightly(orchard.loop)
    assert summary.state == "done"
    assert [(wait.step, wait.what) for wait in summary.waiting] == [("mine", "nothing-yet")]


def test_an_error_that_nobody_expected_is_raised_after_the_rest_was_done_and_shown(orchard: Orchard) -> None:
    orchard.put_first_night()
    shown: list[NightlySummary] = []

    def perform(step: str, what: str, work: Callable[[], T], *, is_outside: bool = False) -> T:
        if step == "settle":
            raise RuntimeError("the lamp went out")
        return perform_plainly(step, what, work, is_outside=is_outside)

    with pytest.raises(RuntimeError, match="the lamp went out"):
        run_nightly(orchard.loop, perform, show=shown.append)

    assert orchard.fetch(LAST_RUN) == [("failed", "settle: RuntimeError: the lamp went out")]
    assert orchard.fetch("select count(*) from label_fix") == [(4,)]
    assert [summary.state for summary in shown] == ["failed"]


def test_without_a_warehouse_the_night_ends_at_once(orchard: Orchard) -> None:
    for path in orchard.loop.folder.glob("warehouse.duckdb*"):
        path.unlink()
    (orchard.loop.folder / "warehouse.duckdb").write_bytes(b"no database")
    with pytest.raises(WarehouseError, match="cannot be opened"):
        run_nightly(orchard.loop)


def test_the_plain_flows_do_not_load_prefect() -> None:
    text = (
        "import sys, flows.run_flow, flows.nightly, flows.round, flows.backfill; "
        "print('prefect' in sys.modules, 'great_expectations' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_what_the_night_sees_is_told_and_notified_once_and_fails_nothing(orchard: Orchard) -> None:
    orchard.put_first_night()
    told = orchard.loop.folder / "told.jsonl"
    settings = orchard.loop.settings
    watch = replace(settings.watch, disk_share_at_most=1.0)
    notify = replace(settings.notify, command="tee -a told.jsonl")
    loop = replace(orchard.loop, settings=replace(settings, watch=watch, notify=notify))
    assert run_nightly(loop).findings == () and not told.exists()
    deaf = replace(loop, settings=replace(loop.settings, notify=replace(notify, command="false")))
    for days, is_new, told_by in (
        (19, True, deaf),
        (20, True, loop),
        (21, False, loop),
    ):  # what nobody heard stays new
        later = loop.clock() + timedelta(days=days)
        night = run_nightly(replace(told_by, clock=lambda moment=later: moment))
        assert [(one.watch, one.subject, one.is_new) for one in night.findings] == [
            ("old_questions", "obstacle", is_new)
        ]
        assert (night.state, *pick(night, "findings", "new_findings")) == ("done", 1, int(is_new))
    (line,) = json.loads(told.read_text())["findings"]  # one document: two of them would not parse
    assert line.startswith("old_questions obstacle: its oldest question has waited 2")


def test_odd_names_and_a_pipe_are_told_each_and_stop_nothing(orchard: Orchard) -> None:
    """Names that are not UTF-8 among logs, answers and cases, and a pipe that nobody writes to."""
    orchard.put_first_night()
    folder = os.fsencode(orchard.loop.folder)
    for odd in (b"inbox/predictions/odd\xff.jsonl", b"inbox/answers/odd\xff.jsonl", b"cases/odd\xff.toml"):
        path = Path(os.fsdecode(os.path.join(folder, odd)))  # noqa: PTH118 - bytes, which a Path does not take
        path.parent.mkdir(exist_ok=True)
        path.write_text("{}\n")
    os.mkfifo(orchard.loop.folder / "cases" / "pipe.toml")
    done = subprocess.run(
        [sys.executable, "-m", "flows.cli", "nightly", "--json", "--at", str(orchard.loop.folder)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    document = json.loads(done.stdout)
    assert (done.returncode, document["state"], document["counts"]["rows"]) == (1, "partial", 44)
    told = "\n".join(document["problems"])
    assert orchard.fetch(LAST_RUN) == [("partial", told)]
    assert [line.split(": ")[-1] for line in document["problems"]] == [
        "its name is not UTF-8; rename it",
        "its name is not UTF-8; rename it",
        "it is no file; move it away",
        "its name is not UTF-8; rename it",
    ]
    assert all(
        name in told for name in (r"predictions/odd\xff", r"answers/odd\xff", r"cases/odd\xff", "pipe.toml")
    )
