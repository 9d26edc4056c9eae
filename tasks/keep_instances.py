"""In-memory DuckDBs for steps to work in, each kept for the next step.

Making one takes half of the time that it takes to open a file, and loading a lake's extensions most of what it
takes to open a lake. A step gets a connection of its own: temp tables, views, macros and what was registered
are the connection's, and go with it.
"""

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

_KEPT_AT_MOST = 2
_idle: list["Instance"] = []
_idle_lock = threading.Lock()

Config = Mapping[str, str | int]


@dataclass
class Instance:
    """One in-memory DuckDB, used by one step at a time; `loaded` names its extensions."""

    config: Config
    root: duckdb.DuckDBPyConnection
    loaded: set[str] = field(default_factory=set)


@contextmanager
def use_instance(config: Config) -> Iterator[tuple[Instance, duckdb.DuckDBPyConnection]]:
    """Lend an instance of this configuration, and a connection to it; it is kept unless something failed."""
    instance = _take(config) or Instance(config, duckdb.connect(":memory:", config=dict(config)))
    connection = instance.root.cursor()
    is_sound = False
    try:
        yield instance, connection
        is_sound = not _is_locked(connection) and not _has_spilled(config)
    finally:
        connection.close()
        if is_sound:
            _keep(instance)
        else:
            instance.root.close()


def _take(config: Config) -> Instance | None:
    with _idle_lock:
        for place, instance in enumerate(_idle):
            if instance.config == config:
                return _idle.pop(place)
    return None


def _keep(instance: Instance) -> None:
    with _idle_lock:
        _idle.append(instance)
        surplus = _idle[:-_KEPT_AT_MOST]
        del _idle[:-_KEPT_AT_MOST]
    for old in surplus:
        with suppress(duckdb.Error):
            old.root.close()


def _is_locked(connection: duckdb.DuckDBPyConnection) -> bool:
    """Tell whether a user's SQL ran here: such an instance is cut off for good, and serves nobody else."""
    row = connection.execute("select current_setting('lock_configuration')").fetchone()
    return row is None or bool(row[0])


def _has_spilled(config: Config) -> bool:
    """Tell whether what did not fit went to disk: DuckDB makes that folder once, and the step takes it away."""
    return Path(str(config["temp_directory"])).exists()
