"""What hold-outs can prove: the numbers follow the statistics of published texts, and more members prove more."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from schemas.case_file import CaseGate, FailureCase, HoldoutSettings, MembersSettings
from schemas.settings import AttributeSettings, GateSettings, Settings
from tasks.check_holdouts import tell_limit
from tasks.find_holdout_limits import HoldoutLimit, KnownOfCases, limit_holdouts
from tasks.statistics import pairs_needed

OBSTACLE = AttributeSettings(name="obstacle", labels=("person", "crate"), critical=("person",))
SETTINGS = Settings(attribute={"obstacle": OBSTACLE}, gate=GateSettings(margin=0.02, critical_margin=0.05))
CASE = FailureCase(
    "crouched-picker",
    "obstacle",
    "Is a picker read as a crate?",
    MembersSettings("predicted = 'crate'"),
    holdout=HoldoutSettings(truth="person"),
    path=Path("crouched-picker.toml"),
)


def rows(case_name: str, groups: int | None = None, **counts: int) -> list[dict[str, Any]]:
    """Members by class, each a group of its own, and all of them, in so many `groups`."""
    total = sum(counts.values())
    return [
        {
            "attribute": "obstacle",
            "case_name": case_name,
            "holdout_id": f"id of {case_name}",
            "label": label,
            "member_count": count,
            "group_count": group_count,
            "is_frozen": True,
        }
        for label, count, group_count in [
            *((label, count, count) for label, count in counts.items()),
            (None, total, total if groups is None else groups),
        ]
    ]


def limit(name: str, about: str, found: list[dict[str, Any]], settings: Settings = SETTINGS) -> HoldoutLimit:
    (one,) = [
        row for row in limit_holdouts(found, settings, [CASE], {}) if (row.holdout, row.about) == (name, about)
    ]
    return one


def test_a_guard_rules_out_what_its_size_can_with_the_power_that_all_tests_together_need() -> None:
    found = limit("overall:obstacle", "the whole", rows("overall:obstacle", person=500, crate=1500))
    # Eight tests share the fifth that may be missed, so each has power 0.975. Two equally good models, 6 % of
    # 2,000 pairs discordant: (1.645 + 1.960) sqrt(0.06 / 2000) = 0.0197 (Liu et al. 2002, Stat Med 21:231-245;
    # from memory).
    assert found.groups == 2000
    assert found.reach == pytest.approx(0.0197, abs=0.0001)
    assert found.groups_needed is None


def test_samples_of_one_group_count_once() -> None:
    many = [row | {"group_count": row["group_count"] // 8} for row in rows("overall:obstacle", crate=1600)]
    few = rows("overall:obstacle", crate=200)
    assert limit("overall:obstacle", "the whole", many).reach == limit("overall:obstacle", "the whole", few).reach


def test_a_worn_holdout_takes_a_greater_gain_and_says_how_often_it_was_looked_at() -> None:
    held = rows("crouched-picker", person=200)
    (fresh,) = limit_holdouts(held, SETTINGS, [CASE], {})
    (worn,) = limit_holdouts(held, SETTINGS, [CASE], {"id of crouched-picker": 2})
    assert (fresh.alpha, worn.alpha) == pytest.approx((0.025, 0.05 / 12))
    assert worn.reach > fresh.reach
    assert "candidate" not in tell_limit(fresh)
    assert tell_limit(worn).endswith("2 candidates were judged by it since a model was accepted, of at most 12")
    (out,) = limit_holdouts(held, SETTINGS, [CASE], {"id of crouched-picker": 12})
    assert tell_limit(out).endswith("of at most 12: it is worn and decides nothing")


def test_too_small_a_holdout_says_how_many_it_would_take() -> None:
    found = limit(
        "overall:obstacle", "recall and precision of person", rows("overall:obstacle", person=30, crate=1500)
    )
    assert found.wanted == 0.05
    assert found.reach > 0.05
    needed = found.groups_needed
    assert needed is not None
    enough = limit(
        "overall:obstacle", "recall and precision of person", rows("overall:obstacle", person=needed, crate=1500)
    )
    assert enough.groups_needed is None


def test_a_target_shows_the_gain_that_its_size_can_prove() -> None:
    found = limit("crouched-picker", "recall of person", rows("crouched-picker", person=200, crate=40))
    assert found.members == 200
    assert pairs_needed(found.reach + 0.03, 0.03, 0.025, 0.975) <= 200
    assert pairs_needed(found.reach - 0.01 + 0.03, 0.03, 0.025, 0.975) > 200


def test_a_case_gate_wins_over_the_general_one() -> None:
    found = rows("crouched-picker", person=200)
    strict = replace(CASE, gate=CaseGate(alpha=0.001))
    (general,) = limit_holdouts(found, SETTINGS, [CASE], {})
    (own,) = limit_holdouts(found, SETTINGS, [strict], {})
    assert own.reach > general.reach


def test_without_members_there_is_no_line() -> None:
    assert limit_holdouts([], SETTINGS, [CASE], {}) == []


def test_what_a_class_lacks_is_asked_for_by_its_share() -> None:
    """Of a hold-out that is a fifth persons, 30 persons more take 150 members more."""
    from tasks.check_holdouts import _tell_growth

    found = limit(
        "overall:obstacle", "recall and precision of person", rows("overall:obstacle", person=20, crate=80)
    )
    assert found.share_counted == 0.2
    assert "--grow 150" in _tell_growth(found, 50)
    assert "answer what it asks" in _tell_growth(replace(found, is_frozen=False), 50)


@pytest.mark.parametrize(
    ("figure", "least", "wanted"), [(0.70, 0.81, 0.11), (0.80, 0.81, 0.05), (None, 0.81, 0.20), (0.70, None, 0.20)]
)
def test_the_gain_to_plan_for_is_what_the_incumbent_lacks(
    figure: float | None, least: float | None, wanted: float
) -> None:
    """At least 5 points; 20 where the incumbent's figure or the case's target is not known."""
    case = replace(CASE, gate=CaseGate(accuracy_at_least=least))
    known = KnownOfCases(figures={} if figure is None else {CASE.case: figure})
    (target,) = limit_holdouts(rows("crouched-picker", person=200), SETTINGS, [case], {}, known)
    assert target.wanted == pytest.approx(wanted)
    enough = pairs_needed(wanted + 0.03, 0.03, 0.025, 0.975)
    assert target.groups_needed == (enough if enough > 200 else None)


def test_false_alarms_are_planned_on_what_the_members_were_called() -> None:
    """Pickers were called crates: of the overall hold-out only its 90 crates can raise a false alarm."""
    known = KnownOfCases(called={CASE.case: frozenset({"crate"})})
    held = rows("overall:obstacle", person=200, crate=90, foliage=710)
    (alarms,) = [
        row for row in limit_holdouts(held, SETTINGS, [CASE], {}, known) if row.about.startswith("false alarms")
    ]
    assert (alarms.groups, alarms.wanted, alarms.share_counted) == (90, 0.03, 0.09)
    assert alarms.groups_needed is not None


def test_the_other_cases_are_planned_together_where_they_have_fewest_groups() -> None:
    names = ("crouched-picker", "ladder-in-sun", "dog")
    pooled = [
        {"attribute": "obstacle", "case_name": name, "member_count": n, "group_count": n, "is_frozen": True}
        for name, n in zip(names, (150, 350, 400), strict=True)
    ]
    (found,) = limit_holdouts([], SETTINGS, [CASE], {}, KnownOfCases(pooled=pooled))
    assert (found.holdout, found.about) == ("cases of obstacle", "all cases but crouched-picker together")
    assert (found.groups, found.wanted, found.is_pooled) == (150, SETTINGS.gate.margin, True)


def test_a_group_with_several_classes_counts_once_in_the_whole() -> None:
    """700 groups, each with a person and a crate, are 700 of the whole, and 700 of each class."""
    found = rows("overall:obstacle", groups=700, person=700, crate=700)
    assert limit("overall:obstacle", "the whole", found).groups == 700
    assert limit("overall:obstacle", "recall and precision of person", found).groups == 700
