"""The README's files for running unattended are taken as they stand: by systemd, and by a real Prefect server."""

from __future__ import annotations

import configparser
import json
import queue
import shutil
import subprocess
import sys
import textwrap
import threading
import urllib.request
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from flows.temporary_server import TemporaryServer
    from tasks.loop import Loop

README = Path(__file__).parents[2] / "README.md"
PROGRAM = "/opt/turnrow/bin/turnrow"
FOLDER = "/srv/turnrow"


def read_block(first_line: str) -> str:
    """Return the README's indented block that starts with a line, blank lines within it included."""
    lines = README.read_text(encoding="utf-8").splitlines()
    start = lines.index(f"    {first_line}")
    end = next(number for number in range(start, len(lines)) if lines[number] and lines[number][0] != " ")
    return textwrap.dedent("\n".join(lines[start:end])).strip() + "\n"


def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    unit = read_block("[Unit]")
    parts = configparser.ConfigParser(interpolation=None)
    parts.optionxform = str  # type: ignore[assignment,method-assign]
    parts.read_string(unit)
    assert parts["Service"]["ExecStart"] == f"{PROGRAM} schedule --at {FOLDER}"
    # Only the first process is told to stop, which ends the others in order; it takes up to 60 s for the runs.
    assert parts["Service"]["KillMode"] == "mixed"
    assert int(parts["Service"]["TimeoutStopSec"]) > 60
    if shutil.which("systemd-analyze") is None:
        return
    path = tmp_path / "turnrow.service"
    path.write_text(unit.replace(PROGRAM, sys.executable))
    done = subprocess.run(["systemd-analyze", "verify", str(path)], capture_output=True, text=True, timeout=60)
    assert (done.returncode, [line for line in done.stderr.splitlines() if "turnrow" in line]) == (0, [])
    path.write_text(unit.replace(PROGRAM, sys.executable).replace("KillMode=mixed", "KilMode=mixed"))
    worse = subprocess.run(["systemd-analyze", "verify", str(path)], capture_output=True, text=True, timeout=60)
    assert "KilMode" in worse.stderr  # it does look


@pytest.mark.slow
def test_a_work_pool_takes_both_flows_and_a_worker_runs_a_night(
    make_file_loop: Callable[..., Loop], prefect_server: TemporaryServer, tmp_path: Path
) -> None:
    loop = make_file_loop()
    folder = tmp_path / "deploy"
    folder.mkdir()
    (folder / "prefect.yaml").write_text(read_block("deployments:").replace(FOLDER, str(loop.folder)))
    run_prefect(prefect_server, folder, "work-pool", "create", "turnrow", "--type", "process")
    run_prefect(prefect_server, folder, "deploy", "--all", "--no-prompt")
    found = {
        each["entrypoint"].rpartition(".")[2]: each
        for each in ask(prefect_server, "deployments/filter")
        if each["work_pool_name"] == "turnrow"
    }
    crons = {name: [each["schedule"]["cron"] for each in row["schedules"]] for name, row in found.items()}
    assert crons == {"nightly_flow": ["0 2 * * *"], "rounds_flow": ["0 5 * * 0"]}
    assert {row["global_concurrency_limit"]["limit"] for row in found.values()} == {1}

    night, rounds = (
        ask(prefect_server, f"deployments/{found[name]['id']}/create_flow_run", state={"type": "SCHEDULED"})
        for name in ("nightly_flow", "rounds_flow")
    )
    told = run_prefect(prefect_server, folder, "worker", "start", "--pool", "turnrow", "--run-once")

    seen = {each["id"]: each for each in ask(prefect_server, "flow_runs/filter")}
    assert seen[night["id"]]["name"].rpartition(": ")[2] == "nothing was left"
    assert seen[night["id"]]["state"]["name"] == "Completed"
    told_of_rounds = seen[rounds["id"]]["state"]
    assert told_of_rounds["name"] == "NotYet"
    assert told_of_rounds["message"] == "no attribute has newly settled fixes of a ready case"
    lines = [line for line in told.splitlines() if " flow=nightly run=" in line]
    assert lines[-1].split("outcome=")[1].split()[0] == "done"
    logs = [each["message"] for each in ask(prefect_server, "logs/filter", sort="TIMESTAMP_ASC")]
    assert next(line.split(" ", 1)[1] for line in lines if "step=pull" in line) in logs


@pytest.mark.slow
def test_the_servers_own_automation_tells_what_a_night_left(
    make_file_loop: Callable[..., Loop], prefect_server: TemporaryServer, tmp_path: Path
) -> None:
    loop = make_file_loop()
    (loop.folder / "cases" / "torn.toml").write_text("severity = ")
    with serve_once() as (address, received):
        block = save_webhook(prefect_server, address)
        (tmp_path / "tell.yaml").write_text(
            read_block("name: turnrow left something").replace("00000000-0000-0000-0000-000000000000", block)
        )
        run_prefect(prefect_server, tmp_path, "automation", "create", "--from-file", "tell.yaml")
        done = subprocess.run(
            [sys.executable, "-m", "flows.cli", "nightly", "--at", str(loop.folder)],
            env=dict(prefect_server.environment),
            capture_output=True,
            timeout=120,
        )
        assert done.returncode == 1
        told = received.get(timeout=60).decode()
    run_prefect(prefect_server, tmp_path, "automation", "delete", "turnrow left something")
    assert told.startswith("night of ")
    assert "left: case: " in told
    assert "torn.toml: is not valid TOML" in told


@contextmanager
def serve_once() -> Iterator[tuple[str, queue.Queue[bytes]]]:
    """Receive on the loopback interface what is sent by POST."""
    received: queue.Queue[bytes] = queue.Queue()

    class Receiver(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            received.put(self.rfile.read(int(self.headers["content-length"])))
            self.send_response(204)
            self.end_headers()

    with ThreadingHTTPServer(("127.0.0.1", 0), Receiver) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}/", received
        finally:
            server.shutdown()
            thread.join()


def save_webhook(server: TemporaryServer, address: str) -> str:
    """Make a Block as a person does on the server's pages; return its ID."""
    source = (
        "import sys; from prefect.blocks.webhook import Webhook\n"
        "print(Webhook(url=sys.argv[1]).save('orchard', overwrite=True))"
    )
    done = subprocess.run(
        [sys.executable, "-c", source, address],
        env=dict(server.environment),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def run_prefect(server: TemporaryServer, folder: Path, *words: str) -> str:
    """Run a command of Prefect's in a folder; return what it wrote to stderr."""
    done = subprocess.run(
        [sys.executable, "-m", "prefect", *words],
        cwd=folder,
        env=dict(server.environment),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stderr


def ask(server: TemporaryServer, path: str, **body: object) -> Any:
    request = urllib.request.Request(
        f"{server.url}/{path}", data=json.dumps(body).encode(), headers={"content-type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=20) as answer:
        return json.load(answer)
