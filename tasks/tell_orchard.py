"""What the demo tells about a round and about what is left: figures that the loop has stored, read back."""

from dataclasses import dataclass

from schemas.case_file import FailureCase
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class Models:
    """The names of the models that a round compared; without an incumbent there is no `before` or `control`."""

    after: str
    before: str | None = None
    control: str | None = None


@dataclass(frozen=True)
class Figure:
    """One figure of a hold-out for the incumbent, the control and the candidate, as shares of `samples`."""

    name: str
    what: str
    before: float | None
    control: float | None
    after: float
    samples: int
    wanted: float | None = None


@dataclass(frozen=True)
class RoundFigures:
    """A round in figures: the attribute's general hold-out, each case's, and the training set's rows."""

    overall: Figure
    cases: tuple[Figure, ...]
    rows_by_reason: dict[str, int]


@dataclass(frozen=True)
class Confusion:
    """Flagged samples of one confusion that no failure case asks about."""

    attribute: str
    truth: str
    predicted: str
    samples: int


def read_round_figures(
    loop: Loop, attribute: str, version: str, models: Models, cases: list[FailureCase]
) -> RoundFigures:
    """Return what a round stored about its models; a case without a frozen hold-out is left out."""
    names = {"after": models.after, "before": models.before, "control": models.control}
    with open_warehouse(loop, write=False) as warehouse:
        found = fetch_rows(warehouse.connection, "demo/figures", names)
        reasons = fetch_rows(warehouse.connection, "demo/rows_by_reason", {"version": version})
    rows = {(row["case_name"], row["metric"], row["slice"]): row for row in found}
    overall = rows[f"overall:{attribute}", "accuracy", "all"]
    figures = (
        _make_figure(rows[key], case.case, what, case.gate.accuracy_at_least)
        for case in cases
        for what, key in [_find_figure(case)]
        if key in rows
    )
    return RoundFigures(
        _make_figure(overall, f"overall:{attribute}", "accuracy", None),
        tuple(figures),
        {row["reason"]: row["row_count"] for row in reasons},
    )


def count_unsettled(loop: Loop) -> int:
    """Return how many samples the annotators were asked about and could not settle."""
    with open_warehouse(loop, write=False) as warehouse:
        return len(fetch_rows(warehouse.connection, "demo/without_label"))


def list_unclaimed(loop: Loop) -> list[Confusion]:
    """Return the confusions that no failure case asks about, the most frequent first."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = fetch_rows(warehouse.connection, "demo/in_no_case")
    return [Confusion(row["attribute"], row["truth"], row["predicted"], row["sample_count"]) for row in rows]


def _find_figure(case: FailureCase) -> tuple[str, tuple[str, str, str]]:
    """Return what a case's own figure is called, and where it stands."""
    if case.holdout.truth:
        return f"recall of {case.holdout.truth}", (case.case, "recall", f"truth={case.holdout.truth}")
    return "accuracy", (case.case, "accuracy", "all")


def _make_figure(row: Row, name: str, what: str, wanted: float | None) -> Figure:
    return Figure(
        name,
        what,
        row["before_value"],
        row["control_value"],
        row["after_value"],
        row["sample_count"],
        wanted,
    )
