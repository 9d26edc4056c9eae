"""The backfill flow: which case, which span, what came of it, and its own record."""

from __future__ import annotations

import hashlib
import json
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from flows.backfill import run_backfill
from flows.backfill_progress import BackfillProgress
from schemas.tables import FACTS
from tasks.count_archive import ArchivedFile, find_archived
from tasks.errors import ExpressionError, InputError, UnknownNameError
from tasks.pull_logs import pull_files
from tasks.warehouse import open_warehouse

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
    if any_orchard.loop.settings.warehouse.location.startswith("ducklake:"):
        snapshots = any_orchard.fetch("select count(*) from ducklake_snapshots('wh')")
        assert run_backfill(any_orchard.loop, "crouched-picker", DAY, until, is_dry_run=True).members == 2
        assert any_orchard.fetch("select count(*) from ducklake_snapshots('wh')") == snapshots

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

    def stop(progress: BackfillProgress) -> None:
        assert (progress.parts, progress.predictions, progress.members) == (3, 6, progress.parts_done)
        assert progress.predictions_done == 2 * progress.parts_done
        if progress.parts_done == 2:
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


def test_archived_files_are_pulled_whole_before_and_a_dry_run_only_reads_them(orchard: Orchard) -> None:
    arrange(orchard)
    archive = orchard.loop.folder / "archive"
    archive.mkdir()
    rows = [
        {**orchard.row(number, "person", 0.99), "observed_at": (DAY + timedelta(hours=number)).isoformat()}
        for number in (5, 6, 100)  # the last lies outside the span
    ]
    rows.append({**rows[0], "attribute": "ground", "predicted": "firm", "reference_label": "soft"})
    rows.append({**rows[1], "confidence": 7})
    (archive / "old.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    (archive / "torn.jsonl").write_text('{"rec', encoding="utf-8")
    files = find_archived([str(archive / "*.jsonl")])
    warehouse, until = orchard.loop.folder / "warehouse.duckdb", DAY + timedelta(days=3)
    before = hashlib.sha256(warehouse.read_bytes()).hexdigest()
    there = sorted(orchard.loop.folder.rglob("*"))

    dry = run_backfill(orchard.loop, "crouched-picker", DAY, until, files=files, is_dry_run=True)

    assert hashlib.sha256(warehouse.read_bytes()).hexdigest() == before
    assert sorted(orchard.loop.folder.rglob("*")) == there
    old, torn = dry.files
    assert isinstance(old, ArchivedFile)
    assert (old.rows, old.refused, old.predictions, old.is_known) == (5, 1, 2, False)
    assert "torn.jsonl" in torn.error
    assert dry.members == 3

    done = run_backfill(orchard.loop, "crouched-picker", DAY, until, files=files)

    assert (done.members, done.pulled) == (5, 4)
    assert orchard.fetch("select count(*) from pull_batch where source_uri like '%old.jsonl'") == [(1,)]
    assert orchard.fetch("select count(*) from prediction where attribute = 'ground'") == [(1,)]
    assert orchard.fetch("select count(*) from misprediction where attribute <> 'obstacle'") == [(0,)]
    ((state, _, _, error),) = orchard.fetch(RUNS)
    assert state == "partial"
    assert "torn.jsonl" in str(error)
    again = run_backfill(orchard.loop, "crouched-picker", DAY, until, files=files[:1])
    assert (again.pulled, again.members, again.unchanged) == (0, 0, again.partitions)
    (known,) = run_backfill(orchard.loop, "crouched-picker", DAY, until, files=files[:1], is_dry_run=True).files
    assert isinstance(known, ArchivedFile)
    assert (known.predictions, known.is_known) == (0, True)


def test_a_pattern_that_names_no_file_and_a_span_to_come_are_refused(orchard: Orchard) -> None:
    arrange(orchard)
    with pytest.raises(InputError, match=r"--files .*none\*: no file of that name"):
        find_archived([str(orchard.loop.folder / "none*")])
    ahead = orchard.loop.clock() + timedelta(days=1)
    with pytest.raises(InputError, match="is in the future"):
        run_backfill(orchard.loop, "crouched-picker", ahead, ahead + timedelta(days=1))
    summary = run_backfill(orchard.loop, "crouched-picker", DAY, ahead + timedelta(days=1))
    assert summary.members == 3


def test_a_parked_case_is_matched_and_stays_parked(orchard: Orchard) -> None:
    arrange(orchard)
    until = DAY + timedelta(days=3)
    run_backfill(orchard.loop, "crouched-picker", DAY, DAY + timedelta(days=1))
    with open_warehouse(orchard.loop, write=True) as warehouse:
        insert = "insert into case_state values ('crouched-picker', 'parked', 'no time', 'ann', $known_at)"
        warehouse.write(lambda known_at: warehouse.connection.execute(insert, {"known_at": known_at}))
    assert run_backfill(orchard.loop, "crouched-picker", DAY, until).members == 2
    assert orchard.fetch("select arg_max(state, known_at) from case_state") == [("parked",)]
