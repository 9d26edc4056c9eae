"""Where a Prefect server is named, a command's flow is seen there: its states, its steps, its summary."""

from __future__ import annotations

import json
import subprocess
import sys
import urllib.request
from typing import TYPE_CHECKING, Any

import pytest

from tasks.errors import WarehouseError

if TYPE_CHECKING:
    from flows.temporary_server import TemporaryServer
    from tests.flows.conftest import Orchard

pytestmark = pytest.mark.slow


def ask(server: TemporaryServer, what: str, orchard: Orchard | None = None) -> list[dict[str, Any]]:
    """Return all flow runs, task runs or artifacts that the server has; flow runs of one loop folder only."""
    request = urllib.request.Request(
        f"{server.url}/{what}/filter",
        data=json.dumps({"sort": {"artifacts": "CREATED_DESC"}.get(what, "ID_DESC")}).encode(),
        headers={"content-type": "application/json"},
    )
    with urllib.request.urlopen(request, timeout=20) as answer:
        rows: list[dict[str, Any]] = json.load(answer)
    return [row for row in rows if orchard is None or row["parameters"]["at"] == str(orchard.loop.folder)]


def run(server: TemporaryServer, orchard: Orchard, *words: str) -> tuple[int, dict[str, Any], str]:
    """Run a command with its JSON, as a user does who has named the server; return code, document, stderr."""
    done = subprocess.run(
        [sys.executable, "-m", "flows.cli", *words, "--at", str(orchard.loop.folder), "--json"],
        env=dict(server.environment),
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.returncode, json.loads(done.stdout or "{}"), done.stderr


def list_steps(server: TemporaryServer, flow_run: dict[str, Any]) -> dict[str, str]:
    rows = [row for row in ask(server, "task_runs") if row["flow_run_id"] == flow_run["id"]]
    return {row["name"]: row["state"]["name"] for row in rows}


def list_artifacts(server: TemporaryServer, flow_run: dict[str, Any]) -> dict[str, str]:
    rows = [row for row in ask(server, "artifacts") if row["flow_run_id"] == flow_run["id"] and row["key"]]
    return {row["key"]: row["data"] for row in rows}


def test_a_night_and_the_round_it_starts_are_seen(prefect_server: TemporaryServer, orchard: Orchard) -> None:
    orchard.put_first_night()
    code, document, errors = run(prefect_server, orchard, "nightly")
    assert (code, errors, document.get("state")) == (0, "", "done")
    (first,) = ask(prefect_server, "flow_runs", orchard)
    assert (first["state"]["type"], first["state"]["name"]) == ("COMPLETED", "Completed")
    assert {"pull", "flag", "case", "settle", "mine crouched-picker"} <= set(list_steps(prefect_server, first))
    orchard.freeze_holdout()
    orchard.answer_all()

    code, document, errors = run(prefect_server, orchard, "nightly")

    assert (code, errors) == (0, "")
    assert document["rounds"][0]["verdict"] == "undecided"
    later = [row for row in ask(prefect_server, "flow_runs", orchard) if row["id"] != first["id"]]
    night, within = sorted(later, key=lambda row: "attribute" in row["parameters"])
    assert within["state"]["message"] == "verdict: undecided"
    assert list_steps(prefect_server, within) == {
        "assemble obstacle": "Completed",
        "retrain obstacle": "Completed",
        f"report {document['rounds'][0]['model']}": "Completed",
    }
    shown = list_artifacts(prefect_server, night)["turnrow-nightly"]
    assert "| settled | 4 |" in shown
    assert "- obstacle: undecided" in shown
    told = list_artifacts(prefect_server, within)["turnrow-round-obstacle"]
    assert "verdict | undecided" in told
    assert "## Report\n\n- " + document["rounds"][0]["report"].replace("_", r"\_") in told
    assert orchard.fetch("select count(*) from flow_run where flow = 'round' and state = 'done'") == [(1,)]


def test_a_night_that_left_something_is_completed_as_partial_and_says_what(
    prefect_server: TemporaryServer, orchard: Orchard
) -> None:
    orchard.put_first_night()
    (orchard.loop.folder / "inbox" / "predictions" / "torn.jsonl").write_text('{"rec', encoding="utf-8")
    code, document, errors = run(prefect_server, orchard, "nightly")
    assert len(errors.splitlines()) == 1, errors
    assert (code, document.get("state")) == (1, "partial")
    (seen,) = ask(prefect_server, "flow_runs", orchard)
    assert (seen["state"]["type"], seen["state"]["name"]) == ("COMPLETED", "Partial")
    assert seen["state"]["message"].startswith("left: pull inbox/predictions/torn.jsonl")
    shown = list_artifacts(prefect_server, seen)["turnrow-nightly"]
    assert "## Left\n\n- pull inbox/predictions/torn.jsonl: " in shown


def test_a_round_with_nothing_to_train_on_is_not_yet_and_exit_code_3(
    prefect_server: TemporaryServer, orchard: Orchard
) -> None:
    code, _, errors = run(prefect_server, orchard, "round", "ground")
    assert code == 3
    assert len(errors.splitlines()) == 1
    (seen,) = ask(prefect_server, "flow_runs", orchard)
    assert (seen["state"]["type"], seen["state"]["name"]) == ("COMPLETED", "NotYet")
    assert list_steps(prefect_server, seen) == {"assemble ground": "NotYet"}


def test_a_failure_is_failed_and_one_line(prefect_server: TemporaryServer, orchard: Orchard) -> None:
    """The warehouse is no database, which only shows when the flow is under way."""
    (orchard.loop.folder / "warehouse.duckdb").write_bytes(b"no database")
    code, _, errors = run(prefect_server, orchard, "nightly")
    assert code == 1
    assert len(errors.splitlines()) == 1
    assert "cannot be opened" in errors
    (seen,) = ask(prefect_server, "flow_runs", orchard)
    assert (seen["state"]["type"], seen["state"]["name"]) == ("FAILED", "Failed")


def test_rounds_that_fail_before_any_run_begins_are_told(orchard: Orchard) -> None:
    from flows.prefect_flows import rounds_flow

    folder = orchard.loop.folder
    with (folder / "turnrow.toml").open("a") as settings:
        settings.write("\n[notify]\ncommand = \"sh -c 'cat > told'\"\n")
    (folder / "warehouse.duckdb").write_bytes(b"no database")
    with pytest.raises(WarehouseError):
        rounds_flow.fn(at=str(folder))
    told = json.loads((folder / "told").read_text())
    assert told["text"].startswith("Turnrow: round: failed: the warehouse cannot be opened")


def test_a_backfill_shows_how_far_it_is_and_a_dry_run_is_not_seen(
    prefect_server: TemporaryServer, orchard: Orchard
) -> None:
    orchard.put_first_night()
    span = ("--since", "2026-05-01", "--until", "2026-05-02")
    assert run(prefect_server, orchard, "pull")[0] == 0
    code, document, _ = run(prefect_server, orchard, "backfill", "crouched-picker", *span, "--dry-run")
    assert (code, document["members"]) == (0, 24)
    assert ask(prefect_server, "flow_runs", orchard) == []

    code, document, errors = run(prefect_server, orchard, "backfill", "crouched-picker", *span)

    assert (code, document["members"]) == (0, 24)
    assert "Traceback" not in errors
    (seen,) = ask(prefect_server, "flow_runs", orchard)
    assert seen["state"]["message"] == "24 new members"
    progress = [row for row in ask(prefect_server, "artifacts") if row["flow_run_id"] == seen["id"]]
    assert [row["data"] for row in progress if row["type"] == "progress"] == [100.0]
    assert "| members | 24 |" in list_artifacts(prefect_server, seen)["turnrow-backfill-crouched-picker"]
    torn = orchard.loop.folder / "torn.jsonl"
    torn.write_text('{"rec', encoding="utf-8")
    code, _, _ = run(prefect_server, orchard, "backfill", "crouched-picker", *span, "--files", str(torn))
    assert code == 1
    later = next(row for row in ask(prefect_server, "flow_runs", orchard) if row["id"] != seen["id"])
    assert later["state"]["name"] == "Partial"
    assert later["state"]["message"].startswith("left: torn.jsonl")
