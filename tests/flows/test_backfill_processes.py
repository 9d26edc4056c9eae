"""Backfills as real processes: killed and run again, stopped by a signal, and several beside a night."""

import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.warehouse import open_warehouse
from tests.bench.bench_backfill import SINCE, make_history

if TYPE_CHECKING:
    from tests.flows.conftest import Orchard

_TURNROW = Path(sys.executable).with_name("turnrow")
_STATE = {
    "case_member": "* exclude (known_at)",
    "misprediction": "* exclude (known_at)",
    "failure_case": "* exclude (known_at)",
    "case_state": "case_name, state, because",
    "step_progress": "step, scope, definition_sha256",
}


def start(loop: Loop, *words: str) -> subprocess.Popen[str]:
    command = (str(_TURNROW), "--at", str(loop.folder), *words)
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def start_backfill(loop: Loop, days: int, case: str = "crouched-picker") -> subprocess.Popen[str]:
    span = ("--since", SINCE.isoformat(), "--until", (SINCE + timedelta(days=days)).isoformat())
    return start(loop, "backfill", case, *span)


def read_state(loop: Loop) -> dict[str, object]:
    """Return a digest and a count of every table that a backfill writes, moments left out."""
    with open_warehouse(loop, write=False) as warehouse:
        return {
            table: warehouse.connection.execute(
                f"select count(*), bit_xor(hash(columns(*)::varchar)) from (select {columns} from {table})"
            ).fetchone()
            for table, columns in _STATE.items()
        }


def kill_and_resume(folder: Path, predictions: int, days: int) -> None:
    """Two loops of the same content: one is killed at a random moment among its parts, then run again."""
    quiet, killed = (make_history(folder / name, predictions, days) for name in ("quiet", "killed"))
    started = time.monotonic()
    assert start_backfill(quiet, days).wait(3000) == 0
    seconds = time.monotonic() - started
    moment = random.uniform(0.3, 0.9) * seconds
    process = start_backfill(killed, days)
    time.sleep(moment)
    process.kill()
    process.communicate()
    resumed = start_backfill(killed, days)
    out, err = resumed.communicate(timeout=3000)
    assert resumed.returncode == 0, (moment, err)
    assert f"{predictions:,} of {predictions:,} predictions (100 %)" in err
    assert read_state(killed) == read_state(quiet), (moment, out)


def test_killed_at_a_random_moment_and_run_again_all_is_as_undisturbed(tmp_path: Path) -> None:
    kill_and_resume(tmp_path, 20_000, 8)


@pytest.mark.full
def test_ten_million_predictions_killed_and_resumed_below_two_gibibytes(tmp_path: Path) -> None:
    import resource

    kill_and_resume(tmp_path, 10_000_000, 60)
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 2 * 1024**2


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_it_after_a_part_and_it_says_how_to_go_on(tmp_path: Path, number: signal.Signals) -> None:
    loop = make_history(tmp_path / "loop", 6_000, 6)
    process = start_backfill(loop, 6)
    lock, deadline = loop.folder / "warehouse.duckdb.lock", time.monotonic() + 60
    while lock.read_text() != f"process {process.pid}":  # it writes: its run is under way
        assert time.monotonic() < deadline
    process.send_signal(number)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 128 + number, err
    assert err.splitlines()[-1] == (
        f"turnrow: stopped by {number.name}; what is done is kept, and the same command goes on from there"
    )
    with open_warehouse(loop, write=False) as warehouse:
        ((state, counts),) = warehouse.connection.execute("select state, counts from flow_run").fetchall()
        query = "select count(*) from step_progress where step = 'backfill'"
        done = warehouse.connection.execute(query).fetchone()
    assert (state, (json.loads(counts).get("partitions", 0),)) == ("partial", done)
    assert done is not None
    assert done[0] < 6


def test_two_backfills_and_a_night_at_once_leave_what_one_after_the_other_leaves(
    make_file_loop: Callable[..., Loop], make_any_loop: Callable[..., Loop]
) -> None:
    from tests.flows.conftest import NIGHT, Orchard

    ended = []
    for name, make in (("after", make_file_loop), ("at_once", make_any_loop)):
        orchard = Orchard(make(NIGHT, name=name))
        put_three_days(orchard)
        words = [("backfill", case, "--since", "2026-05-01", "--until", "2026-05-04") for case in ("one", "two")]
        processes = []
        for command in [*words, ("nightly",)]:
            processes.append(start(orchard.loop, *command))
            if name == "after":
                processes[-1].wait(120)
        for process in processes:
            _, err = process.communicate(timeout=120)
            assert process.returncode == 0, err
        ended.append({table: read_state(orchard.loop)[table] for table in ("case_member", "misprediction")})
        assert orchard.fetch("select case_name, count(*) from case_member group by all order by all") == [
            ("one", 6),
            ("two", 3),
        ]
        assert orchard.fetch("select count(*) from flow_run where state <> 'done'") == [(0,)]
    assert ended[0] == ended[1]


def put_three_days(orchard: "Orchard") -> None:
    from tests.flows.conftest import DAY

    rows = [
        {**orchard.row(10 * day + place, "person", 0.99), "observed_at": (DAY + timedelta(days=day)).isoformat()}
        for day in range(3)
        for place in range(2)
    ]
    orchard.put_log("history", rows)
    orchard.put_case("one", "predicted = 'crate'")
    orchard.put_case("two", "predicted = 'crate' and recording_id in ('r0', 'r10', 'r20')")
    pull_files(orchard.loop)
