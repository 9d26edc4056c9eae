"""The backfill flow: which case, which span, what came of it, and its own record."""

from __future__ import annotations

import hashlib
import json
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from flows.backfill import run_backfill
from schemas.tables import FACTS
from tasks.backfill_case import PartitionResult
from tasks.errors import ExpressionError, InputError, UnknownNameError
from tasks.pull_logs import pull_files

if TYPE_CHECKING:
    from tests.flows.conftest import Orchard

DAY = datetime(2026, 5, 1)
RUNS = "select state, parameters, counts, error from flow_run where flow = 'backfill' order by started_at"


def arrange(orchard: Orchard) -> None:
    """Three days of logs: on each a picker read as a crate, and a crate read rightly."""
    rows = []
    for day in range(3):
        for number, truth in ((day * 10, "crate"), (day * 10 + 1, "person")):
            moment = (DAY + timedelta(days=day, minutes=number)).isoformat()
            rows.append({**orchard.row(number, truth, 0.99), "observed_at": moment})
    orchard.put_log("history", rows)
    orchard.put_case()
    pull_files(orchard.loop)


def test_a_backfill_adds_the_case_over_its_span_and_records_itself(any_orchard: Orchard) -> None:
    arrange(any_orchard)
    until = DAY + timedelta(days=2)

    summary = run_backfill(any_orchard.loop, "crouched-picker", DAY, until)

    assert (summary.partitions, summary.unchanged, summary.samples) == (2, 0, 4)
    assert (summary.flags, summary.members) == (2, 2)
    ((state, parameters, counts, error),) = any_orchard.fetch(RUNS)
    assert (state, error) == ("done", None)
    assert json.loads(str(parameters)) == {
        "case": "crouched-picker",
        "since": "2026-05-01T00:00:00+00:00",
        "until": "2026-05-03T00:00:00+00:00",
    }
    assert json.loads(str(counts)) == summary.counts
    assert any_orchard.fetch("select case_name, flagged from case_counts") == [("crouched-picker", 2)]


def test_again_it_finds_every_partition_unchanged(orchard: Orchard) -> None:
    arrange(orchard)
    until = DAY + timedelta(days=3)
    run_backfill(orchard.loop, "crouched-picker", DAY, until)
    before = {name: sorted(orchard.fetch(f"select * from {name}"), key=repr) for name in FACTS}
    again = run_backfill(orchard.loop, "crouched-picker", DAY, until)
    assert (again.partitions, again.unchanged, again.members) == (3, 3, 0)
    assert {name: sorted(orchard.fetch(f"select * from {name}"), key=repr) for name in FACTS} == before


def test_stopped_by_hand_it_says_so_and_goes_on_the_next_time(orchard: Orchard) -> None:
    arrange(orchard)
    until = DAY + timedelta(days=3)

    def stop(done: int, total: int, result: PartitionResult) -> None:
        assert (total, result.members) == (3, 1)
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_backfill(orchard.loop, "crouched-picker", DAY, until, show_progress=stop)
    rest = run_backfill(orchard.loop, "crouched-picker", DAY, until)

    assert (rest.partitions, rest.unchanged, rest.members) == (3, 2, 1)
    stopped, done = orchard.fetch(RUNS)
    assert (stopped[0], stopped[3]) == ("partial", "stopped before its end; run it again")
    assert json.loads(str(stopped[2]))["members"] == 2
    assert done[0] == "done"


def test_a_dry_run_writes_nothing_and_says_what_would_be_added(orchard: Orchard) -> None:
    arrange(orchard)
    file = orchard.loop.folder / "warehouse.duckdb"
    before = hashlib.sha256(file.read_bytes()).hexdigest()
    until = DAY + timedelta(days=3)
    summary = run_backfill(orchard.loop, "crouched-picker", DAY, until, is_dry_run=True)
    assert (summary.run_id, summary.partitions, summary.flags, summary.members) == (None, 3, 3, 3)
    assert hashlib.sha256(file.read_bytes()).hexdigest() == before
    done = run_backfill(orchard.loop, "crouched-picker", DAY, until)
    assert (done.flags, done.members) == (summary.flags, summary.members)


def test_what_cannot_be_done_is_refused_before_anything_is_written(orchard: Orchard) -> None:
    arrange(orchard)
    orchard.put_case("no-such-column", "colour = 'red'")
    until = DAY + timedelta(days=1)
    with pytest.raises(UnknownNameError, match="crouched-picker"):
        run_backfill(orchard.loop, "crouched-pickers", DAY, until)
    with pytest.raises(InputError, match="is not before"):
        run_backfill(orchard.loop, "crouched-picker", until, DAY)
    with pytest.raises(ExpressionError, match=r"no-such-column\.toml, members\.where"):
        run_backfill(orchard.loop, "no-such-column", DAY, until)
    assert orchard.fetch("select count(*) from failure_case") == [(0,)]
    assert orchard.fetch(RUNS) == []


def test_an_expression_that_fails_on_a_sample_leaves_a_failed_run_and_what_was_done(orchard: Orchard) -> None:
    arrange(orchard)
    orchard.put_case(
        "no-number",
        "recording_id = 'r1' or cast(substr(recording_id, 2) as tinyint) < 0 or "
        "(recording_id = 'r11' and cast(predicted as integer) = 1)",
    )
    with pytest.raises(ExpressionError, match=r"no-number\.toml, members\.where: fails on a stored sample"):
        run_backfill(orchard.loop, "no-number", DAY, DAY + timedelta(days=3))
    ((state, _, counts, error),) = orchard.fetch(RUNS)
    assert state == "failed"
    assert "fails on a stored sample" in str(error)
    assert json.loads(str(counts))["members"] == 1
    assert orchard.fetch("select count(*) from case_member") == [(1,)]
