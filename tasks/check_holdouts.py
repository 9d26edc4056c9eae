"""`check-setup`, the part about hold-outs: whether they exist, and what they can ever prove."""

import math
from collections.abc import Iterator

from schemas.case_file import FailureCase
from tasks.find_holdout_limits import HoldoutLimit, find_holdout_limits
from tasks.findings import FINE, WARNING, Finding
from tasks.warehouse import Warehouse


def check_holdouts(warehouse: Warehouse, cases: list[FailureCase]) -> Iterator[Finding]:
    """Yield what is missing of hold-outs, and for each that is there what it can show at its size."""
    limits = find_holdout_limits(warehouse.connection, warehouse.loop.settings, cases)
    there = {limit.holdout for limit in limits}
    for attribute in sorted({case.attribute for case in cases}):
        if f"overall:{attribute}" not in there:
            yield _miss(f"overall:{attribute}", "no candidate can show that nothing else got worse")
    for case in cases:
        if case.case not in there:
            yield _miss(case.case, "no candidate can show that the case got better")
    for limit in limits:
        yield _tell_limit(limit)


def _miss(holdout: str, so: str) -> Finding:
    return Finding(
        WARNING,
        f"hold-out {holdout}",
        f"it does not exist or has no member that counts, so {so}",
        f"turnrow holdout {holdout}",
    )


def _tell_limit(limit: HoldoutLimit) -> Finding:
    what = tell_limit(limit)
    if limit.attempts >= limit.looks_at_most:
        return Finding(WARNING, f"hold-out {limit.holdout}", what, f"turnrow holdout {limit.holdout} --grow N")
    if limit.groups_needed is None:
        return Finding(FINE, f"hold-out {limit.holdout}", what)
    return Finding(WARNING, f"hold-out {limit.holdout}", what, _tell_growth(limit, limit.groups_needed))


def tell_limit(limit: HoldoutLimit) -> str:
    """Return in words how large a hold-out is, what it can show, and how worn it is."""
    frozen = "" if limit.is_frozen else ", not frozen yet"
    size = f"{limit.about}: {limit.members:,} members in {limit.groups:,} groups{frozen}"
    if limit.kind == "guard":
        what = f"can rule out a loss of {_points(limit.reach)}, the margin is {_points(limit.wanted)}"
    else:
        what = (
            f"a gain of {_points(limit.reach)} or more can show, at level {limit.alpha:.2g}; "
            f"{_points(limit.wanted)} are wanted"
        )
    return f"{size}; {what}{_tell_wear(limit)}"


def _tell_wear(limit: HoldoutLimit) -> str:
    if not limit.attempts:
        return ""
    times = f"{limit.attempts} candidate{'s were' if limit.attempts > 1 else ' was'}"
    worn = ": it is worn and decides nothing" if limit.attempts >= limit.looks_at_most else ""
    return f"; {times} judged by it since a model was accepted, of at most {limit.looks_at_most}{worn}"


def _tell_growth(limit: HoldoutLimit, needed: int) -> str:
    """Return what would make the hold-out large enough: of a class's recall only its own members count."""
    wanted = f"about {needed:,} such members, each of a group of its own, would do"
    if limit.is_pooled:
        return f"{wanted}: let hold-outs of these cases grow (turnrow holdout CASE --grow N)"
    if not limit.is_frozen:
        return f"{wanted}; first answer what it asks, so that it can freeze"
    more = math.ceil(max(needed - limit.groups, 1) / limit.share_counted)
    return f"{wanted}: turnrow holdout {limit.holdout} --grow {more}"


def _points(share: float) -> str:
    return f"{100 * share:.1f} points"
