"""What the hold-outs can prove at their size, against the margins asked for; and how many samples it would take.

Planned so that a candidate that gains what is wanted and loses nothing passes with the power of [gate]: every test
must pass, so each gets a share of what may be missed. Samples of one group may all say the same, so a group counts
as one sample here. That a case's own figure is reached is not planned (how far the truth lies above the target,
nobody knows), nor that each of several targets is tested more strictly (Holm). The assumption about an unchanged
model stands in `_DECIDED_OTHERWISE`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import duckdb

from schemas.case_file import FailureCase, override_gate
from schemas.settings import AttributeSettings, GateSettings, Settings
from tasks.fetch_rows import Row, fetch_rows
from tasks.spend_alpha import count_attempts, spend_alpha

# The share of samples on which one of two equally good models is right alone: twice this share differ.
# Common practice, no source.
_DECIDED_OTHERWISE = 0.03
# A gain on its case that a round should be able to show where nobody knows how good the incumbent is on it, and
# the least that is worth planning for. Common practice, no source.
_GAIN_WANTED = 0.20
_GAIN_AT_LEAST = 0.05
# Tests beside those of critical classes: better than incumbent and than control, the whole, false alarms, other
# cases pooled; and one share for the other cases one by one, which fail by chance alone now and then.
_OTHER_TESTS = 6


@dataclass(frozen=True)
class HoldoutLimit:
    """One thing that a hold-out, or several pooled, has to show, and whether it can at its size.

    `kind` is `guard` (must not get worse) or `target` (must get better). `reach` is the smallest loss that a guard
    can rule out, or the smallest gain that a target can show, with the power wanted; `wanted` is the margin that a
    guard has to keep to, for a target a gain that should show: all shares. `groups_needed` counts samples of as
    many groups, and is None where there are enough. `share_counted` is the part of the hold-out's members that
    count here: those of one class, or all. `attempts`: so many candidates were judged by it since a model was
    accepted; the next is tested at level `alpha`.
    """

    holdout: str
    kind: str
    about: str
    members: int
    groups: int
    is_frozen: bool
    reach: float
    wanted: float
    groups_needed: int | None
    alpha: float
    share_counted: float = 1.0
    attempts: int = 0
    looks_at_most: int = 0
    is_pooled: bool = False


@dataclass(frozen=True)
class KnownOfCases:
    """What is known of cases, by name: the incumbent's figure on its hold-out, what its members were called.

    `pooled`: rows as of `setup/pooled_cases`.
    """

    figures: Mapping[str, float] = field(default_factory=dict)
    called: Mapping[str, frozenset[str]] = field(default_factory=dict)
    pooled: Sequence[Row] = ()


def find_holdout_limits(
    connection: duckdb.DuckDBPyConnection, settings: Settings, cases: Sequence[FailureCase]
) -> list[HoldoutLimit]:
    """Return what each latest hold-out in the warehouse can show; without members there is no line."""
    attempts: dict[str, int] = {}
    for name in settings.attribute:
        attempts |= count_attempts(connection, name)
    rows = fetch_rows(connection, "setup/holdout_classes")
    return limit_holdouts(rows, settings, cases, attempts, _read_known(connection, cases))


def _read_known(connection: duckdb.DuckDBPyConnection, cases: Sequence[FailureCase]) -> KnownOfCases:
    truths = {case.case: case.holdout.truth for case in cases}
    figures = {
        str(row["case_name"]): float(row["value"])
        for row in fetch_rows(connection, "setup/incumbent_figures")
        if row["slice"] == (f"truth={truths[row['case_name']]}" if truths.get(row["case_name"]) else "all")
    }
    called: dict[str, set[str]] = {}
    for row in fetch_rows(connection, "setup/called_labels"):
        called.setdefault(str(row["case_name"]), set()).add(str(row["predicted"]))
    pooled = fetch_rows(connection, "setup/pooled_cases")
    return KnownOfCases(figures, {name: frozenset(labels) for name, labels in called.items()}, pooled)


def limit_holdouts(
    rows: Sequence[Row],
    settings: Settings,
    cases: Sequence[FailureCase],
    attempts: Mapping[str, int],
    known: KnownOfCases | None = None,
) -> list[HoldoutLimit]:
    """Return what hold-outs can show, from rows of attribute, case_name, holdout_id, label and their counts."""
    known = known or KnownOfCases()
    limits: list[HoldoutLimit] = []
    for attribute in settings.attribute.values():
        own = [row for row in rows if row["attribute"] == attribute.name]
        overall = [row for row in own if row["case_name"] == f"overall:{attribute.name}"]
        limits += _limit_overall(attribute, settings.gate, overall, attempts)
        for case in (case for case in cases if case.attribute == attribute.name):
            gate = override_gate(settings.gate, case.gate)
            of_case = [row for row in own if row["case_name"] == case.case]
            limits += _limit_case(case, gate, share_power(gate, attribute), of_case, attempts, known)
            limits += _limit_false_alarms(attribute, case.case, gate, overall, known, attempts)
        pooled = [row for row in known.pooled if row["attribute"] == attribute.name]
        limits += _limit_others(attribute, settings.gate, pooled)
    return limits


def share_power(gate: GateSettings, attribute: AttributeSettings) -> float:
    """Return the power that each test needs, so that all together pass with the power of [gate].

    What may be missed is shared equally (Boole's inequality): enough, however the tests depend on each other.
    """
    return 1 - (1 - gate.power) / (_OTHER_TESTS + 2 * len(attribute.critical))


def _limit_overall(
    attribute: AttributeSettings, gate: GateSettings, rows: list[Row], attempts: Mapping[str, int]
) -> list[HoldoutLimit]:
    if not rows:
        return []
    power, whole = share_power(gate, attribute), _take_whole(rows)
    limits = [_limit_guard(attribute, "the whole", whole, gate, gate.margin, power)]
    for label in attribute.critical:
        of_class = [row for row in rows if row["label"] == label]
        if of_class:
            # What is called a class is about as much as what is of it, so its precision is planned alike.
            about = f"recall and precision of {label}"
            limit = _limit_guard(attribute, about, of_class, gate, gate.critical_margin, power)
            limits.append(replace(limit, share_counted=_count(of_class) / _count(whole)))
    return [_add_attempts(limit, rows, attempts, gate) for limit in limits]


def _limit_false_alarms(
    attribute: AttributeSettings,
    name: str,
    gate: GateSettings,
    overall: list[Row],
    known: KnownOfCases,
    attempts: Mapping[str, int],
) -> Iterator[HoldoutLimit]:
    """Yield what the overall hold-out's samples of what the case's members were called can rule out.

    A group with several of these classes counts for each: a bound, as is known of no pair of classes.
    """
    counted = [row for row in overall if row["label"] in known.called.get(name, ())]
    if counted:
        power, about = share_power(gate, attribute), f"false alarms of {name}"
        limit = _limit_guard(attribute, about, counted, gate, gate.false_alarm_margin, power)
        limit = replace(limit, share_counted=_count(counted) / _count(_take_whole(overall)))
        yield _add_attempts(limit, overall, attempts, gate)


def _limit_others(attribute: AttributeSettings, gate: GateSettings, pooled: list[Row]) -> Iterator[HoldoutLimit]:
    """Yield what the other cases together can rule out, whichever is to be cured: at their fewest groups."""
    if not pooled:
        return
    row = min(pooled, key=lambda row: (row["group_count"], row["case_name"]))
    about = f"all cases but {row['case_name']} together"
    limit = _limit_guard(attribute, about, [row], gate, gate.margin, share_power(gate, attribute))
    yield replace(limit, holdout=f"cases of {attribute.name}", is_pooled=True, looks_at_most=gate.looks_at_most)


def _limit_guard(
    attribute: AttributeSettings, about: str, rows: list[Row], gate: GateSettings, margin: float, power: float
) -> HoldoutLimit:
    """Return the smallest loss that can be ruled out, and the groups that the margin takes."""
    from tasks.statistics_planning import noninferior_pairs_needed

    needed = noninferior_pairs_needed(2 * _DECIDED_OTHERWISE, margin, gate.alpha, power) if margin else None
    of_one = noninferior_pairs_needed(2 * _DECIDED_OTHERWISE, 0.01, gate.alpha, power)
    reach = 0.01 * (of_one / _count_groups(rows)) ** 0.5
    return _make_limit("guard", f"overall:{attribute.name}", about, rows, reach, margin, needed, gate.alpha)


def _limit_case(
    case: FailureCase,
    gate: GateSettings,
    power: float,
    rows: list[Row],
    attempts: Mapping[str, int],
    known: KnownOfCases,
) -> list[HoldoutLimit]:
    """Return the gain that McNemar's test can show at what the next attempt may spend."""
    truth = case.holdout.truth
    counted = [row for row in rows if row["label"] == truth] if truth else _take_whole(rows)
    if not counted:
        return []
    alpha = spend_alpha(gate.alpha, attempts.get(str(rows[0]["holdout_id"]), 0) + 1)

    def need(gain: float) -> int:
        from tasks.statistics import pairs_needed

        return pairs_needed(gain + _DECIDED_OTHERWISE, _DECIDED_OTHERWISE, alpha, power)

    gains = [step / 100 for step in range(1, 95)]
    reach = next((gain for gain in gains if need(gain) <= _count_groups(counted)), 1.0)
    about = f"recall of {truth}" if truth else "accuracy"
    wanted = _want_gain(case, known.figures.get(case.case))
    limit = _make_limit("target", case.case, about, counted, reach, wanted, need(wanted), alpha)
    limit = replace(limit, share_counted=_count(counted) / _count(_take_whole(rows)))
    return [_add_attempts(limit, rows, attempts, gate)]


def _want_gain(case: FailureCase, figure: float | None) -> float:
    """Return what the incumbent lacks of the case's target; a usual gain where one of both is not known."""
    least = case.gate.accuracy_at_least
    if figure is None or least is None:
        return _GAIN_WANTED
    return min(max(round(least - figure, 4), _GAIN_AT_LEAST), 0.94)


def _add_attempts(
    limit: HoldoutLimit, rows: list[Row], attempts: Mapping[str, int], gate: GateSettings
) -> HoldoutLimit:
    count = attempts.get(str(rows[0]["holdout_id"]), 0)
    return replace(limit, attempts=count, looks_at_most=gate.looks_at_most)


def _make_limit(
    kind: str,
    name: str,
    about: str,
    rows: list[Row],
    reach: float,
    wanted: float,
    needed: int | None,
    alpha: float,
) -> HoldoutLimit:
    return HoldoutLimit(
        holdout=name,
        kind=kind,
        about=about,
        members=_count(rows),
        groups=_count_groups(rows),
        is_frozen=all(row["is_frozen"] for row in rows),
        reach=reach,
        wanted=wanted,
        groups_needed=needed if reach > wanted else None,
        alpha=alpha,
    )


def _take_whole(rows: list[Row]) -> list[Row]:
    """Return the row of all classes together: a group may hold several, so theirs do not add up."""
    return [row for row in rows if row["label"] is None]


def _count_groups(rows: list[Row]) -> int:
    return sum(int(row["group_count"]) for row in rows)


def _count(rows: list[Row]) -> int:
    return sum(int(row["member_count"]) for row in rows)
