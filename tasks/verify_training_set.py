"""`verify`: make a version again from the warehouse, compare digests, and say what differs."""

from dataclasses import dataclass
from typing import Literal

import duckdb

from schemas.sql_files import read_sql
from tasks.digest_rows import digest_rows
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.read_version import StoredVersion, read_version
from tasks.rebuild_rows import rebuild_rows
from tasks.warehouse import open_warehouse

_SHOWN = 5  # differing samples that are named of each kind

Moved = Literal["nothing", "stored rows", "facts", "both", "features", "lineage", "erased"]


@dataclass(frozen=True)
class VerifySummary:
    """A version's digest as it was noted, of its rows as they stand, and of those rebuilt from the facts now.

    `erased_rows`: rows that an erasure took the content from. `is_erased`: an erasure named the version; what is
    left is compared all the same. `differences`: how the rebuilt rows differ from those that stand, by kind: how
    many, the first samples, and what they were and are. `features`: rows that stand without the features they had.
    """

    version: str
    digest: str
    rows_digest: str
    rebuilt_digest: str
    row_count: int
    stored_row_count: int
    rebuilt_row_count: int
    erased_rows: int
    is_erased: bool
    differences: list[Row]
    features: list[Row]

    @property
    def is_equal(self) -> bool:
        """Whether it was rebuilt exactly: the same digests, and each row of the same case, fix and prediction."""
        return self.digest == self.rebuilt_digest == self.rows_digest and not self.differences

    @property
    def is_rest_equal(self) -> bool:
        """Whether the rows that stand, those of an erased recording aside, were rebuilt exactly."""
        return not self.differences

    @property
    def moved(self) -> Moved:
        """What is no longer as it was; `features`: the rows agree, so only their features can differ."""
        rows_stand, facts_stand = self.rows_digest == self.digest, self.rebuilt_digest == self.digest
        if self.is_equal:
            return "nothing"
        if self.is_erased:
            return "erased"
        if rows_stand and facts_stand:
            return "lineage"
        if rows_stand or facts_stand:
            return "facts" if rows_stand else "stored rows"
        if self.features:
            return "facts"  # without them the digest of the stored rows cannot be what it was
        return "both" if self.differences else "features"


def verify_training_set(loop: Loop, version: str) -> VerifySummary:
    """Rebuild a version by its composition as of its moment; writes nothing, and asks nothing of the settings.

    Raises UnknownNameError for a version that the warehouse does not have.
    """
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        stored = read_version(connection, version)
        (erased,) = fetch_rows(connection, "diff/count_erased", {"version": version})
        rebuild_rows(warehouse, stored)
        connection.execute("create or replace temp table row_after as select * from assembled")
        connection.execute(read_sql("diff/rows_before"), {"version": version})
        rows_digest, rebuilt_digest = _digest_both(connection, stored)
        is_sound = rows_digest == stored.digest
        features = [] if is_sound else fetch_rows(connection, "diff/odd_features", _shown(stored))
        stored_row_count = _count(connection, "row_before")
        if erased["is_named"]:
            connection.execute(read_sql("diff/kept_rows"), {"version": version})
        connection.execute(read_sql("diff/changed_row"))
        return VerifySummary(
            version=version,
            digest=stored.digest,
            rows_digest=rows_digest,
            rebuilt_digest=rebuilt_digest,
            row_count=stored.row_count,
            stored_row_count=stored_row_count,
            rebuilt_row_count=_count(connection, "row_after"),
            erased_rows=erased["erased_rows"] if erased["is_named"] else 0,
            is_erased=erased["is_named"],
            differences=fetch_rows(connection, "diff/differences", {"at_most": _SHOWN}),
            features=features,
        )


def _digest_both(connection: duckdb.DuckDBPyConnection, stored: StoredVersion) -> tuple[str, str]:
    """Return the digests of `row_before` and `row_after`; without signed zeros where the noted one was made so."""
    digests = _digest_sides(connection, stored, has_signed_zeros=True)
    if stored.digest in digests:
        return digests
    earlier = _digest_sides(connection, stored, has_signed_zeros=False)
    return earlier if stored.digest in earlier else digests


def _digest_sides(
    connection: duckdb.DuckDBPyConnection, stored: StoredVersion, *, has_signed_zeros: bool
) -> tuple[str, str]:
    space, digests = stored.composition.feature_space, []
    for table in ("row_before", "row_after"):
        connection.execute(f"create or replace temp table assembled as select * from {table}")
        digests.append(digest_rows(connection, space, has_signed_zeros=has_signed_zeros))
    return digests[0], digests[1]


def _shown(stored: StoredVersion) -> Row:
    return {"feature_space": stored.composition.feature_space, "at_most": _SHOWN}


def _count(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    row = connection.execute(f"select count(*) from {table}").fetchone()
    return int(row[0]) if row else 0
