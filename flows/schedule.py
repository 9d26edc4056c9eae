"""`schedule`: a Prefect server where none is named, and the process that serves the flows, until SIGTERM."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from flows.run_flow import has_server
from flows.stop_signals import StopWatch, watch_signals
from flows.temporary_server import (
    TemporaryServer,
    find_port,
    make_environment,
    start_group,
    start_server,
    stop_group,
)
from tasks.close_dead_runs import close_dead_runs
from tasks.errors import BusyWarehouseError, SettingsError, TurnrowError
from tasks.lock import hold_file_lock
from tasks.loop import Loop

Say = Callable[[str], None]
LOCK = "schedule.lock"
_POLL_SECONDS = 0.5
_STOP_SECONDS = 60


def run_schedule(loop: Loop, say: Say) -> None:
    """Run the loop's flows by their cron lines until SIGINT or SIGTERM.

    Raises SettingsError where no flow has a cron line, TurnrowError where this loop has a scheduler already.
    """
    schedule = loop.settings.schedule
    if not (schedule.nightly or schedule.round):
        raise SettingsError('turnrow.toml: [schedule] nightly and round are both "" (never); set a cron line')
    with _hold_lock(loop), watch_signals() as watch, ExitStack() as stack:
        for flow in close_dead_runs(loop):
            say(f"closed a run of {flow} whose process had died: crashed")
        scheduler = _Scheduler(loop, say, watch)
        stack.callback(scheduler.stop)
        scheduler.run()
    say("stopped")


def is_scheduled_now(loop: Loop) -> bool:
    """Tell whether a scheduler of this loop runs."""
    try:
        with hold_file_lock(loop.folder / LOCK, shared=True, wait_seconds=0):
            return False
    except BusyWarehouseError:
        return True


@contextmanager
def _hold_lock(loop: Loop) -> Iterator[None]:
    path = loop.folder / LOCK
    try:
        path.touch()
        lock = ExitStack()
        lock.enter_context(hold_file_lock(path, shared=False, wait_seconds=0))
    except BusyWarehouseError as error:
        holder = path.read_text(encoding="utf-8").strip()
        raise TurnrowError(
            f"{loop.folder}: already scheduled by {holder or 'another process'}; one scheduler a loop is enough"
        ) from error
    with lock:
        yield


@dataclass
class _Scheduler:
    """The two processes under one roof: whichever of them dies is started anew."""

    loop: Loop
    say: Say
    watch: StopWatch
    server: TemporaryServer | None = None
    runner: "subprocess.Popen[bytes] | None" = None
    port: int = 0

    def run(self) -> None:
        while self.watch.number is None:
            if not has_server():
                self._keep_server()
            if self.watch.number is None:
                self._keep_runner()
            time.sleep(_POLL_SECONDS)

    def stop(self) -> None:
        """End the runner first, as it tells the server what it cancels; then the server, if it is ours."""
        if self.runner is not None:
            if self.runner.poll() is None:
                self.say("stopping: runs under way are cancelled")
                os.kill(self.runner.pid, signal.SIGTERM)
                _wait(self.runner)
            stop_group(self.runner)
        if self.server is not None:
            stop_group(self.server.process)

    def _keep_server(self) -> None:
        if self.server is not None:
            if self.server.process.poll() is None:
                return
            stop_group(self.server.process)
            self.say("the Prefect server has died; it is started anew")
        home = (self.loop.folder / ".prefect").absolute()
        home.mkdir(exist_ok=True)
        self.port = self.port or find_port()
        url = f"http://127.0.0.1:{self.port}/api"
        self.say(f"starting a Prefect server at {url}")
        process = start_server(home, self.port)
        self.server = TemporaryServer(process, url, make_environment(home) | {"PREFECT_API_URL": url})
        if self.server.wait_until_healthy():
            self.say("the Prefect server is ready")

    def _keep_runner(self) -> None:
        if self.runner is not None:
            if self.runner.poll() is None:
                return
            stop_group(self.runner)
            self.say("the process that serves the flows has ended; it is started anew")
            time.sleep(_POLL_SECONDS * 10)
        command = (sys.executable, "-P", "-m", "flows.serve_flows", str(self.loop.folder.absolute()))
        self.runner = start_group(command, self._make_environment())
        schedule = self.loop.settings.schedule
        for name, line in (("nightly", schedule.nightly), ("round", schedule.round)):
            if line:
                self.say(f"{name}: {line} ({schedule.timezone})")

    def _make_environment(self) -> Mapping[str, str]:
        return dict(os.environ) if self.server is None else self.server.environment


def _wait(process: "subprocess.Popen[bytes]") -> None:
    try:
        process.wait(timeout=_STOP_SECONDS)
    except subprocess.TimeoutExpired:
        return
