"""Prefect servers on the loopback interface, and other groups of processes, that end with whoever started them."""

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

_HEALTHY_SECONDS = 60
_STOP_SECONDS = 15
_LOOPBACK = "127.0.0.1"
# The shell becomes the server; its watcher reads from us, and ends the group when we close the pipe or die: with
# a minute for what takes leave in order, such as a night that tells how it ended.
_UNTIL_CLOSED = """
exec 3<&0
{
    trap "" TERM
    read -r _ <&3
    kill -s TERM -- -$$
    left=$1
    while [ "$left" -gt 0 ] && kill -0 $$ && ! grep -q "^State:.Z" /proc/$$/status; do
        sleep 1
        left=$((left - 1))
    done
    kill -s KILL -- -$$
} 2>/dev/null &
shift
exec "$@" 3<&- </dev/null
"""
_LEAVE_SECONDS = 60


@dataclass(frozen=True)
class TemporaryServer:
    """A server that was told to start; `environment` is what a process needs to run its flows there."""

    process: subprocess.Popen[bytes]
    url: str
    environment: Mapping[str, str]

    def wait_until_healthy(self, is_wanted: Callable[[], bool] = lambda: True) -> bool:
        """Wait until the server answers, for a minute at most; tell whether it does."""
        deadline = time.monotonic() + _HEALTHY_SECONDS
        while time.monotonic() < deadline and self.process.poll() is None and is_wanted():
            try:
                # not the proxy that the environment may name: this is our own process
                with _DIRECT.open(f"{self.url}/health", timeout=5):
                    return True
            except (urllib.error.URLError, OSError):
                time.sleep(0.2)
        return False


_DIRECT = urllib.request.build_opener(urllib.request.ProxyHandler({}))


@contextmanager
def start_temporary_server() -> Iterator[TemporaryServer]:
    """Start a server and hand it over at once; it takes about ten seconds to become healthy.

    Its home is a temporary folder: neither the user's Prefect profile nor his settings are read or changed.
    """
    with tempfile.TemporaryDirectory(prefix="turnrow-prefect-", ignore_cleanup_errors=True) as home:
        port = find_port()
        url = f"http://{_LOOPBACK}:{port}/api"
        process = start_server(Path(home), port)
        try:
            yield TemporaryServer(process, url, {**make_environment(Path(home)), "PREFECT_API_URL": url})
        finally:
            stop_group(process)


def find_port() -> int:
    """Return a port of the loopback interface that is free just now."""
    with socket.socket() as free:
        free.bind((_LOOPBACK, 0))
        return int(free.getsockname()[1])


def make_environment(home: Path, *, has_pages: bool = False) -> dict[str, str]:
    """Return our environment with a home for Prefect, and without any other setting of it.

    With `has_pages` the server shows its pages too; their files are put into the home.
    """
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    return kept | {
        "PREFECT_HOME": str(home),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_UI_ENABLED": str(has_pages).lower(),
        "PREFECT_UI_STATIC_DIRECTORY": str(home / "pages"),
        "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
        "DO_NOT_TRACK": "1",
        "NO_PROXY": _LOOPBACK,
        "no_proxy": _LOOPBACK,
    }


def start_server(home: Path, port: int, *, has_pages: bool = False) -> subprocess.Popen[bytes]:
    """Start the server as a group of its own that ends with this process, however this process ends."""
    server = (sys.executable, "-P", "-m", "prefect", "server", "start", "--host", _LOOPBACK, "--port", str(port))
    environment = make_environment(home, has_pages=has_pages)
    environment["PREFECT_UI_API_URL"] = f"http://{_LOOPBACK}:{port}/api"  # the pages would ask port 4200
    return start_group(server, environment, home / "log")


def start_group(
    command: Sequence[str],
    environment: Mapping[str, str],
    log: Path | None = None,
    *,
    folder: Path | None = None,
    leave_seconds: int = _LEAVE_SECONDS,
) -> subprocess.Popen[bytes]:
    """Start a command as a group of its own that ends with this process; it writes to `log`, else to stderr.

    It runs in `folder`, else where we do: Python processes that it starts look for modules there first.
    When this process is gone it is told to end, and killed `leave_seconds` later.
    """
    with log.open("ab") if log else nullcontext() as target:
        return subprocess.Popen(
            ["/bin/sh", "-c", _UNTIL_CLOSED, "sh", str(leave_seconds), *command],
            cwd=folder,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=target or sys.stderr,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )


def stop_group(process: subprocess.Popen[bytes]) -> None:
    """End a group that `start_group` started; one that does not end by itself is killed."""
    if process.stdin is not None:
        process.stdin.close()
    try:
        process.wait(timeout=_STOP_SECONDS)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
