"""A training set as it stands in the warehouse: how it was made, and what it was when it was made."""

from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.read_toml import find_nearest
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import UnknownNameError
from tasks.plan_composition import Composition, Moment, read_composition
from tasks.warehouse import as_utc


@dataclass(frozen=True)
class StoredVersion:
    """A training set's row; `moment` says as of when it was made, and until when groups were reserved."""

    version: str
    attribute: str
    parent_version: str | None
    running_number: int
    composition: Composition
    moment: Moment
    digest: str
    row_count: int
    state: str
    known_at: datetime

    @property
    def attribute_settings(self) -> AttributeSettings:
        """What composing it anew needs of the attribute, which turnrow.toml may no longer have."""
        return AttributeSettings(name=self.attribute, group_by=self.composition.group_by)


def read_version(connection: duckdb.DuckDBPyConnection, version: str) -> StoredVersion:
    """Return a stored version. Raises UnknownNameError with the nearest known one."""
    row = connection.execute(read_sql("assemble/read_version"), {"version": version}).fetchone()
    if row is None:
        names = [str(name) for (name,) in connection.execute("select version from training_set").fetchall()]
        nearest = find_nearest(version, names)
        hint = f"the nearest is {nearest}" if nearest else "there is none yet: `turnrow assemble` makes one"
        raise UnknownNameError(f"{version}: no such training set; {hint}")
    attribute, parent_version, number, text, as_of, reserved_until, digest, row_count, state, known_at = row
    return StoredVersion(
        version=version,
        attribute=attribute,
        parent_version=parent_version,
        running_number=number,
        composition=read_composition(text),
        moment=Moment(as_utc(as_of), as_utc(reserved_until)),
        digest=digest,
        row_count=row_count,
        state=state,
        known_at=as_utc(known_at),
    )


def read_latest_version(connection: duckdb.DuckDBPyConnection, attribute: str) -> StoredVersion | None:
    """Return an attribute's latest version, whatever its state; None where it has none yet."""
    row = connection.execute(
        "select max_by(version, running_number) from training_set where attribute = $attribute",
        {"attribute": attribute},
    ).fetchone()
    return None if row is None or row[0] is None else read_version(connection, str(row[0]))
