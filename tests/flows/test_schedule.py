"""A scheduler with a real Prefect server and real processes: killed, started anew, stopped; nothing is left."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from flows.tell_schedule import find_next, tell_schedule
from schemas.sql_files import read_sql
from tasks.close_dead_runs import close_dead_runs
from tasks.know_process import name_process
from tasks.loop import Loop
from tasks.track_run import track_run
from tasks.warehouse import open_warehouse

NIGHT = '[schedule]\nnightly = "* * * * *"\n[attribute.obstacle]\nlabels = ["person", "crate"]\n'
DYING = """
import os, signal, sys
from pathlib import Path
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.track_run import track_run
folder = Path(sys.argv[1])
with track_run(Loop(folder, read_settings(folder)), "nightly", {}):
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_the_next_times_keep_local_time_where_clocks_are_put_forward() -> None:
    # Directive 2000/84/EC, article 2: summer time begins at 01:00 UTC on March's last Sunday (2026: the 29th).
    found = find_next("30 4 * * *", "Europe/Berlin", datetime(2026, 3, 28, tzinfo=UTC))
    assert [moment["utc"] for moment in found] == [
        "2026-03-28T03:30:00+00:00",
        "2026-03-29T02:30:00+00:00",
        "2026-03-30T02:30:00+00:00",
    ]
    assert {moment["local"][11:16] for moment in found} == {"04:30"}


def test_a_run_whose_process_was_killed_is_closed_and_a_living_one_is_not(
    make_file_loop: Callable[..., Loop],
) -> None:
    loop = make_file_loop(NIGHT)
    done = subprocess.run([sys.executable, "-c", DYING, str(loop.folder)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    with track_run(loop, "round", {"attribute": "obstacle"}):
        assert close_dead_runs(loop) == ["nightly"]
        assert close_dead_runs(loop) == []
        states = {run["flow"]: run["state"] for run in tell_schedule(loop)["last"]}
        assert states == {"nightly": "crashed", "round": "running"}


def test_a_process_number_that_was_given_out_again_is_no_life(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop(NIGHT)
    row = {
        "run_id": "old",
        "flow": "nightly",
        "parameters": "{}",
        "started_at": loop.clock(),
        "counts": json.dumps(name_process() | {"process_started": "1"}),
    }
    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(lambda _: warehouse.connection.execute(read_sql("runs/start_run"), row))
    assert close_dead_runs(loop) == ["nightly"]


@pytest.fixture
def scheduler(make_file_loop: Callable[..., Loop]) -> Iterator[tuple[Loop, "subprocess.Popen[bytes]", Path]]:
    loop = make_file_loop(NIGHT)
    told = loop.folder.parent / "told"
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    with told.open("wb") as target:
        process = subprocess.Popen(
            [sys.executable, "-m", "flows.cli", "schedule", "--at", str(loop.folder)],
            stdout=target,
            stderr=subprocess.STDOUT,
            env=environment,
        )
    yield loop, process, told
    if process.poll() is None:
        process.kill()
    process.wait()


def wait_for(what: Callable[[], object], seconds: float = 90) -> None:
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.3)


def list_processes(loop: Loop) -> dict[int, str]:
    """Return the processes that name the loop folder in their command or environment; real ones, from /proc."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            command = (folder / "cmdline").read_bytes()
            environment = (folder / "environ").read_bytes()
        except OSError:
            continue
        if str(loop.folder).encode() in command + environment:
            found[int(folder.name)] = command.decode(errors="replace").replace("\0", " ")
    return found


@pytest.mark.slow
def test_it_runs_survives_its_server_and_leaves_nothing(
    scheduler: tuple[Loop, "subprocess.Popen[bytes]", Path],
) -> None:
    loop, process, told = scheduler
    wait_for(lambda: "nightly: * * * * *" in told.read_text())
    second = subprocess.run(
        [sys.executable, "-m", "flows.cli", "schedule", "--at", str(loop.folder)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert second.returncode == 1
    assert f"already scheduled by process {process.pid}" in second.stderr
    commands = {command: pid for pid, command in list_processes(loop).items()}
    (server,) = (
        commands[each] for each in commands if "prefect server start" in each and not each.startswith("/bin/sh")
    )
    os.kill(server, signal.SIGKILL)
    wait_for(lambda: told.read_text().count("the Prefect server is ready") == 2)
    wait_for(lambda: [run for run in tell_schedule(loop)["last"] if run["state"] == "done"])
    assert tell_schedule(loop)["is_running"]

    process.send_signal(signal.SIGTERM)

    assert process.wait(timeout=60) == 0
    assert told.read_text().splitlines()[-1] == "stopped"
    wait_for(lambda: not list_processes(loop), 10)
    assert not tell_schedule(loop)["is_running"]
