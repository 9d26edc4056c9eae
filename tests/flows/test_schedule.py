"""A scheduler with a real Prefect server and real processes: killed, started anew, stopped; nothing is left."""

import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from flows.serve_flows import name_deployment
from flows.tell_schedule import find_next, tell_schedule
from schemas.sql_files import read_sql
from tasks.close_dead_runs import close_dead_runs
from tasks.know_process import name_process
from tasks.locate_warehouse import find_location
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.track_run import track_run
from tasks.warehouse import open_warehouse

NIGHT = '[schedule]\nnightly = "0 2 * * *"\n[attribute.obstacle]\nlabels = ["person", "crate"]\n'
DYING = """
import os, signal, sys
from pathlib import Path
from tasks.lock import hold_file_lock
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
    (last,) = tell_schedule(loop)["last"]
    assert (last["state"], last["error"]) == ("running", "its process has died; the next run closes it")
    with track_run(loop, "round", {"attribute": "obstacle"}):  # whoever starts closes the dead
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


Run = tuple[str, str, datetime, datetime]


@dataclass
class Scheduler:
    """A real scheduler of a real loop, and what a test does to it from outside."""

    loop: Loop
    process: "subprocess.Popen[bytes]"
    told: Path

    def wait_for_line(self, line: str) -> None:
        wait_for(lambda: line in self.told.read_text())

    def start_second(self) -> tuple[int, str]:
        done = subprocess.run(
            [sys.executable, "-m", "flows.cli", "schedule", "--at", str(self.loop.folder)],
            capture_output=True,
            text=True,
            timeout=60,
        )
        return done.returncode, done.stderr

    def ask(self, path: str, **body: object) -> Any:
        port = (self.loop.folder / ".prefect" / "port").read_text()
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/api/{path}",
            data=json.dumps(body.get("rows", body)).encode(),
            headers={"content-type": "application/json"},
        )
        deadline = time.monotonic() + 20
        while True:
            try:
                with urllib.request.urlopen(request, timeout=20) as answer:
                    return json.load(answer)
            except urllib.error.HTTPError as error:  # 503: its SQLite is busy, and nothing was done
                if error.code != 503 or time.monotonic() > deadline:
                    raise
                time.sleep(0.5)

    def set_seconds(self, seconds: int) -> None:
        """Add a schedule of seconds, which no cron line can say, to the only flow with a schedule."""
        wait_for(lambda: [len(each["schedules"]) for each in self.ask("deployments/filter")] in ([0, 1], [1, 0]))
        (deployment,) = (each for each in self.ask("deployments/filter") if each["schedules"])
        rows = [{"active": True, "schedule": {"interval": seconds}}]
        self.ask(f"deployments/{deployment['id']}/schedules", rows=rows)

    def list_states(self) -> set[str]:
        return {run["state"]["type"] for run in self.ask("flow_runs/filter", sort="EXPECTED_START_TIME_DESC")}

    def find_process(self, word: str) -> int:
        found = list_processes(self.loop)
        (number,) = (
            pid for pid, command in found.items() if word in command and not command.startswith("/bin/sh")
        )
        return number

    @contextmanager
    def hold_a_night(self) -> Iterator[tuple[str, int]]:
        """Hold the warehouse as a writer does from a moment within a night on; yield its run and its process."""
        path = find_location(self.loop).lock_path
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with hold_file_lock(path, shared=False, wait_seconds=30):
                with duckdb.connect(path.with_suffix(""), read_only=True) as connection:
                    found = connection.execute(
                        "select run_id, (counts->>'process')::integer from flow_run where state = 'running'"
                    ).fetchall()
                if found and Path(f"/proc/{found[0][1]}/environ").exists():
                    yield found[0]
                    return
            time.sleep(0.02)
        pytest.fail("no night came")

    def list_runs(self) -> list[Run]:
        """Return the nights in order; one that is under way has no end."""
        with open_warehouse(self.loop, write=False) as warehouse:
            return warehouse.connection.execute(
                "select run_id, state, started_at, ended_at from flow_run "
                "where flow = 'nightly' order by started_at"
            ).fetchall()

    def has_done_after(self, run_id: str) -> bool:
        runs = self.list_runs()
        place = [run[0] for run in runs].index(run_id)
        return any(state == "done" for _, state, _, _ in runs[place + 1 :])

    def change_nightly(self, line: str) -> None:
        path = self.loop.folder / "turnrow.toml"
        path.write_text(path.read_text().replace(self.loop.settings.schedule.nightly, line))


@pytest.fixture
def scheduler(make_file_loop: Callable[..., Loop]) -> Iterator[Scheduler]:
    loop = make_file_loop(NIGHT + "[notify]\ncommand = 'keep.sh'\n")
    keeper = loop.folder / "keep.sh"
    keeper.write_text("#!/bin/sh\ncat > told-$$\n")
    keeper.chmod(0o755)
    told = loop.folder.parent / "told"
    poisoned = loop.folder.parent / "elsewhere" / "flows"  # who starts it may be anywhere
    poisoned.mkdir(parents=True)
    (poisoned / "__init__.py").write_text("raise SystemExit('not this one')")
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    with told.open("wb") as target:
        process = subprocess.Popen(
            [Path(sys.executable).with_name("turnrow"), "schedule", "--at", str(loop.folder)],
            stdout=target,
            stderr=subprocess.STDOUT,
            cwd=poisoned.parent,
            env=environment,
        )
    yield Scheduler(loop, process, told)
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
def test_killed_in_every_part_it_goes_on_without_overlap_and_leaves_nothing(scheduler: Scheduler) -> None:
    scheduler.wait_for_line("the Prefect server is ready")
    assert scheduler.start_second() == (
        1,
        f"turnrow: {scheduler.loop.folder}: already scheduled by process {scheduler.process.pid}; "
        "one scheduler a loop is enough\n",
    )
    scheduler.set_seconds(3)

    with scheduler.hold_a_night() as (crashed, process):  # it waits for us, and others are due meanwhile
        wait_for(lambda: "CANCELLED" in scheduler.list_states())
        os.kill(process, signal.SIGKILL)
        wait_for(lambda: "CRASHED" in scheduler.list_states())
    wait_for(lambda: scheduler.has_done_after(crashed))
    assert {run_id: state for run_id, state, *_ in scheduler.list_runs()}[crashed] == "crashed"

    with scheduler.hold_a_night() as (left, _):
        os.kill(scheduler.find_process("flows.serve_flows"), signal.SIGKILL)
        scheduler.wait_for_line("the process that serves the flows has ended; it is tried anew in 2 s")
    scheduler.set_seconds(3)  # the process that was started anew has put the cron line back
    wait_for(lambda: scheduler.has_done_after(left))

    os.kill(scheduler.find_process("prefect server start"), signal.SIGKILL)
    wait_for(lambda: scheduler.told.read_text().count("the Prefect server is ready") == 2)
    scheduler.wait_for_line("the process that serves the flows is started anew too")
    scheduler.set_seconds(3)
    last = scheduler.list_runs()[-1][0]
    wait_for(lambda: scheduler.has_done_after(last))

    scheduler.change_nightly("30 3 * * *")
    scheduler.wait_for_line("nightly: 30 3 * * * (UTC)")
    assert tell_schedule(scheduler.loop)["is_running"]
    with (scheduler.loop.folder / "turnrow.toml").open("a") as settings:
        settings.write("mistyped = 1\n")
    scheduler.wait_for_line("runs fail until this is mended")
    scheduler.process.send_signal(signal.SIGTERM)

    assert scheduler.process.wait(timeout=60) == 0
    assert scheduler.told.read_text().splitlines()[-1] == "stopped"
    wait_for(lambda: not list_processes(scheduler.loop), 10)
    assert not tell_schedule(scheduler.loop)["is_running"]
    runs = scheduler.list_runs()
    for (_, _, _, ended), (_, _, started, _) in itertools.pairwise(runs):
        assert ended <= started
    crashes = [run_id for run_id, state, _, _ in runs if state == "crashed"]
    notices = [json.loads(path.read_text()) for path in scheduler.loop.folder.glob("told-*")]
    assert sorted(notice["run_id"] for notice in notices if notice["state"] == "crashed") == sorted(crashes)
    assert crashes[0] == crashed
    (mistyped,) = [notice["text"] for notice in notices if notice["flow"] == "schedule"]
    assert "mistyped" in mistyped
    check_lines(scheduler.told.read_text(), runs)


def check_lines(told: str, runs: list[Run]) -> None:
    """Each line is ours: what the scheduler says, or a step of a run that `flow_run` knows."""
    lines = [line for line in told.splitlines() if " flow=" in line]
    known = {run_id[:8] for run_id, *_ in runs}
    assert {line.split("run=")[1][:8] for line in lines} == known
    done = next(run_id for run_id, state, _, _ in runs if state == "done")
    steps = [line for line in lines if f"run={done[:8]} step=" in line]
    assert {"pull", "settle", "due"} <= {line.split("step=")[1].split()[0] for line in steps}
    assert all(" outcome=done seconds=" in line for line in steps)
    assert not [line for line in told.splitlines() if " | " in line]


def test_the_next_times_are_told_without_writing_anything(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop(NIGHT)
    with open_warehouse(loop, write=False):
        pass  # its locks are there from the first look on
    before = sorted(loop.folder.rglob("*"))
    assert not tell_schedule(loop)["is_running"]
    assert sorted(loop.folder.rglob("*")) == before


@pytest.mark.slow
def test_what_keeps_the_server_from_starting_is_told(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop(NIGHT)
    (loop.folder / ".prefect" / "prefect.db").mkdir(parents=True)  # a folder is no database
    done = run_schedule_command(loop)
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert (
        f"the Prefect server did not become healthy; {loop.folder / '.prefect' / 'log'} tells why" in done.stderr
    )
    assert "unable to open database file" in (loop.folder / ".prefect" / "log").read_text()
    assert not list_processes(loop)


@pytest.mark.slow
def test_a_server_and_a_warehouse_that_are_away_are_waited_for_and_changed_lines_kept(
    make_file_loop: Callable[..., Loop],
) -> None:
    loop = make_file_loop(NIGHT)
    path = loop.folder / "turnrow.toml"
    with socket.socket() as taken:  # bound, and nobody listens
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        lake = f'location = "ducklake:postgres:host=127.0.0.1 port={port} dbname=lake"\ndata_path = "lake_data"\n'
        path.write_text(f"[warehouse]\n{lake}{NIGHT}")
        done = run_schedule_command(
            loop,
            meanwhile=lambda: path.write_text(path.read_text().replace("0 2 * * *", "30 3 * * *")),
            after=("names cannot be reached; it is tried anew in 4 s", "reached); it is tried anew in 4 s"),
            PREFECT_API_URL=f"http://127.0.0.1:{port}/api",
        )
    lines = done.stdout.splitlines()
    assert lines[0].startswith("going on without the warehouse, which each run tries again: ")
    assert "lake" in lines[0]
    said = [line for line in lines if line.startswith("the Prefect server")]
    assert said[:2] == [
        f"the Prefect server that PREFECT_API_URL names cannot be reached; it is tried anew in {seconds} s"
        for seconds in (2, 4)
    ]
    said = [line for line in lines if line.startswith("turnrow.toml")]
    assert said == [
        "turnrow.toml has changed, but the server does not take the cron lines, which stay as they were "
        f"(it cannot be reached); it is tried anew in {seconds} s"
        for seconds in (2, 4)
    ]
    assert (done.returncode, done.stderr, lines[-1]) == (0, "", "stopped")
    assert not list_processes(loop)


def test_loops_at_the_same_path_of_two_hosts_are_two_at_a_server_that_they_share() -> None:
    folder = Path("/srv/orchard")
    names = {name_deployment(folder, host) for host in ("-", "barn", "packing-shed", "barn")}
    assert len(names) == 3
    assert all(name.startswith("orchard") for name in names)


def run_schedule_command(
    loop: Loop, after: Sequence[str] = (), meanwhile: Callable[[], object] = lambda: None, **variables: str
) -> "subprocess.CompletedProcess[str]":
    """Run the scheduler until its own end, or until it has said all that is waited for, and is told to stop.

    `meanwhile` is done once, when something is tried anew.
    """
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    process = subprocess.Popen(
        [sys.executable, "-m", "flows.cli", "schedule", "--at", str(loop.folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment | variables,
    )
    assert process.stdout is not None
    told = ""
    while not all(words in told for words in after):
        line = process.stdout.readline()
        if "tried anew" in line and "tried anew" not in told:
            meanwhile()
        told += line
    if after:
        process.send_signal(signal.SIGTERM)
    try:
        rest, errors = process.communicate(timeout=90)
    finally:
        process.kill()
    return subprocess.CompletedProcess(process.args, process.returncode, told + rest, errors)
