"""A round assembles, checks, retrains and judges; where a check fails, nothing is trained."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from flows.cli import main
from flows.round import run_round
from schemas.tables import FACTS
from tasks.errors import NotYetError, UnknownNameError
from tasks.pull_logs import pull_files

if TYPE_CHECKING:
    from tests.flows.conftest import Orchard

RUNS = "select state, parameters, json(counts) ->> 'verdict', error from flow_run where flow = 'round'"
PARAMETERS = '{"attribute": "obstacle"}'


def read_facts(orchard: Orchard) -> dict[str, list[tuple[object, ...]]]:
    return {name: sorted(orchard.fetch(f"select * from {name}"), key=repr) for name in FACTS}


def test_a_round_ends_with_a_judged_candidate_and_again_with_the_same(any_orchard: Orchard) -> None:
    any_orchard.put_first_night()
    pull_files(any_orchard.loop)

    summary = run_round(any_orchard.loop, "obstacle")

    stored = "select model_version, training_set_version, role from model"
    assert any_orchard.fetch(stored) == [(summary.model, summary.training_set, "candidate")]
    assert summary.control_model is None
    assert summary.verdict == "undecided"
    assert "nothing to prove" in summary.reason
    decided = "select criterion, verdict from gate_decision"
    assert any_orchard.fetch(decided) == [(one.criterion, one.verdict) for one in summary.criteria]
    assert any_orchard.fetch(RUNS) == [("done", PARAMETERS, "undecided", None)]
    before = read_facts(any_orchard)
    again = run_round(any_orchard.loop, "obstacle")
    assert (again.training_set, again.model) == (summary.training_set, summary.model)
    assert read_facts(any_orchard) == before


def test_a_round_leaves_a_report_and_the_command_shows_where(
    orchard: Orchard, capsys: pytest.CaptureFixture[str]
) -> None:
    orchard.put_first_night()
    pull_files(orchard.loop)
    at = ["--at", str(orchard.loop.folder)]

    assert main(["round", "obstacle", *at]) == 3

    ((model,),) = orchard.fetch("select model_version from model")
    assert f"  report: reports/{model}.html\n" in capsys.readouterr().out
    page = (orchard.loop.folder / "reports" / f"{model}.html").read_bytes()
    assert main(["report", *at, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["model"], document["verdict"], document["is_new"]) == (model, "undecided", False)
    assert document["facts"] == json.loads((orchard.loop.folder / document["report_json"]).read_text("utf-8"))
    assert (orchard.loop.folder / document["report"]).read_bytes() == page
    assert main(["report", str(model), *at]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"{model}: undecided"
    assert lines[-1].endswith(f"turnrow sign-off {model} --by NAME --accept --note WHY, or --refuse")


def test_a_report_that_cannot_be_written_is_told_and_the_verdict_stands(orchard: Orchard) -> None:
    """A file lies where the folder of reports should be."""
    orchard.put_first_night()
    pull_files(orchard.loop)
    (orchard.loop.folder / "reports").rmdir()
    (orchard.loop.folder / "reports").write_text("in the way", encoding="utf-8")

    summary = run_round(orchard.loop, "obstacle")

    assert (summary.verdict, summary.report) == ("undecided", None)
    (problem,) = summary.problems
    assert problem.startswith(f"the report of {summary.model} was not written (FileExistsError")
    assert problem.endswith(f"turnrow report {summary.model}")
    assert orchard.fetch("select count(*) from gate_decision where criterion = 'overall'") == [(1,)]
    assert orchard.fetch(RUNS) == [("done", PARAMETERS, "undecided", None)]


def test_without_a_judged_candidate_a_report_is_not_yet(
    orchard: Orchard, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "--at", str(orchard.loop.folder)]) == 3
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("turnrow: no candidate has been judged yet")


def test_a_failed_check_is_named_and_nothing_is_trained(make_orchard: Callable[[str], Orchard]) -> None:
    orchard = make_orchard(
        '[[check]]\nname = "no_late_rows"\nattribute = "obstacle"\nrequirement = "must"\n'
        "where = \"recording_id = 'r39'\"\n"
    )
    orchard.put_first_night()
    pull_files(orchard.loop)

    summary = run_round(orchard.loop, "obstacle")

    assert (summary.verdict, summary.model, summary.criteria) == ("failed", None, ())
    assert f"training set {summary.training_set} failed no_late_rows (1 rows)" in summary.reason
    assert orchard.fetch("select version, state from training_set") == [(summary.training_set, "failed")]
    assert orchard.fetch("select count(*) from model") == [(0,)]
    assert orchard.fetch(RUNS) == [("done", PARAMETERS, "failed", None)]


def test_a_round_with_nothing_to_train_on_says_so_and_its_run_is_done(orchard: Orchard) -> None:
    with pytest.raises(NotYetError) as told:
        run_round(orchard.loop, "obstacle")
    assert orchard.fetch(RUNS) == [("done", PARAMETERS, None, str(told.value))]


def test_a_trainer_that_fails_leaves_a_failed_run_and_no_model(make_orchard: Callable[[str], Orchard]) -> None:
    orchard = make_orchard('[attribute.slope]\nlabels = ["flat", "steep"]\ntrainer = "false"\n')
    rows = [{**orchard.row(number, "flat", 0.9, "slope"), "predicted": "steep"} for number in range(4)]
    orchard.put_log("slopes", rows)
    pull_files(orchard.loop)
    with pytest.raises(Exception, match="trainer") as told:
        run_round(orchard.loop, "slope")
    ((state, error),) = orchard.fetch("select state, error from flow_run where flow = 'round'")
    assert (state, error) == ("failed", str(told.value))
    assert orchard.fetch("select count(*) from model") == [(0,)]


def test_an_unknown_attribute_is_refused_with_the_nearest_one(orchard: Orchard) -> None:
    with pytest.raises(UnknownNameError, match="obstacle"):
        run_round(orchard.loop, "obstacel")
    assert orchard.fetch("select count(*) from flow_run") == [(0,)]
