"""`verify`: make a version again from the warehouse, and compare digests."""

from dataclasses import dataclass

from schemas.sql_files import read_sql
from tasks.compose_rows import Moment, compose_rows, read_composition
from tasks.digest_rows import digest_rows
from tasks.errors import UnknownNameError
from tasks.find_names import find_attribute
from tasks.loop import Loop
from tasks.warehouse import as_utc, open_warehouse


@dataclass(frozen=True)
class VerifySummary:
    """A version's digest as it was noted, of its rows as they stand, and of those rebuilt from the facts now."""

    version: str
    digest: str
    rebuilt_digest: str
    rows_digest: str

    @property
    def is_equal(self) -> bool:
        """Whether the version could be rebuilt exactly, and its rows are what they were."""
        return self.digest == self.rebuilt_digest == self.rows_digest


def verify_training_set(loop: Loop, version: str) -> VerifySummary:
    """Rebuild a version by its composition as of its moment; writes nothing.

    Raises UnknownNameError for a version that the warehouse does not have.
    """
    with open_warehouse(loop, write=False) as warehouse:
        row = warehouse.connection.execute(read_sql("assemble/read_version"), {"version": version}).fetchone()
        if row is None:
            raise UnknownNameError(f"{version}: no such training set; `turnrow status` names the latest ones")
        attribute, parent_version, text, as_of, reserved_until, digest = row
        composition = read_composition(text)
        moment = Moment(as_utc(as_of), as_utc(reserved_until))
        compose_rows(warehouse, find_attribute(loop, attribute), composition, parent_version, moment)
        rebuilt = digest_rows(warehouse.connection, composition.feature_space)
        warehouse.connection.execute(
            "create or replace temp table assembled as select * from training_set_member where version = $version",
            {"version": version},
        )
        rows = digest_rows(warehouse.connection, composition.feature_space)
        return VerifySummary(version, digest, rebuilt, rows)
