"""`turnrow.toml` as typed values: names, types, ranges and defaults of every key.

What holds between keys (a critical label is a label, a rule's attribute exists) is in `check_settings`.
A default whose comment gives no source is our own choice.
"""

from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from schemas.read_toml import NOT_A_KEY, Limits, Shape

NOT_LABELS = ("unsure", "unusable")
"""Answers that say that there is no label; so no label may be called so."""

BUILT_IN_RULES = ("label_disagrees", "low_margin")
PLANNED_RULES = (
    "machine_label_disagrees",
    "unstable_in_track",
    "neighbours_disagree",
    "operator_stop",
    "no_prediction",
)
BUILT_IN_TRAINERS = ("builtin:mlp",)

Reason = Literal["base", "fixed", "mined", "look_alike"]
CappedOrigin = Literal["machine", "synthetic"]

Share = Annotated[float, Limits(0, 1)]
PositiveShare = Annotated[float, Limits(0, 1, low_open=True)]
InnerShare = Annotated[float, Limits(0, 1, low_open=True, high_open=True)]
Margin = Annotated[float, Limits(0, 1, high_open=True)]
Alpha = Annotated[float, Limits(0, 0.5, low_open=True)]
Count = Annotated[int, Limits(1)]
CountOrNone = Annotated[int, Limits(0)]
RowWeight = Annotated[float, Limits(0.000001, 999_999)]  # a weight is stored as DECIMAL(12,6)

Name = Annotated[str, Shape(r"[a-z][a-z0-9_]{0,99}", "a name of a-z, 0-9 and _ that starts with a letter")]
CaseName = Annotated[
    str, Shape(r"(?=.{1,100}$)[a-z0-9]+(-[a-z0-9]+)*", "a kebab-case name, as in crouched-picker")
]
Label = Annotated[
    str,
    Shape(r"(?=.*\S)[^\x00-\x1f\x7f-\x9f]{1,200}", "1 to 200 characters, none of them a control character"),
]
Person = Annotated[
    str, Shape(r"(?=.*\S)[^\x00-\x1f\x7f-\x9f,]{1,200}", "1 to 200 characters, no comma or control character")
]
Text = Annotated[str, Shape(r"(?s)\s*\S.*", "a text that is not empty")]
MemorySize = Annotated[
    str, Shape(r"(?i)(?=.*[1-9])\d+(\.\d+)?\s*[MGT]i?B", 'a size with its unit, as in "4GB" or "512MiB"')
]
SchemaName = Annotated[
    str, Shape(r"([A-Za-z_][A-Za-z0-9_]{0,62})?", "the name of a PostgreSQL schema (a-z, 0-9 and _)")
]


PathText = Annotated[str, Shape(r"(?s)\s*\S.*", "a text that is not empty", is_path=True)]


@dataclass(frozen=True)
class WarehouseSettings:
    """Where the warehouse is and what a connection to it may use."""

    location: PathText = "warehouse.duckdb"
    wait_seconds: CountOrNone = 60
    query_seconds: Count = 60
    memory_limit: MemorySize = "4GB"
    threads: Annotated[int, Limits(1, 1024)] = 2
    data_path: str = ""
    metadata_schema: SchemaName = ""


@dataclass(frozen=True)
class PullSettings:
    """Globs, relative to the loop folder, of the files that `pull` looks for."""

    predictions: tuple[PathText, ...] = ("inbox/predictions/**/*.parquet",)
    labels: tuple[PathText, ...] = ("inbox/labels/**/*.parquet",)
    answers: tuple[PathText, ...] = (
        "inbox/answers/**/*.parquet",
        "inbox/answers/**/*.csv",
        "inbox/answers/**/*.jsonl",
    )


@dataclass(frozen=True)
class AttributeSettings:
    """One quantity that a model predicts of an object; `name` is its table's name.

    `trainer_hours`: after how long a trainer of the user's own is stopped (0: never).
    """

    name: str = field(default="", metadata=NOT_A_KEY)
    kind: Literal["class", "number"] = "class"
    labels: tuple[Label, ...] = ()
    critical: tuple[Label, ...] = ()
    was: dict[Label, Label] = field(default_factory=dict)
    unit: Annotated[str, Shape(r"[^\x00-\x1f\x7f-\x9f]{0,50}", 'a short text, as in "m"')] = ""
    tolerance: Annotated[float, Limits(0, low_open=True)] | None = None
    group_by: Text = "recording_id"
    within_track: Literal["varying", "constant"] = "varying"
    slices: tuple[Text, ...] = ()
    guideline: str = ""
    trainer: PathText = "builtin:mlp"
    trainer_settings: dict[str, Any] = field(default_factory=dict)
    trainer_hours: Annotated[float, Limits(0, 10_000)] = 0.0
    rules: tuple[str, ...] = BUILT_IN_RULES
    low_margin: PositiveShare = 0.2
    features: Label = "1"
    embedder: Annotated[str, Shape(r"[^\x00-\x1f\x7f-\x9f]{0,200}", "an embedder's name")] = ""
    answers_needed: Count = 2
    answers_at_most: Count = 5
    deciders: tuple[Person, ...] = ()
    signers: tuple[Person, ...] = ()

    @property
    def feature_space(self) -> str:
        """The vector space of the features in use."""
        return f"features:{self.features}"

    @property
    def vector_space(self) -> str:
        """The vector space that likeness is measured in: the embedding if one is set, else the features."""
        return self.embedder or self.feature_space


@dataclass(frozen=True)
class RuleSettings:
    """A misprediction rule of the user's own."""

    name: Name
    attribute: str
    where: Text


@dataclass(frozen=True)
class CheckSettings:
    """A training-set check of the user's own; it matches rows that must not be there."""

    name: Name
    attribute: str
    where: Text
    requirement: Literal["must", "should"] = "should"


@dataclass(frozen=True)
class QueueSettings:
    """How many label fixes are asked for, and how long one that was handed out stays reserved.

    `watch_per_week`: of how many served tracks a week and attribute one sample is drawn at random and asked about
    (0: none). A week's samples train nothing until all are answered, or `watch_open_weeks` after their draw.
    A cured case is reopened when the watch finds `reopen_errors` of its errors in four weeks, and their share is
    at least `reopen_ratio` times what it was.
    """

    ask_per_run: CountOrNone = 200
    lease_minutes: Count = 480
    per_week: CountOrNone = 1000
    per_track: Count = 3
    open_at_most: CountOrNone = 5000
    watch_per_week: CountOrNone = 50
    watch_open_weeks: Count = 8
    reopen_errors: Count = 3
    reopen_ratio: Annotated[float, Limits(0)] = 0.5


@dataclass(frozen=True)
class AnswersSettings:
    """How answers become a label: the probability to settle at, known items, a person's least accuracy."""

    settle_at: Annotated[float, Limits(0.5, 1, low_open=True, high_open=True)] = 0.95
    known_item_share: Annotated[float, Limits(0, 1, high_open=True)] = 0.0
    annotator_floor: Share = 0.6
    show_prediction: bool = False


@dataclass(frozen=True)
class AuditSettings:
    """Acceptance sampling of lots of settled fixes."""

    aql: float = 2.5
    level: Literal["S-1", "S-2", "S-3", "S-4", "I", "II", "III"] = "II"
    lot_size: Annotated[int, Limits(2)] = 200


@dataclass(frozen=True)
class GateSettings:
    """What a candidate has to prove; margins are shares of samples (0.01 is one percentage point)."""

    alpha: Alpha = 0.05
    power: InnerShare = 0.80
    margin: Margin = 0.01
    critical_margin: Margin = 0.02
    false_alarm_margin: Margin = 0.03
    looks_at_most: Count = 12
    seeds: Annotated[int, Limits(1, 100)] = 1


@dataclass(frozen=True)
class AssembleSettings:
    """How many rows a reason may bring into a training set, and what a row of it weighs.

    `shares`: at most which part of all rows may have a label of that origin. `rows_a_recording_at_most`: how many
    rows beside `base` ones a recording may bring (0: any number).
    """

    caps: dict[Reason, CountOrNone] = field(default_factory=dict)
    weights: dict[Reason, RowWeight] = field(default_factory=dict)
    shares: dict[CappedOrigin, Share] = field(default_factory=dict)
    rows_a_recording_at_most: CountOrNone = 0


@dataclass(frozen=True)
class ChecksSettings:
    """Where the built-in checks of a training set draw the line, and which of them a version must pass.

    A share is one of the version's rows. Where no source is given: common practice, no source.
    """

    must: tuple[str, ...] = ()  # `should` checks that are to stop a version; a `must` stays one
    rows_a_class_at_least: CountOrNone = 30
    rows_a_case_at_least: CountOrNone = 30
    class_share_difference_at_most: Share = 0.10
    growth_at_least: Share = 0.90
    growth_at_most: Annotated[float, Limits(1, 1_000_000)] = 3.00
    machine_share_at_most: Share = 0.30
    synthetic_share_at_most: Share = 0.20
    old_guideline_share_at_most: Share = 0.10
    recording_share_at_most: PositiveShare = 0.10
    # An index above 0.25 is read as a shift: Siddiqi N (2006) Credit Risk Scorecards (from memory).
    context_shift_at_most: Annotated[float, Limits(0, 100)] = 0.25
    untrained_slice_samples_at_most: CountOrNone = 100
    look_for_suspects: bool = True
    suspected_share_at_most: Share = 0.05


@dataclass(frozen=True)
class ScheduleSettings:
    """When the flows run, as cron lines in `timezone`; '' is never."""

    nightly: str = "0 2 * * *"
    round: str = ""
    timezone: str = "UTC"
    round_after_fixes: Count = 100


Watched = Literal[
    "silent_units",
    "hour_rows",
    "class_shift",
    "feature_shift",
    "untrained_slice",
    "refused_rows",
    "case_rate",
    "old_questions",
    "waiting_candidate",
    "unread_files",
    "replay_differs",
    "disk",
    "clock",
]


@dataclass(frozen=True)
class WatchSettings:
    """From where on a night tells what it sees; `off` names what it shall not look at.

    Shares are 0 to 1. `untrained_slice_tracks`: served tracks of seven days. `laid_up`: units that are known to be
    silent. `run_hours`: a run is told while it runs, not by a night. Where no source is given: common practice, no
    source.
    """

    off: tuple[Watched, ...] = ()
    silent_hours: Count = 48
    laid_up: tuple[Text, ...] = ()
    hour_deviations: Annotated[float, Limits(0, low_open=True)] = 6.0
    # An index above 0.25 is read as a shift: Siddiqi N (2006) Credit Risk Scorecards (from memory).
    class_shift_at_most: Annotated[float, Limits(0, 100)] = 0.25
    # Half a standard deviation is a medium effect: Cohen J (1988) Statistical Power Analysis (from memory).
    feature_shift_at_most: Annotated[float, Limits(0, low_open=True)] = 0.5
    tracks_at_least: Annotated[int, Limits(2)] = 50
    untrained_slice_tracks: CountOrNone = 20
    refused_share_at_least: Share = 0.005
    refused_times: Annotated[float, Limits(1)] = 3.0
    case_rate_times: Annotated[float, Limits(1)] = 1.5
    question_days: Count = 14
    candidate_days: CountOrNone = 0
    replay_share_at_most: Share = 0.01
    disk_share_at_most: PositiveShare = 0.9
    run_hours: Annotated[float, Limits(0, 10_000, low_open=True)] = 20.0


@dataclass(frozen=True)
class NotifySettings:
    """Whom a failed run tells: a command line, a web address, or nobody."""

    command: str = ""
    webhook: str = ""


@dataclass(frozen=True)
class RetentionSettings:
    """After how many days what can be deleted is deleted; 0 keeps it for ever.

    That is what refused rows held, and runs; with `vectors` also those of samples that nothing refers to.
    """

    days: CountOrNone = 0
    vectors: bool = False


@dataclass(frozen=True)
class EraseSettings:
    """The key that erased recordings are recognised by; '' is one that the loop folder keeps in a hidden file."""

    key: str = ""


@dataclass(frozen=True)
class MediaSettings:
    """Folders that pictures may be shown from."""

    roots: tuple[PathText, ...] = ()


@dataclass(frozen=True)
class LeaveOutSettings:
    """Samples that are no longer good to train on, such as stale ones, and the reason."""

    attribute: str
    where: Text
    because: Text


@dataclass(frozen=True)
class RestrictionSettings:
    """Samples that may never be queued, trained on or exported, or are kept `keep` days (0: no limit).

    After `keep` days since `observed_at` all three are forbidden.
    """

    where: Text
    never: tuple[Literal["queue", "train", "export"], ...] = ()
    keep: CountOrNone = 0


@dataclass(frozen=True)
class Settings:
    """All of `turnrow.toml`; `near_duplicate` is a bare key, so it stands above the first table."""

    warehouse: WarehouseSettings = field(default_factory=WarehouseSettings)
    pull: PullSettings = field(default_factory=PullSettings)
    attribute: dict[Name, AttributeSettings] = field(default_factory=dict)
    rule: tuple[RuleSettings, ...] = ()
    check: tuple[CheckSettings, ...] = ()
    queue: QueueSettings = field(default_factory=QueueSettings)
    answers: AnswersSettings = field(default_factory=AnswersSettings)
    audit: AuditSettings | None = None
    gate: GateSettings = field(default_factory=GateSettings)
    near_duplicate: Share = 0.05
    assemble: AssembleSettings = field(default_factory=AssembleSettings)
    checks: ChecksSettings = field(default_factory=ChecksSettings)
    schedule: ScheduleSettings = field(default_factory=ScheduleSettings)
    watch: WatchSettings = field(default_factory=WatchSettings)
    notify: NotifySettings = field(default_factory=NotifySettings)
    retention: RetentionSettings = field(default_factory=RetentionSettings)
    erase: EraseSettings = field(default_factory=EraseSettings)
    media: MediaSettings = field(default_factory=MediaSettings)
    leave_out: tuple[LeaveOutSettings, ...] = ()
    restriction: tuple[RestrictionSettings, ...] = ()
