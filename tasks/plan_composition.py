"""How a training-set version is made, as a value: all that decides about its rows beside the facts themselves."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime

from schemas.settings import AttributeSettings, Settings
from tasks.apply_restrictions import Restriction, list_restrictions
from tasks.group_samples import is_fixed_group


@dataclass(frozen=True)
class LeaveOut:
    """Samples that match `where` are left out, for the reason that somebody wrote down."""

    where: str
    because: str


@dataclass(frozen=True)
class Composition:
    """How a version is made; it stands in the version's row, so that it can be made again.

    `takes_all`: every labelled sample is taken (no parent version yet). `is_first`: no model is in service
    yet, so that all of them are `base`. `is_audited`: a label from a fix is taken only from a passed lot.
    `restrictions`: what may not be trained on. `was`: old labels' present names, where they are others than by the
    facts of the moment. `regroups`: groups that moved since a past moment are kept out as they are now. `listed`:
    the list that an imported set left, whose samples are the rows.
    """

    attribute: str
    group_by: str
    feature_space: str
    near_duplicate: float
    takes_all: bool
    is_first: bool
    caps: dict[str, int]
    weights: dict[str, float]
    is_audited: bool = False
    shares: dict[str, float] = field(default_factory=dict)
    rows_a_recording_at_most: int = 0
    leave_out: tuple[LeaveOut, ...] = ()
    restrictions: tuple[Restriction, ...] = ()
    was: dict[str, str] | None = None
    regroups: bool = False
    listed: str | None = None

    def to_text(self) -> str:
        """Return it as JSON with sorted keys; what came later and is not in use is not in it."""
        content = asdict(self)
        unused = [name for name, default in _LATER.items() if getattr(self, name) == default]
        return json.dumps({key: value for key, value in content.items() if key not in unused}, sort_keys=True)


# Keys that earlier versions' texts lack, with what they mean there: the text of such a version stays what it was.
_LATER: dict[str, object] = {
    "shares": {},
    "rows_a_recording_at_most": 0,
    "leave_out": (),
    "restrictions": (),
    "was": None,
    "regroups": False,
    "listed": None,
}


@dataclass(frozen=True)
class Moment:
    """Facts count as of `as_of`; reservations and restrictions until `reserved_until`, which may be later."""

    as_of: datetime
    reserved_until: datetime


def read_composition(text: str) -> Composition:
    """Return the composition that `to_text` wrote."""
    content = json.loads(text)
    content["leave_out"] = tuple(LeaveOut(**table) for table in content.get("leave_out", ()))
    content["restrictions"] = tuple(Restriction(**table) for table in content.get("restrictions", ()))
    return Composition(**content)


def plan_composition(
    settings: Settings,
    attribute: AttributeSettings,
    *,
    has_parent: bool,
    has_incumbent: bool,
    renames: Mapping[str, str] | None = None,
    is_past: bool = False,
    listed: str | None = None,
) -> Composition:
    """Return the composition that the settings ask for now.

    An imported list is taken whole, without caps and shares. `renames`: the present names of old labels by the
    facts of the moment (None: they are what the settings say).
    """
    return Composition(
        attribute=attribute.name,
        group_by=attribute.group_by,
        feature_space=attribute.feature_space,
        near_duplicate=settings.near_duplicate,
        takes_all=not has_parent and listed is None,
        is_first=not has_incumbent,
        caps={} if listed else {str(reason): cap for reason, cap in settings.assemble.caps.items()},
        weights={str(reason): weight for reason, weight in settings.assemble.weights.items()},
        is_audited=settings.audit is not None,
        shares={} if listed else {str(origin): share for origin, share in settings.assemble.shares.items()},
        rows_a_recording_at_most=0 if listed else settings.assemble.rows_a_recording_at_most,
        leave_out=_list_left_out(settings, attribute),
        restrictions=list_restrictions(settings, "train"),
        was=None if renames is None or dict(renames) == attribute.was else dict(attribute.was),
        regroups=is_past and not is_fixed_group(attribute.group_by),
        listed=listed,
    )


def _list_left_out(settings: Settings, attribute: AttributeSettings) -> tuple[LeaveOut, ...]:
    return tuple(
        LeaveOut(table.where.strip(), table.because.strip())
        for table in settings.leave_out
        if table.attribute == attribute.name
    )
