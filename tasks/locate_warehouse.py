"""Where a loop's warehouse is, the statement that attaches it, and what of it nobody may see."""

import re
from dataclasses import dataclass
from pathlib import Path

from tasks.errors import WarehouseError
from tasks.loop import Loop
from tasks.resolve_secret import resolve_environment

_POSTGRES = "ducklake:postgres:"
_LAKE = "ducklake:"
_PASSWORD = re.compile(r"(password\s*=\s*)('(?:[^'\\]|\\.)*'|\S+)", re.IGNORECASE)


@dataclass(frozen=True)
class Location:
    """Where a warehouse is: `kind` is `file`, `lake_file` (catalogue in a file) or `lake_postgres`."""

    kind: str
    target: str
    data_path: str
    schema: str

    @property
    def lock_path(self) -> Path:
        """The lock file beside a DuckDB file or a file catalogue."""
        return Path(f"{self.target}.lock")


def find_location(loop: Loop) -> Location:
    """Return where the loop's warehouse is, environment variables filled in."""
    settings = loop.settings.warehouse
    text = resolve_environment(settings.location, "turnrow.toml, warehouse.location")
    data = resolve_environment(settings.data_path, "turnrow.toml, warehouse.data_path")
    if not text.startswith(_LAKE):
        return Location("file", str(loop.locate(text).absolute()), "", "")
    if data and "://" not in data:
        data = str(loop.locate(data).absolute())
    if text.startswith(_POSTGRES):
        if not data:
            raise WarehouseError(
                "turnrow.toml, warehouse.data_path: a lake on PostgreSQL needs a folder that all hosts share"
            )
        return Location("lake_postgres", text.removeprefix(_POSTGRES), data, settings.metadata_schema)
    path = str(loop.locate(text.removeprefix(_LAKE)).absolute())
    return Location("lake_file", path, data or f"{path}.files", settings.metadata_schema)


def attach_statement(location: Location, *, write: bool, create: bool) -> str:
    """Return the statement that attaches it as `wh`; a lake's catalogue is made only with `create`."""
    target = location.target.replace("'", "''")
    if location.kind == "file":
        options = ["storage_version 'v1.5.0'"] if write else ["read_only"]
        return f"attach '{target}' as wh ({', '.join(options)})"
    options = ["data_path '{}'".format(location.data_path.replace("'", "''"))]
    if location.schema:
        options.append("metadata_schema '{}'".format(location.schema.replace("'", "''")))
    if not write:
        options.append("read_only")
    if not create:
        options.append("create_if_not_exists false")
    prefix = _POSTGRES if location.kind == "lake_postgres" else _lake_prefix(location)
    return f"attach '{prefix}{target}' as wh ({', '.join(options)})"


def _lake_prefix(location: Location) -> str:
    return "ducklake:sqlite:" if location.target.endswith(".sqlite") else _LAKE


def hide_secrets(location: Location, text: str) -> str:
    """Return what DuckDB said without the words that a lake's server is reached by, a password among them."""
    if location.kind != "lake_postgres":
        return text
    shown = text.replace(location.target, "…") if location.target else text
    return _PASSWORD.sub(r"\1…", shown)
