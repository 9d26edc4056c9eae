"""A temporary Prefect server answers on the loopback interface and ends with whoever started it."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from flows.temporary_server import start_temporary_server

_OWNER = """
import time
from flows.temporary_server import start_temporary_server
with start_temporary_server() as server:
    print(server.process.pid, flush=True)
    time.sleep(60)
"""
_TELLER = """
from flows.temporary_server import start_temporary_server
with start_temporary_server() as server:
    print(server.environment.get("PREFECT_PROFILE"), server.environment["PREFECT_HOME"])
"""


@pytest.mark.slow
def test_it_answers_and_is_gone_with_its_home_afterwards() -> None:
    with start_temporary_server() as server:
        assert server.url.startswith("http://127.0.0.1:")
        assert server.wait_until_healthy()
        home = server.environment["PREFECT_HOME"]
    assert server.process.returncode is not None
    assert not server.wait_until_healthy()
    assert not Path(home).exists()


def test_it_reads_no_prefect_setting_of_the_user() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", _TELLER],
        env={**os.environ, "PREFECT_PROFILE": "mine", "PREFECT_HOME": "/nowhere"},
        capture_output=True,
        text=True,
        check=True,
    )
    profile, home = ended.stdout.split()
    assert profile == "None"
    assert "turnrow-prefect-" in home


@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM])
def test_it_ends_with_its_owner_however_that_ends(ending: signal.Signals, tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    with subprocess.Popen(
        [sys.executable, "-c", _OWNER], stdout=subprocess.PIPE, text=True, env=environment
    ) as owner:
        assert owner.stdout is not None
        server = int(owner.stdout.readline())
        assert _is_running(server)
        os.kill(owner.pid, ending)
        owner.wait()
    deadline = time.monotonic() + 20
    while _is_running(server) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not _is_running(server)


def test_what_does_not_take_leave_is_killed(tmp_path: Path) -> None:
    deaf = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print(1, flush=True)"
    command = [sys.executable, "-c", f"{deaf}; time.sleep(90)"]
    owner = (
        "import os, sys, time; from pathlib import Path; from flows.temporary_server import start_group\n"
        f"process = start_group({command!r}, os.environ, Path(sys.argv[1]), leave_seconds=1)\n"
        "print(process.pid, flush=True); time.sleep(90)"
    )
    log = tmp_path / "log"
    with subprocess.Popen([sys.executable, "-c", owner, str(log)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        group, deadline = int(process.stdout.readline()), time.monotonic() + 20
        while not log.exists() or log.read_text() != "1\n":
            assert time.monotonic() < deadline
            time.sleep(0.05)
        process.kill()
    while _is_running(group):
        assert time.monotonic() < deadline
        time.sleep(0.1)


def _is_running(group: int) -> bool:
    """Tell whether any process of the group lives; one that only waits to be collected does not count."""
    listed = subprocess.run(["ps", "-eo", "pgid=,stat="], capture_output=True, text=True, check=True).stdout
    rows = (line.split() for line in listed.splitlines())
    return any(int(row[0]) == group and not row[1].startswith("Z") for row in rows)
