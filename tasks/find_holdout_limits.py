"""What the hold-outs can ever prove: how wide an interval is at their size, against the margins asked for.

Rough by intent: samples of one group say less than as many of different groups, so the true width is this or
more. The assumption about an unchanged model stands in `_DECIDED_OTHERWISE`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import duckdb

from schemas.case_file import FailureCase, override_gate
from schemas.settings import AttributeSettings, GateSettings, Settings
from tasks.fetch_rows import Row, fetch_rows

# The share of samples on which one of two equally good models is right alone: twice this share differ.
# Common practice, no source.
_DECIDED_OTHERWISE = 0.03
# A gain on its case that a round should be able to show. Common practice, no source.
_GAIN_WANTED = 0.20


@dataclass(frozen=True)
class HoldoutLimit:
    """One thing that a hold-out has to show, and whether it can at its size.

    `kind` is `guard` (must not get worse) or `target` (must get better). `reach` is the half-width of an
    interval at this size, for a target the smallest gain that shows; `wanted` is the margin that it should
    stay within, for a target a gain that should show: all shares. `members_needed` is None where the size is
    enough. `share_counted` is the part of the hold-out's members that count here: those of one class, or all.
    """

    holdout: str
    kind: str
    about: str
    members: int
    groups: int
    is_frozen: bool
    reach: float
    wanted: float
    members_needed: int | None
    share_counted: float = 1.0


def find_holdout_limits(
    connection: duckdb.DuckDBPyConnection, settings: Settings, cases: Sequence[FailureCase]
) -> list[HoldoutLimit]:
    """Return what each latest hold-out in the warehouse can show; without members there is no line."""
    return limit_holdouts(fetch_rows(connection, "setup/holdout_classes"), settings, cases)


def limit_holdouts(rows: Sequence[Row], settings: Settings, cases: Sequence[FailureCase]) -> list[HoldoutLimit]:
    """Return what hold-outs can show, from rows of attribute, case_name, label and their counts."""
    limits: list[HoldoutLimit] = []
    for attribute in settings.attribute.values():
        own = [row for row in rows if row["attribute"] == attribute.name]
        overall = [row for row in own if row["case_name"] == f"overall:{attribute.name}"]
        limits += _limit_overall(attribute, settings.gate, overall)
        for case in (case for case in cases if case.attribute == attribute.name):
            gate = override_gate(settings.gate, case.gate)
            limits += _limit_case(case, gate, [row for row in own if row["case_name"] == case.case])
    return limits


def _limit_overall(attribute: AttributeSettings, gate: GateSettings, rows: list[Row]) -> list[HoldoutLimit]:
    if not rows:
        return []
    name = f"overall:{attribute.name}"
    limits = [_limit_guard(name, "the whole", rows, gate.alpha, gate.margin)]
    for label in attribute.critical:
        of_class = [row for row in rows if row["label"] == label]
        if of_class:
            limit = _limit_guard(name, f"recall of {label}", of_class, gate.alpha, gate.critical_margin)
            limits.append(replace(limit, share_counted=_count(of_class) / _count(rows)))
    return limits


def _limit_guard(name: str, about: str, rows: list[Row], alpha: float, margin: float) -> HoldoutLimit:
    """Return how low a guard's two-sided 1 - 2 alpha interval reaches; that must stay above minus the margin."""
    from tasks.statistics import paired_difference_interval

    members = _count(rows)
    alone = round(members * _DECIDED_OTHERWISE)
    _, low, _ = paired_difference_interval(members - 2 * alone, alone, alone, 0, confidence=1 - 2 * alpha)
    needed = math.ceil(members * (low / margin) ** 2) if margin else None
    return _make_limit("guard", name, about, rows, -low, margin, needed)


def _limit_case(case: FailureCase, gate: GateSettings, rows: list[Row]) -> list[HoldoutLimit]:
    """Return the gain that McNemar's test can show; a first attempt is tested at half of alpha."""
    truth = case.holdout.truth
    counted = [row for row in rows if row["label"] == truth] if truth else rows
    if not counted:
        return []

    def need(gain: float) -> int:
        from tasks.statistics import pairs_needed

        return pairs_needed(gain + _DECIDED_OTHERWISE, _DECIDED_OTHERWISE, gate.alpha / 2, gate.power)

    gains = [step / 100 for step in range(1, 95)]
    reach = next((gain for gain in gains if need(gain) <= _count(counted)), 1.0)
    about = f"recall of {truth}" if truth else "accuracy"
    limit = _make_limit("target", case.case, about, counted, reach, _GAIN_WANTED, need(_GAIN_WANTED))
    return [replace(limit, share_counted=_count(counted) / _count(rows))]


def _make_limit(
    kind: str, name: str, about: str, rows: list[Row], reach: float, wanted: float, needed: int | None
) -> HoldoutLimit:
    return HoldoutLimit(
        holdout=name,
        kind=kind,
        about=about,
        members=_count(rows),
        groups=sum(int(row["group_count"]) for row in rows),
        is_frozen=all(row["is_frozen"] for row in rows),
        reach=reach,
        wanted=wanted,
        members_needed=needed if reach > wanted else None,
    )


def _count(rows: list[Row]) -> int:
    return sum(int(row["member_count"]) for row in rows)
