"""A stored version's rows, made again from the facts: what `verify` and `diff` start from.

Nothing but the warehouse decides: the settings may have changed since, and the attribute be gone from them.
"""

from dataclasses import dataclass

import duckdb

from schemas.read_toml import find_nearest
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.compose_rows import Composition, Moment, compose_rows, read_composition
from tasks.errors import UnknownNameError
from tasks.warehouse import Warehouse, as_utc


@dataclass(frozen=True)
class StoredVersion:
    """A training set as it stands in the warehouse: how it was made, how many rows and which digest it had."""

    version: str
    attribute: str
    parent_version: str | None
    composition: Composition
    moment: Moment
    digest: str
    row_count: int
    state: str


def read_version(connection: duckdb.DuckDBPyConnection, version: str) -> StoredVersion:
    """Return a stored version. Raises UnknownNameError with the nearest known one."""
    row = connection.execute(read_sql("assemble/read_version"), {"version": version}).fetchone()
    if row is None:
        names = [str(name) for (name,) in connection.execute("select version from training_set").fetchall()]
        nearest = find_nearest(version, names)
        hint = f"the nearest is {nearest}" if nearest else "there is none yet: `turnrow assemble` makes one"
        raise UnknownNameError(f"{version}: no such training set; {hint}")
    attribute, parent_version, text, as_of, reserved_until, digest, row_count, state = row
    moment = Moment(as_utc(as_of), as_utc(reserved_until))
    composition = read_composition(text)
    return StoredVersion(version, attribute, parent_version, composition, moment, digest, row_count, state)


def rebuild_rows(warehouse: Warehouse, stored: StoredVersion) -> None:
    """Compose a version anew: leaves the temp tables that `compose_rows` leaves."""
    composition = stored.composition
    attribute = AttributeSettings(name=stored.attribute, group_by=composition.group_by)
    compose_rows(warehouse, attribute, composition, stored.parent_version, stored.moment)
