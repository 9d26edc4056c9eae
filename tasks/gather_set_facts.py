"""What the warehouse knows of a training set that is given out: what its descriptions are made of."""

from dataclasses import dataclass

import duckdb

from schemas.sql_files import read_sql
from tasks.fetch_rows import Row, fetch_rows
from tasks.read_version import StoredVersion

MOMENTS = ("first_observed_at", "last_observed_at", "first_decided_at", "last_decided_at")


@dataclass(frozen=True)
class Withheld:
    """So many rows of the version are not given out: `why`, and what a [[restriction]] says."""

    why: str
    note: str | None
    row_count: int


@dataclass(frozen=True)
class Agreement:
    """How far people agreed on questions whose answers gave rows their labels: those that two or more answered.

    `alpha` is Krippendorff's; None where it is undefined (one label throughout, nothing to compare, numbers).
    """

    question_count: int
    answer_count: int
    compared_count: int
    equal_share: float | None
    alpha: float | None


@dataclass(frozen=True)
class SetFacts:
    """All that the datasheet and the Croissant description tell; `digest` is that of the rows given out."""

    stored: StoredVersion
    kind: str
    unit: str
    critical: tuple[str, ...]
    was: dict[str, str]
    is_invented: bool
    digest: str
    feature_length: int
    withheld: tuple[Withheld, ...]
    extent: Row
    counts: dict[str, list[Row]]
    context_keys: list[Row]
    models: list[Row]
    cases: list[Row]
    checks: list[Row]
    holdouts: list[Row]
    agreement: Agreement

    @property
    def is_whole(self) -> bool:
        """Whether every row of the version is given out."""
        return not self.withheld

    @property
    def is_base_alone(self) -> bool:
        """Whether no row is there for a failure case, or because something about it was doubted or mined."""
        return not self.cases and all(row["value"] == "base" for row in self.counts.get("reason", []))


def read_withheld(connection: duckdb.DuckDBPyConnection) -> tuple[Withheld, ...]:
    """Return what the temp table `withheld_row` holds, by reason."""
    rows = connection.execute(read_sql("export/count_withheld")).fetchall()
    return tuple(Withheld(str(why), note, int(count)) for why, note, count in rows)


def read_counts(connection: duckdb.DuckDBPyConnection) -> dict[str, list[Row]]:
    """Return by property (class, reason, origin, unit, people, guideline, case) the rows of each of its values."""
    counts: dict[str, list[Row]] = {}
    for row in fetch_rows(connection, "export/counts"):
        counts.setdefault(str(row["property"]), []).append(row)
    return counts


def read_extent(connection: duckdb.DuckDBPyConnection) -> Row:
    """Return how much is given out, over what time, and of how much of it something is not known."""
    (row,) = fetch_rows(connection, "export/extent", moments=MOMENTS)
    return row


def measure_agreement(connection: duckdb.DuckDBPyConnection, attribute: str, kind: str) -> Agreement:
    """Return how far people agreed on the questions whose answers gave rows of `exported_row` their labels."""
    rows = connection.execute(read_sql("export/answers"), {"attribute": attribute}).fetchall()
    given: dict[str, dict[str, str]] = {}
    for fix_id, annotator, label in rows:
        given.setdefault(str(fix_id), {})[str(annotator)] = str(label)
    compared = [labels for labels in given.values() if len(labels) > 1 and kind == "class"]
    equal = sum(len(set(labels.values())) == 1 for labels in compared)
    share = equal / len(compared) if compared else None
    return Agreement(len(given), len(rows), len(compared), share, _find_alpha(compared))


def _find_alpha(compared: list[dict[str, str]]) -> float | None:
    from tasks.statistics_agreement import krippendorff_alpha

    people = sorted({annotator for labels in compared for annotator in labels})
    if not people:
        return None
    try:
        return float(krippendorff_alpha([[labels.get(name) for labels in compared] for name in people]))
    except ValueError:
        return None
