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
    frozen = "" if limit.is_frozen else ", not frozen yet"
    size = f"{limit.about}: {limit.members:,} members in {limit.groups:,} groups{frozen}"
    if limit.kind == "guard":
        what = f"{size}; its interval reaches ±{_points(limit.reach)}, the margin is {_points(limit.wanted)}"
    else:
        what = f"{size}; a gain of {_points(limit.reach)} or more can show"
    if limit.members_needed is None:
        return Finding(FINE, f"hold-out {limit.holdout}", what)
    return Finding(WARNING, f"hold-out {limit.holdout}", what, _tell_growth(limit, limit.members_needed))


def _tell_growth(limit: HoldoutLimit, needed: int) -> str:
    """Return what would make the hold-out large enough: of a class's recall only its own members count."""
    if not limit.is_frozen:
        return f"about {needed:,} such members would do; first answer what it asks, so that it can freeze"
    more = math.ceil(max(needed - limit.members, 1) / limit.share_counted)
    return f"about {needed:,} such members would do: turnrow holdout {limit.holdout} --grow {more}"


def _points(share: float) -> str:
    return f"{100 * share:.1f} points"
