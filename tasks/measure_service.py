"""What the random watch says of served traffic: error shares by model, rules' precision and recall, cases.

Every figure counts tracks: a watched sample stands for its track, weighted by the inverse of its probability.
Only a person's word counts as the truth; samples without one are told beside the figures, not guessed. A week
counts once none of its questions is open: what has a label already, or gets one first, was mostly noticed to be
wrong.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.compare_service import Comparison, Placed, compare_versions
from tasks.fetch_rows import fetch_rows
from tasks.loop import Loop
from tasks.statistics_service import sampled_share_interval
from tasks.warehouse import Warehouse, open_warehouse, show_only

_RECENT_WEEKS = 4


@dataclass(frozen=True)
class WatchedRow:
    """A sample of the watch as one served model predicted it; `is_error` is None without a person's word.

    `is_week_answered`: no question of its week is open, so its answers are no selection. `logged_at`: when the
    prediction came in. `was_unlabelled`: nobody and nothing had labelled it when it was drawn.
    """

    week: date
    part: int
    sample_id: str
    inclusion_probability: float
    model_version: str
    logged_at: datetime
    recording_id: str
    object_id: str
    unit_id: str | None
    is_error: bool | None
    is_open: bool
    is_week_answered: bool
    is_without_label: bool | None
    was_unlabelled: bool
    rules: list[str]
    case_names: list[str]

    @property
    def weight(self) -> float:
        """How many tracks it stands for."""
        return 1 / self.inclusion_probability

    @property
    def is_counted(self) -> bool:
        """Whether it enters a figure: a person has said, and nobody is asked about its week any more."""
        return self.is_error is not None and self.is_week_answered


@dataclass(frozen=True)
class SampledShare:
    """A share of tracks with its 95 % interval; all None where no sample tells it."""

    value: float | None = None
    low: float | None = None
    high: float | None = None
    samples: int = 0
    effective_number: float | None = None


@dataclass(frozen=True)
class ModelInService:
    """One served model in the weeks that were drawn: its exposure, what of it was watched, and its error share.

    `track_count`: tracks that it served. Of `watched` samples some are `answered`, some are `open` questions, and
    some ended `without_label`, which may hide errors. `errors` counts weeks without an open question alone.
    """

    model_version: str
    track_count: int
    first_at: datetime
    last_at: datetime
    watched: int
    answered: int
    open: int
    without_label: int
    errors: SampledShare


@dataclass(frozen=True)
class RuleInService:
    """A rule against the watch: which share of what it doubts is wrong, and of what is wrong it doubts.

    Of samples without a label when they were drawn: of others a rule of doubt may know the truth.
    """

    rule: str
    precision: SampledShare
    recall: SampledShare


@dataclass(frozen=True)
class ServiceFigures:
    """All that the watch says of an attribute."""

    attribute: str
    weeks: int
    open_weeks: int
    models: list[ModelInService]
    rules: list[RuleInService]


@dataclass(frozen=True)
class CaseInService:
    """A case's errors in service by model, and those of the models accepted since its cure against the others'.

    `comparison` is None where the case was never cured, or nothing can be compared. `recent_errors` are tracks
    that the watch found wrong, of the case, served by a model that was accepted with its cure or later, in the
    latest four weeks in which one of them was watched; `recent` compares those weeks with before: within weeks
    and sites where both ran, if there are any, and as a whole.
    """

    case_name: str
    shares: dict[str, SampledShare]
    models_after: list[str]
    comparison: Comparison | None
    recent_errors: int
    recent: list[Comparison]


def read_service(loop: Loop) -> list[ServiceFigures]:
    """Return what the watch says of every attribute."""
    with open_warehouse(loop, write=False) as warehouse:
        return [
            measure_service(warehouse, attribute, read_watched(warehouse, attribute))
            for attribute in loop.settings.attribute.values()
        ]


def measure_service(
    warehouse: Warehouse, attribute: AttributeSettings, rows: Sequence[WatchedRow]
) -> ServiceFigures:
    """Return what the watch, its `rows`, says of an attribute; empty before its first draw."""
    exposure = fetch_rows(warehouse.connection, "service/exposure", {"attribute": attribute.name})
    (weeks,) = fetch_rows(warehouse.connection, "service/count_weeks", {"attribute": attribute.name})
    return ServiceFigures(
        attribute.name,
        weeks["drawn"],
        weeks["drawn"] - weeks["closed"],
        [_measure_model(rows, **row) for row in exposure],
        [_measure_rule(rows, rule) for rule in attribute.rules if rule != "label_disagrees"]
        + [
            _measure_rule(rows, rule)
            for rule in sorted({rule for row in rows for rule in row.rules} - set(attribute.rules))
        ],
    )


def read_watched(warehouse: Warehouse, attribute: AttributeSettings) -> list[WatchedRow]:
    """Return the attribute's watched samples, a row a served prediction; cases by their latest definition."""
    connection = warehouse.connection
    connection.execute(read_sql("service/watch_focus"), {"attribute": attribute.name})
    scope = {"attribute": attribute.name, "tolerance": attribute.tolerance}
    with show_only(warehouse, "watch_focus"):
        return [WatchedRow(**row) for row in fetch_rows(connection, "service/watched_row", scope)]


def measure_case(
    rows: Sequence[WatchedRow], case_name: str, models_after: Sequence[str] = (), since: datetime | None = None
) -> CaseInService:
    """Return a case's figures; `models_after` are those accepted with its cure or later, none before one.

    Of these only what came in after the cure, `since`, is compared: one that served before an earlier cure, and
    was taken back, has a past that is neither side's.
    """

    def is_own(row: WatchedRow) -> bool:
        return bool(row.is_error) and case_name in row.case_names

    answered = [row for row in rows if row.is_counted]
    models = sorted({row.model_version for row in rows})
    after = [
        row for row in answered if row.model_version in models_after and (since is None or row.logged_at > since)
    ]
    before = [row for row in answered if row.model_version not in models_after]
    shares = {model: share_of((row for row in answered if row.model_version == model), is_own) for model in models}
    late_weeks = sorted({row.week for row in after})[-_RECENT_WEEKS:]
    recent = [row for row in after if row.week in late_weeks]

    def compare(later: Sequence[WatchedRow], *, is_whole: bool = False) -> Comparison | None:
        sides = ([_place(row, is_own(row)) for row in side] for side in (later, before))
        return compare_versions(*sides, is_whole=is_whole)

    compared = [compare(recent), compare(recent, is_whole=True)]
    return CaseInService(
        case_name,
        shares,
        list(models_after),
        compare(after) if models_after else None,
        sum(is_own(row) for row in recent),
        [one for one in compared if one is not None],
    )


def measure_cases(warehouse: Warehouse, rows: Sequence[WatchedRow], names: Iterable[str]) -> list[CaseInService]:
    """Return the figures of cases by their latest cure, of one that was never cured without a comparison."""
    cures = {
        str(cure["case_name"]): (sorted(cure["models"]), cure["cured_at"])
        for cure in fetch_rows(warehouse.connection, "service/cures")
    }
    return [measure_case(rows, name, *cures.get(name, ((), None))) for name in names]


def _place(row: WatchedRow, is_error: bool) -> Placed:
    """Return a track as it is compared: within its week, draw and site all have one probability."""
    return (row.week, row.part, row.unit_id), row.recording_id, is_error, row.weight


def share_of(rows: Iterable[WatchedRow], is_hit: Callable[[WatchedRow], bool]) -> SampledShare:
    """Return the weighted share of rows that are a hit; recordings are the clusters."""
    counted = list(rows)
    if not counted:
        return SampledShare()
    share, low, high, number = sampled_share_interval(
        [is_hit(row) for row in counted],
        [row.weight for row in counted],
        [row.recording_id for row in counted],
    )
    return SampledShare(share, low, high, len(counted), math.floor(10 * number) / 10)


def _measure_model(
    rows: Sequence[WatchedRow], model_version: str, track_count: int, first_at: datetime, last_at: datetime
) -> ModelInService:
    own = [row for row in rows if row.model_version == model_version]
    return ModelInService(
        model_version,
        track_count,
        first_at,
        last_at,
        len(own),
        sum(row.is_error is not None for row in own),
        sum(row.is_error is None and row.is_open for row in own),
        sum(row.is_error is None and not row.is_open for row in own),
        share_of((row for row in own if row.is_counted), lambda row: bool(row.is_error)),
    )


def _measure_rule(rows: Sequence[WatchedRow], rule: str) -> RuleInService:
    answered = [row for row in rows if row.is_counted and row.was_unlabelled]
    return RuleInService(
        rule,
        share_of((row for row in answered if rule in row.rules), lambda row: bool(row.is_error)),
        share_of((row for row in answered if row.is_error), lambda row: rule in row.rules),
    )
