"""What a report on a candidate tells, as values: numbers and names as the warehouse has them, no layout."""

from dataclasses import dataclass, field
from datetime import datetime

from tasks.compare_service import Comparison
from tasks.fetch_rows import Row


@dataclass(frozen=True)
class JudgedCriterion:
    """A row of the verdict, and what it takes to say it in words.

    `role`: `incumbent` or `control`, what `baseline` is. `holdout`: the hold-out's case (or `overall:ATTRIBUTE`).
    `level`: the confidence of the interval; None where the settings have changed since, and nobody can tell.
    """

    criterion: str
    role: str | None
    baseline: str | None
    holdout: str | None
    estimate: float | None
    low: float | None
    high: float | None
    margin: float | None
    p_value: float | None
    verdict: str
    reason: str
    level: float | None

    @property
    def kind(self) -> str:
        """What it is about: `target`, `figure`, `guard` or `harm`."""
        return self.criterion.partition(":")[0]

    @property
    def about(self) -> str:
        """What it is named after: a case, a class with what is measured of it, or the whole."""
        return self.criterion.partition(":")[2]


@dataclass(frozen=True)
class Verdict:
    """The gate's latest verdict; `is_stale`: `retrain` would judge anew, for something has changed since."""

    verdict: str
    reason: str
    judged_at: datetime
    is_stale: bool


@dataclass(frozen=True)
class Figure:
    """One figure of one model with its interval, where it has one, over `n` samples."""

    value: float
    low: float | None
    high: float | None
    n: int

    @property
    def below(self) -> float:
        """How far its interval reaches below it."""
        return 0.0 if self.low is None else max(0.0, self.value - self.low)

    @property
    def above(self) -> float:
        """How far its interval reaches above it."""
        return 0.0 if self.high is None else max(0.0, self.high - self.value)


@dataclass(frozen=True)
class ComparedFigure:
    """One figure of a hold-out for incumbent (`before`), control and candidate (`after`).

    `what` it is, in words; `topic`: what it is about (`find_topic`); `is_share`: a share of samples, told in per
    cent. `is_case`: the figure that a case, or the whole, is judged by. `wanted`: what the case wants of it.
    `change`: after less before.
    """

    holdout: str
    version: int
    metric: str
    slice: str
    what: str
    topic: str
    is_share: bool
    is_case: bool
    before: Figure | None
    control: Figure | None
    after: Figure | None
    wanted: float | None = None
    change: float | None = None


@dataclass(frozen=True)
class ClassLoss:
    """A class of a hold-out on which more samples became wrong than right, beyond chance by itself.

    `estimate`: the change of its recall; `p_value` of an exact or clustered paired test, corrected for nothing.
    """

    holdout: str
    truth: str
    estimate: float
    broken: int
    fixed: int
    n: int
    p_value: float


@dataclass(frozen=True)
class Confusion:
    """How often the models gave each answer to each truth on one hold-out; rows as of `report/confusion`.

    `has_before`: there was an incumbent that answered.
    """

    holdout: str
    labels: tuple[str, ...]
    counts: list[Row]
    has_before: bool


@dataclass(frozen=True)
class ChangedSample:
    """A hold-out sample that the one model got right and the other wrong; `picture` is a data URI, or None."""

    sample_id: str
    recording_id: str
    object_id: str
    observed_at: datetime | None
    holdouts: tuple[str, ...]
    truth: str
    before: str
    after: str
    confidence: float | None
    has_picture: bool = False
    picture_problem: str | None = None
    _picture: str | None = None

    @property
    def picture(self) -> str | None:
        """The picture as a data URI; it stands in the page alone, not in the JSON."""
        return self._picture


@dataclass(frozen=True)
class ChangedSamples:
    """Samples of one change: `count` in all, of which `withheld` are members of a hold-out that is not frozen."""

    count: int
    withheld: int
    shown: tuple[ChangedSample, ...]


@dataclass(frozen=True)
class HistoryPoint:
    """A model's figure on one version of a hold-out."""

    model_version: str
    is_accepted: bool
    is_this: bool
    figure: Figure


@dataclass(frozen=True)
class HistoryLine:
    """One figure over rounds on one version of a hold-out: versions are never joined."""

    holdout: str
    version: int
    what: str
    points: tuple[HistoryPoint, ...]


@dataclass(frozen=True)
class LabelCost:
    """What questions cost after `since` (None: from the start) until `until`; rows as of `report/label_cost`."""

    since_version: str | None
    since: datetime | None
    until: datetime | None
    rows: list[Row]
    total: Row


@dataclass(frozen=True)
class JudgedHoldout:
    """How a hold-out was drawn, and in words what it can show and how worn it is now.

    `later_version`: a newer one that replaces it, which then is what the words would be about. `erased_count`: so
    many of the samples that the verdict counted were erased since. Of the candidates that were judged by it
    (`looks_in_all`) `looks` count by now, of at most `looks_at_most`.
    """

    facts: Row
    strata: list[Row]
    limits: tuple[str, ...]
    later_version: int | None
    erased_count: int
    looks_in_all: int
    looks: int | None
    looks_at_most: int | None


@dataclass(frozen=True)
class Updates:
    """How long a model was trained, as far as the built-in trainer can tell: epochs, rows, weight updates."""

    model_version: str
    epochs: int
    rows: int
    updates: int


@dataclass(frozen=True)
class ModelLineage:
    """What a model came from: the models it was warmed from, files, people; `file_count` files in all."""

    chain: list[Row]
    files: list[Row]
    file_count: int
    people: list[Row]
    candidate_updates: Updates | None
    control_updates: Updates | None


@dataclass(frozen=True)
class SetChange:
    """What changed since the incumbent's training set, as `diff` tells it; no sample is named."""

    old_version: str
    old_row_count: int
    same_row_count: int
    changes: list[Row]
    in_because: list[Row]
    out_because: list[Row]
    relabelled: list[Row]


@dataclass(frozen=True)
class DataChange:
    """What the candidate learned from; `change` is None where there is no set to compare it with."""

    version: str | None
    row_count: int | None
    digest: str | None
    as_of: datetime | None
    rows: list[Row]
    checks: list[Row]
    change: SetChange | None


@dataclass(frozen=True)
class ServiceModel:
    """One model in service: so many tracks that it served, and the share of them that it got wrong."""

    model_version: str
    is_this: bool
    track_count: int
    first_at: datetime
    last_at: datetime
    errors: Figure | None


@dataclass(frozen=True)
class ServiceCase:
    """A case in service: the share of this model's tracks with its error; models since its cure against before."""

    case_name: str
    errors: Figure | None
    comparison: Comparison | None


@dataclass(frozen=True)
class ServiceReport:
    """What the random watch says, up to the moment of writing; of `weeks` that were drawn some are still open."""

    weeks: int
    open_weeks: int
    models: tuple[ServiceModel, ...]
    cases: tuple[ServiceCase, ...]


@dataclass(frozen=True)
class ReportFacts:
    """All that a report tells. What is not known of a model is None or empty, and the report says so.

    `roles`: candidate, control, incumbent -> model_version or None.
    """

    is_invented: bool
    attribute: str
    kind: str
    unit: str
    critical: tuple[str, ...]
    model: Row
    roles: dict[str, str | None]
    verdict: Verdict | None
    criteria: tuple[JudgedCriterion, ...]
    cautions: tuple[str, ...]
    sign_offs: list[Row]
    data: DataChange
    figures: tuple[ComparedFigure, ...]
    losses: tuple[ClassLoss, ...]
    confusion: Confusion | None
    broken: ChangedSamples
    fixed: ChangedSamples
    history: tuple[HistoryLine, ...]
    cost: LabelCost | None
    holdouts: tuple[JudgedHoldout, ...]
    lineage: ModelLineage
    service: ServiceReport
    notes: tuple[str, ...] = field(default=())
