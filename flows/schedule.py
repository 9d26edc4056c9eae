"""`schedule`: a Prefect server where none is named, and the process that serves the flows, until SIGTERM."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from flows.pause import Pause
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
from tasks.close_dead_runs import close_dead_runs, is_under_way
from tasks.errors import BusyWarehouseError, SettingsError, TurnrowError, WarehouseError
from tasks.keep_schedule import HOME, LOCK
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.tell_run import tell_failure

Say = Callable[[str], None]
NO_SERVER = (
    75  # of the process that serves: its server cannot be reached, and may be later (EX_TEMPFAIL, sysexits.h)
)
NO_HOST = "-"  # told to the process that serves, where the server is the loop's own
_POLL_SECONDS = 0.5
_STOP_SECONDS = 60
_APPLY_SECONDS = 60
_SCHEDULED = ("nightly", "round")


def run_schedule(loop: Loop, say: Say) -> None:
    """Run the loop's flows by their cron lines until SIGINT or SIGTERM.

    Raises SettingsError where no flow has a cron line, TurnrowError where this loop has a scheduler already or
    the server that it starts does not become healthy.
    """
    schedule = loop.settings.schedule
    if not (schedule.nightly or schedule.round):
        raise SettingsError('turnrow.toml: [schedule] nightly and round are both "" (never); set a cron line')
    with _hold_lock(loop), watch_signals() as watch, ExitStack() as stack:
        _close_dead(loop, say)
        scheduler = _Scheduler(loop, say, watch)
        stack.callback(scheduler.stop)
        scheduler.run()
    say("stopped")


def _close_dead(loop: Loop, say: Say) -> None:
    """Close dead runs; a warehouse that is not there yet, as after a power cut, is no reason to stay down."""
    try:
        for flow in close_dead_runs(loop):
            say(f"closed a run of {flow} whose process had died: crashed")
    except WarehouseError as error:
        say(f"going on without the warehouse, which each run tries again: {error}")


@contextmanager
def _hold_lock(loop: Loop) -> Iterator[None]:
    path = loop.folder / LOCK
    try:
        lock = ExitStack()
        # `status` and `schedule --next` hold it for an instant, to see whether somebody else does.
        lock.enter_context(hold_file_lock(path, shared=False, wait_seconds=1))
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
    server_pause: Pause = field(default_factory=Pause)
    runner: "subprocess.Popen[bytes] | None" = None
    runner_pause: Pause = field(default_factory=Pause)
    modified_ns: int = 0
    is_to_renew: bool = False
    is_to_apply: bool = False
    apply_pause: Pause = field(default_factory=Pause)

    def run(self) -> None:
        self.modified_ns = self._read_modified()
        self._say_lines()
        while self.watch.number is None:
            if has_server() or self._keep_server():
                self._keep_runner()
                self._renew_runner()
                self._look_at_lines()
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

    def _keep_server(self) -> bool:
        """Start our server, also anew where it has died; tell whether it is there."""
        if self.server is not None:
            if self.server.process.poll() is None:
                return True
            stop_group(self.server.process)
            self.server = None
            self.is_to_renew = True
            self.server_pause.fail()
            self.say(f"the Prefect server has died; it is started anew in {self.server_pause.seconds:g} s")
        if not self.server_pause.is_over():
            return False
        self.server = self._start_server()
        self.server_pause.begin()
        return self.watch.number is None

    def _start_server(self) -> TemporaryServer:
        home = _make_home(self.loop)
        try:
            port = _choose_port(home)
            url = f"http://127.0.0.1:{port}/api"
            self.say(f"starting a Prefect server at {url}")
            process = start_server(home, port, has_pages=True)
        except OSError as error:
            raise TurnrowError(
                f"{home}: the Prefect server cannot keep its files there ({error.strerror})"
            ) from error
        server = TemporaryServer(process, url, make_environment(home) | {"PREFECT_API_URL": url})
        if server.wait_until_healthy(lambda: self.watch.number is None):
            self.say(f"the Prefect server is ready; what ran is shown at http://127.0.0.1:{port}/runs")
        elif self.watch.number is None:
            stop_group(process)
            raise TurnrowError(f"the Prefect server did not become healthy; {home / 'log'} tells why")
        return server

    def _keep_runner(self) -> None:
        if self.runner is not None:
            code = self.runner.poll()
            if code is None:
                return
            stop_group(self.runner)
            self.runner = None
            self._put_off(code)
        if self.runner_pause.is_over():
            # Prefect's processes look for `flows` in their folder first: it must hold no modules of anybody's.
            home = _make_home(self.loop)
            self.runner = start_group(self._serve(), self._make_environment(), folder=home)
            self.runner_pause.begin()

    def _renew_runner(self) -> None:
        """Start the process that serves anew after the server died, as soon as no run is under way.

        A run that the server's death kept from telling its end stays `Running` there, and would keep all later
        ones from starting; it is closed at the start.
        """
        if not self.is_to_renew or self.runner is None or self.runner.poll() is not None:
            return
        if is_under_way(self.loop, _SCHEDULED):
            return
        self.is_to_renew = False
        os.kill(self.runner.pid, signal.SIGTERM)
        _wait(self.runner)
        stop_group(self.runner)
        self.runner = None
        self.runner_pause.clear()
        self.say("the process that serves the flows is started anew too")

    def _put_off(self, code: int) -> None:
        self.runner_pause.fail()
        what = "the Prefect server that PREFECT_API_URL names" if has_server() else "the Prefect server"
        why = f"{what} cannot be reached" if code == NO_SERVER else "the process that serves the flows has ended"
        self.say(f"{why}; it is tried anew in {self.runner_pause.seconds:g} s")

    def _serve(self, *words: str) -> tuple[str, ...]:
        """Return the command that serves; where several hosts share a server it says which one this is."""
        host = socket.gethostname() if has_server() else NO_HOST
        return (sys.executable, "-P", "-m", "flows.serve_flows", str(self.loop.folder.resolve()), host, *words)

    def _make_environment(self) -> dict[str, str]:
        """Return ours, or the server's; Prefect's own lines are for its pages, ours are for the terminal."""
        environment = dict(os.environ) if self.server is None else dict(self.server.environment)
        return environment | {"PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL"}

    def _look_at_lines(self) -> None:
        """Hand changed cron lines to the server, until it takes them; a run that is under way goes on."""
        modified_ns = self._read_modified()
        if modified_ns != self.modified_ns:
            self.modified_ns = modified_ns
            self._read_lines()
        if self.is_to_apply and self.apply_pause.is_over():
            self._apply_lines()

    def _read_lines(self) -> None:
        try:
            settings = read_settings(self.loop.folder)
        except TurnrowError as error:
            why = f"the cron lines stay as they were, and runs fail until this is mended: {error}"
            self.say(why)
            tell_failure(self.loop, "schedule", why)  # by the last good settings: no run can read any now
            return
        if settings.schedule != self.loop.settings.schedule:
            self.is_to_apply = True
            self.apply_pause.clear()
        self.loop = replace(self.loop, settings=settings)

    def _apply_lines(self) -> None:
        error = self._hand_over_lines()
        if error is None:
            self.is_to_apply = False
            self.say("turnrow.toml has changed; from now on")
            self._say_lines()
            return
        self.apply_pause.fail()
        self.say(
            "turnrow.toml has changed, but the server does not take the cron lines, which stay as they were "
            f"({error}); it is tried anew in {self.apply_pause.seconds:g} s"
        )

    def _hand_over_lines(self) -> str | None:
        """Return why the server does not take the lines; None if it has."""
        try:
            done = subprocess.run(
                self._serve("apply"),
                env=self._make_environment(),
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                errors="replace",
                check=False,
                timeout=_APPLY_SECONDS,
            )
        except subprocess.TimeoutExpired:
            return f"no answer in {_APPLY_SECONDS} s"
        if done.returncode == 0:
            return None
        said = done.stderr.strip().splitlines()
        return said[-1] if said else "it cannot be reached"

    def _say_lines(self) -> None:
        schedule = self.loop.settings.schedule
        for name, line in (("nightly", schedule.nightly), ("round", schedule.round)):
            self.say(f"{name}: {line} ({schedule.timezone})" if line else f"{name}: never")

    def _read_modified(self) -> int:
        try:
            return (self.loop.folder / "turnrow.toml").stat().st_mtime_ns
        except OSError:
            return 0


def _make_home(loop: Loop) -> Path:
    home = (loop.folder / HOME).resolve()
    try:
        home.mkdir(exist_ok=True)
    except OSError as error:
        raise TurnrowError(f"{home}: cannot be the folder of the Prefect server ({error.strerror})") from error
    return home


def _choose_port(home: Path) -> int:
    """Return the port of the last time if it is free, so that a bookmark holds; else one that is free now."""
    kept = home / "port"
    try:
        port = int(kept.read_text(encoding="ascii"))
        with socket.socket() as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(("127.0.0.1", port))
    except (OSError, ValueError, OverflowError):
        port = find_port()
        kept.write_text(str(port), encoding="ascii")
    return port


def _wait(process: "subprocess.Popen[bytes]") -> None:
    try:
        process.wait(timeout=_STOP_SECONDS)
    except subprocess.TimeoutExpired:
        return
