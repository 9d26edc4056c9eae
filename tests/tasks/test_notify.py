"""Who is told of a run that went wrong: a real command and a real HTTP server; what is secret stays secret."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import replace
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer, ThreadingHTTPServer
from pathlib import Path
from typing import Any, cast

import pytest

from schemas.settings import WatchSettings
from schemas.sql_files import read_sql
from tasks.check_setup import check_setup
from tasks.close_dead_runs import close_dead_runs
from tasks.errors import InputError, NotYetError
from tasks.keep_schedule import LOCK
from tasks.know_process import name_process
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.notify import check_notify, notify
from tasks.read_status import read_status
from tasks.track_run import track_run
from tasks.warehouse import open_warehouse

ATTRIBUTE = '[attribute.obstacle]\nlabels = ["person", "crate"]\n'
TOKEN = "tk-5f2c9e71"
KEEPER = """#!/bin/sh
cat > told-$$
env > environment-$$
echo "$1" > words-$$
"""
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
MakeLoop = Callable[..., Loop]


class _Receiver(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"]))
        server = cast("_Server", self.server)
        server.received.append((self.path, self.headers["content-type"], json.loads(body)))
        status = {"/broken": 500, "/moved": 302}.get(self.path, 204)
        if self.path == "/slow":
            time.sleep(1.5)
        self.send_response(status)
        if status == 302:
            self.send_header("Location", f"{server.address}/elsewhere")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Stay silent."""


class _Server(ThreadingHTTPServer):
    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Receiver)
        self.received: list[tuple[str, str, dict[str, Any]]] = []

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"


@pytest.fixture
def receiver() -> Iterator[_Server]:
    server = _Server()
    thread = threading.Thread(target=cast("HTTPServer", server).serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


def make_keeper(loop: Loop) -> None:
    path = loop.folder / "keep.sh"
    path.write_text(KEEPER)
    path.chmod(0o755)


def read_told(loop: Loop) -> list[dict[str, Any]]:
    return [json.loads(path.read_text()) for path in sorted(loop.folder.glob("told-*"))]


def test_a_night_that_left_something_tells_both_and_keeps_the_secret(
    make_file_loop: MakeLoop, receiver: _Server
) -> None:
    loop = make_file_loop(
        f"[notify]\ncommand = \"keep.sh 'of ${{TURNROW_SIGN}}'\"\n"
        f'webhook = "{receiver.address}/hook/${{TURNROW_TOKEN}}"\n{ATTRIBUTE}'
    )
    make_keeper(loop)
    (loop.folder / "cases").mkdir(exist_ok=True)
    (loop.folder / "cases" / "torn.toml").write_text("severity = ")
    done = run_nightly(loop, TURNROW_TOKEN=TOKEN, TURNROW_SIGN="two words")
    assert done.returncode == 1, done.stderr
    ((path, kind, document),) = receiver.received
    assert (path, kind) == (f"/hook/{TOKEN}", "application/json")
    assert (document["flow"], document["state"]) == ("nightly", "partial")
    assert document["run_id"] == json.loads(done.stdout)["run_id"]
    assert document["host"] == socket.gethostname()
    (problem,) = document["problems"]
    assert problem.startswith("case: ")
    assert document["text"] == f"Turnrow: nightly: partial: {problem}"
    assert read_told(loop) == [document]
    assert [path.read_text() for path in loop.folder.glob("words-*")] == ["of two words\n"]
    (environment,) = (path.read_text() for path in loop.folder.glob("environment-*"))
    assert "TURNROW" not in environment
    assert TOKEN not in done.stdout + done.stderr
    assert TOKEN not in json.dumps(document)


def test_a_run_that_does_not_end_is_told_while_it_runs(make_file_loop: MakeLoop, receiver: _Server) -> None:
    loop = make_file_loop(
        f'[notify]\nwebhook = "{receiver.address}/hook"\n[watch]\nrun_hours = 0.0001\n{ATTRIBUTE}'
    )
    with track_run(loop, "nightly", {}) as run:
        deadline = time.monotonic() + 30
        while not receiver.received:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        (long,) = read_status(loop, [], []).under_way
    ((_, _, document),) = receiver.received
    assert (document["state"], document["ended_at"], document["run_id"]) == ("running", None, run.run_id)
    assert document["text"] == (
        "Turnrow: nightly: running: still runs after 0.0001 hours "
        f"(process {os.getpid()} on {socket.gethostname()}); "
        "if it hangs, end that process and run it again"
    )
    assert (long["run_id"], long["is_long"], long["is_dead"]) == (run.run_id, True, False)
    with track_run(
        replace(loop, settings=replace(loop.settings, watch=WatchSettings(run_hours=0.0002))), "round", {}
    ):
        pass
    time.sleep(1)  # it ended within 0.72 s: nobody is told
    assert len(receiver.received) == 1


def test_who_makes_way_for_a_run_that_does_not_end_tells_it_and_none_waits_for_a_wrong_clock(
    make_file_loop: MakeLoop, receiver: _Server
) -> None:
    loop = make_file_loop(f'[notify]\nwebhook = "{receiver.address}/hook"\n{ATTRIBUTE}')
    put_running(loop, "hangs", name_process(), loop.clock() - timedelta(hours=21))
    for _ in range(2):
        with pytest.raises(NotYetError), track_run(loop, "nightly", {}, is_alone=True):
            pass
    told = [(document["run_id"], document["state"]) for _, _, document in receiver.received]
    assert told == [("hangs", "running")] * 2
    other = make_file_loop(ATTRIBUTE, name="other")
    put_running(other, "ahead", {"host": "barn", "process": 1}, other.clock() + timedelta(days=3650))
    with track_run(other, "nightly", {}, is_alone=True):
        pass


def put_running(loop: Loop, run_id: str, process: dict[str, object], started_at: datetime) -> None:
    row = {"run_id": run_id, "flow": "nightly", "parameters": "{}", "started_at": started_at}
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        values = row | {"counts": json.dumps(process)}
        warehouse.write(lambda _: connection.execute(read_sql("runs/start_run"), values))


def test_a_crash_is_told_by_the_next_one_where_who_was_to_tell_it_dies(make_file_loop: MakeLoop) -> None:
    loop = make_file_loop(f"[notify]\ncommand = 'keep.sh'\n{ATTRIBUTE}")
    deadly = loop.folder / "keep.sh"
    deadly.write_text("#!/bin/sh\nkill -9 $PPID\n")
    deadly.chmod(0o755)
    for _ in range(2):  # the second one closes the first one's run, and dies of telling it
        subprocess.run([sys.executable, "-c", DYING, str(loop.folder)], check=False, timeout=60)
    assert read_told(loop) == []
    make_keeper(loop)
    assert close_dead_runs(loop) == ["nightly", "nightly"]
    assert close_dead_runs(loop) == []
    told = read_told(loop)
    assert [(document["state"], document["counts"]) for document in told] == [("crashed", {})] * 2
    assert len({document["run_id"] for document in told}) == 2


@pytest.mark.parametrize(("is_scheduled", "told"), [(False, ["partial"]), (True, [])])
def test_a_scheduled_run_that_is_stopped_is_told_where_its_scheduler_is_gone(
    make_file_loop: MakeLoop, is_scheduled: bool, told: list[str]
) -> None:
    """Whoever stops a scheduler knows it; where that was killed, its group is told to end, and nobody knows."""
    loop = make_file_loop(f"[notify]\ncommand = 'keep.sh'\n{ATTRIBUTE}")
    make_keeper(loop)
    stopped = DYING.replace("os.kill(os.getpid(), signal.SIGKILL)", "raise KeyboardInterrupt")
    with hold_file_lock(loop.folder / LOCK, shared=False, wait_seconds=0) if is_scheduled else nullcontext():
        subprocess.run(
            [sys.executable, "-c", stopped, str(loop.folder)],
            env={**os.environ, "PREFECT__FLOW_RUN_ID": "1"},
            stderr=subprocess.DEVNULL,
            check=False,
            timeout=60,
        )
    assert [document["state"] for document in read_told(loop)] == told


def test_a_webhook_that_fails_is_told_without_its_address_and_changes_nothing_else(
    make_file_loop: MakeLoop,
) -> None:
    with socket.socket() as taken:  # bound, and nobody listens
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        loop = make_file_loop(f'[notify]\nwebhook = "http://127.0.0.1:{port}/${{TURNROW_TOKEN}}"\n{ATTRIBUTE}')
        (loop.folder / "cases").mkdir(exist_ok=True)
        (loop.folder / "cases" / "torn.toml").write_text("severity = ")
        done = run_nightly(loop, TURNROW_TOKEN=TOKEN)
        without = run_nightly(loop)
    notice, problem = done.stderr.splitlines()
    assert "nobody was notified: turnrow.toml, notify.webhook: it cannot be reached" in notice
    assert "torn.toml" in problem
    assert json.loads(done.stdout)["state"] == "partial"
    assert done.returncode == without.returncode == 1
    assert "the environment variable TURNROW_TOKEN is not set" in without.stderr.splitlines()[0]
    for text in (done.stdout, done.stderr):
        assert TOKEN not in text
        assert str(port) not in text


def run_nightly(loop: Loop, **variables: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "flows.cli", "nightly", "--json", "--at", str(loop.folder)],
        env={**{name: value for name, value in os.environ.items() if "PREFECT" not in name}, **variables},
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ("webhook = '{address}/broken'", "webhook: it answered with HTTP status 500"),
        ("webhook = '{address}/moved'", "webhook: it answered with HTTP status 302"),
        ("webhook = '{address}/slow'", "webhook: it did not answer within 0.5 seconds"),
        ("webhook = 'file:///etc/hostname?{address}'", "webhook: is no address; write http://... or https://..."),
        ("webhook = 'http://[{address}'", "webhook: is no address; write http://... or https://..."),
        ("webhook = 'http://127.0.0.1:port/{address}'", "webhook: it cannot be told (InvalidURL)"),
        ("command = 'sh -c \"exit 3\"'", "command: it ended with exit code 3"),
        ("command = 'sh -c \"kill -9 $$\"'", "command: it was ended by SIGKILL"),
        (
            "command = 'no-such-program-{address}'",
            "command: is neither on PATH nor an executable file",
        ),
        ('command = "tell \'them"', "command: is no command line; check its quotes"),
    ],
)
def test_each_failure_is_one_line_that_names_no_address(
    make_file_loop: MakeLoop, receiver: _Server, settings: str, said: str
) -> None:
    loop = make_file_loop(f"[notify]\n{settings.format(address=receiver.address)}\n{ATTRIBUTE}")
    (problem,) = notify(loop, {"state": "failed"}, command_seconds=0.5, webhook_seconds=0.5)
    assert f"nobody was notified: turnrow.toml, notify.{said}" in problem
    assert str(receiver.server_port) not in problem
    assert all(path != "/elsewhere" for path, _, _ in receiver.received)


def test_what_a_command_started_ends_with_it(make_file_loop: MakeLoop) -> None:
    loop = make_file_loop(f"[notify]\ncommand = 'sh -c \"sleep 98.5 & sleep 98.5\"'\n{ATTRIBUTE}")
    (problem,) = notify(loop, {"state": "failed"}, command_seconds=0.5)
    assert "command: it was ended after 0.5 seconds" in problem
    deadline = time.monotonic() + 10
    while is_sleeping():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def is_sleeping() -> bool:
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            if path.read_bytes() == b"sleep\x0098.5\x00":
                return True
        except OSError:
            continue
    return False


def test_a_command_that_reads_nothing_and_a_document_larger_than_a_pipe(make_file_loop: MakeLoop) -> None:
    loop = make_file_loop(f"[notify]\ncommand = 'true'\n{ATTRIBUTE}")
    assert notify(loop, {"problems": ["x" * 1_000_000]}) == []


def test_what_is_told_of_each_end_and_what_is_not(make_file_loop: MakeLoop, receiver: _Server) -> None:
    loop = make_file_loop(f"[notify]\nwebhook = '{receiver.address}/'\n{ATTRIBUTE}")
    with track_run(loop, "nightly", {}) as run:
        run.counts = {"files": 1}
    with pytest.raises(NotYetError), track_run(loop, "round", {"attribute": "obstacle"}):
        raise NotYetError("nothing to train on")
    with pytest.raises(KeyboardInterrupt), track_run(loop, "backfill", {}):
        raise KeyboardInterrupt
    assert receiver.received == []

    with track_run(loop, "nightly", {}) as run:
        run.findings.append("the served model's errors went up")
    with track_run(loop, "nightly", {}) as run:  # the outer one tells what the inner one left
        with pytest.raises(InputError), track_run(loop, "round", {"attribute": "obstacle"}):
            raise InputError("no such thing")
        run.state, run.error = "partial", "round obstacle: no such thing\ncase old: broken"
    with pytest.raises(InputError), track_run(loop, "round", {"attribute": "obstacle"}):
        raise InputError("no such thing")
    dead = subprocess.run([sys.executable, "-c", DYING, str(loop.folder)], check=False, timeout=60)
    assert dead.returncode == -signal.SIGKILL
    assert [close_dead_runs(loop), close_dead_runs(loop)] == [["nightly"], []]
    (loop.folder / "warehouse.duckdb").write_bytes(b"no database")
    with pytest.raises(Exception, match="cannot be opened"), track_run(loop, "nightly", {}):
        pass

    assert [document["text"].split("; what")[0].split(" (")[0] for _, _, document in receiver.received] == [
        "Turnrow: nightly: done: the served model's errors went up",
        "Turnrow: nightly: partial: round obstacle: no such thing",
        "Turnrow: round obstacle: failed: no such thing",
        "Turnrow: nightly: crashed: its process died before its end",
        receiver.received[-1][2]["text"].split(" (")[0],
    ]
    last = receiver.received[-1][2]
    assert last["state"] == "failed"
    assert "the warehouse cannot be opened" in last["text"]


def test_check_setup_finds_what_would_keep_a_notice_back(make_file_loop: MakeLoop) -> None:
    loop = make_file_loop(f"[notify]\ncommand = 'no-such-program'\nwebhook = '${{TURNROW_NOT_SET}}'\n{ATTRIBUTE}")
    problems = check_notify(loop)
    assert [problem.split(":")[0] for problem in problems] == [
        "turnrow.toml, notify.command",
        "turnrow.toml, notify.webhook",
    ]
    said = [finding for finding in check_setup(loop, [], []) if finding.where == "turnrow.toml, notify"]
    assert [(finding.level, finding.what) for finding in said] == [("wrong", problem) for problem in problems]
