"""`cases/*.toml` as typed values: one failure case a file."""

from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from schemas.read_toml import NOT_A_KEY, Limits, Place, Shape, build_table, name_nearest, show
from schemas.settings import (
    Alpha,
    AttributeSettings,
    CaseName,
    Count,
    CountOrNone,
    GateSettings,
    InnerShare,
    Margin,
    Settings,
    Share,
    Text,
)

SampleId = Annotated[str, Shape(r"[0-9a-f]{32}", "a sample_id: 32 hex digits in lower case")]


@dataclass(frozen=True)
class MembersSettings:
    """Which mispredictions belong to the case: SQL over the view flagged_sample."""

    where: Text


@dataclass(frozen=True)
class ScopeSettings:
    """What the case is about, right or wrong; all that is given holds.

    `where` is SQL over current_sample ('': no condition); `similar_to` is "members", a list of sample_id,
    or '' where likeness plays no part; `similarity_at_least` is a cosine.
    """

    where: str = ""
    similar_to: str | tuple[SampleId, ...] = ""
    similarity_at_least: Annotated[float, Limits(-1, 1)] = 0.80


@dataclass(frozen=True)
class HoldoutSettings:
    """How many samples the hold-out draws, and the class whose recall is the case's figure ('': accuracy)."""

    size: Count = 300
    truth: str = ""


@dataclass(frozen=True)
class MineSettings:
    """How unlabelled samples are looked for, and how many of the case's fixes may be open or answered."""

    nearest: Count = 10
    budget: CountOrNone = 2000
    look_alikes: Share = 0.3


@dataclass(frozen=True)
class CaseGate:
    """The case's own target, and what it sets differently from `[gate]` (None: as there)."""

    accuracy_at_least: Share | None = None
    alpha: Alpha | None = None
    power: InnerShare | None = None
    margin: Margin | None = None
    critical_margin: Margin | None = None
    false_alarm_margin: Margin | None = None
    looks_at_most: Count | None = None
    seeds: Annotated[int, Limits(1, 100)] | None = None


@dataclass(frozen=True)
class FailureCase:
    """One failure case; `path` is its file and `text` that file's content."""

    case: CaseName
    attribute: str
    question: Text
    members: MembersSettings
    severity: Literal["low", "medium", "high"] = "medium"
    scope: ScopeSettings | None = None
    holdout: HoldoutSettings = field(default_factory=HoldoutSettings)
    mine: MineSettings = field(default_factory=MineSettings)
    gate: CaseGate = field(default_factory=CaseGate)
    path: Path = field(default=Path(), metadata=NOT_A_KEY)
    text: str = field(default="", metadata=NOT_A_KEY)

    @property
    def scope_in_use(self) -> ScopeSettings:
        """The scope, which without a `[scope]` table is likeness to members."""
        return self.scope or ScopeSettings(similar_to="members")


def build_case(table: dict[str, Any], text: str, path: Path, settings: Settings) -> FailureCase:
    """Return the failure case in a case file's top table, checked against the settings it belongs to.

    Raises SettingsFileError.
    """
    place = Place(path)
    case = build_table(FailureCase, table, place)
    if case.attribute not in settings.attribute:
        hint = name_nearest(case.attribute, settings.attribute)
        raise place.inside("attribute").error(f"no attribute {show(case.attribute)} in turnrow.toml; {hint}")
    _check_truth(case.holdout.truth, settings.attribute[case.attribute], place.inside("holdout").inside("truth"))
    scope = _complete_scope(case.scope, table.get("scope"), place.inside("scope"))
    return replace(case, scope=scope, path=path, text=text)


def override_gate(gate: GateSettings, own: CaseGate) -> GateSettings:
    """Return the gate's settings as a case has them: its own `[gate]` wins."""
    given = {entry.name: getattr(own, entry.name) for entry in fields(gate)}
    return replace(gate, **{name: value for name, value in given.items() if value is not None})


def _check_truth(truth: str, attribute: AttributeSettings, place: Place) -> None:
    if not truth or truth in attribute.labels:
        return
    if attribute.kind == "number":
        raise place.error(f"is {show(truth)}; {attribute.name} is a number and has no classes, leave it out")
    if truth in attribute.was:
        raise place.error(f"{show(truth)} is an old label; it is now `{attribute.was[truth]}`")
    raise place.error(f"{show(truth)} is no label of {attribute.name}; {name_nearest(truth, attribute.labels)}")


def _complete_scope(
    scope: ScopeSettings | None, given: dict[str, Any] | None, place: Place
) -> ScopeSettings | None:
    """Return the scope with `similar_to` filled in where only a least similarity was given."""
    if scope is None:
        return None
    if not given:
        raise place.error("is empty; expected where, similar_to or similarity_at_least, or no [scope] at all")
    if "where" in given and not scope.where.strip():
        raise place.inside("where").error("is an empty text; expected an expression, or no such key")
    if "similar_to" not in given:
        return replace(scope, similar_to="members") if "similarity_at_least" in given else scope
    if not scope.similar_to or (isinstance(scope.similar_to, str) and scope.similar_to != "members"):
        shown = show(given["similar_to"])
        raise place.inside("similar_to").error(f'is {shown}; expected "members" or a list of sample_id')
    return scope
