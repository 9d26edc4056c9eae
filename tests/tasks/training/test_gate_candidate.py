"""The gate on numbers alone: what passes, fails, and stays undecided, criterion by criterion."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from schemas.settings import GateSettings
from tasks.compare_models import compare
from tasks.gate_candidate import judge_candidate
from tasks.gate_criteria import CaseToJudge, Criterion, GateInput
from tasks.measure_models import measure_shares
from tasks.read_outcomes import Outcomes
from tasks.spend_alpha import spend_alpha, spend_p_value
from tasks.statistics import clustered_paired_test, holm, mcnemar_exact, pairs_needed, wilson_interval

GATE = GateSettings(alpha=0.05, margin=0.05, critical_margin=0.05, false_alarm_margin=0.05)
ROLES = ("candidate", "control", "incumbent")


def texts(values: Sequence[object]) -> np.ndarray:
    """An array of objects, as the warehouse gives texts."""
    filled = np.empty(len(values), dtype=object)
    filled[:] = values
    return filled


def make(
    truth: Sequence[str],
    roles: Sequence[str] = ROLES,
    groups: Sequence[str] | None = None,
    weights: Sequence[float] | None = None,
    name: str = "h",
    **answers: Sequence[str | None],
) -> Outcomes:
    """Outcomes of models that are right on everything but what `answers` says."""
    samples = [f"{name}-{number:04d}" for number in range(len(truth))]
    given = {role: texts(answers.get(role, truth)) for role in roles}
    wanted = texts(truth)
    return Outcomes(
        name,
        texts(samples),
        texts(groups or samples),
        wanted,
        given,
        {role: np.asarray(values == wanted, dtype=bool) for role, values in given.items()},
        None if weights is None else np.asarray(weights, dtype=float),
    )


def wrong_on(truth: Sequence[str], count: int, called: str, start: int = 0) -> list[str]:
    """The truth, but `count` samples from `start` on are called something else."""
    return [called if start <= number < start + count else label for number, label in enumerate(truth)]


PEOPLE = ["person"] * 100
ALL = ["person"] * 100 + ["crate"] * 100 + ["foliage"] * 100


def case(outcomes: Outcomes, *, is_target: bool = True, least: float | None = None, **more: object) -> CaseToJudge:
    return CaseToJudge(outcomes.holdout_id, outcomes, "person", is_target, least, GATE, **more)  # type: ignore[arg-type]


def cured(name: str = "case") -> Outcomes:
    """A case on which the candidate is right 90 of 100 times, incumbent and control 40 times."""
    return make(
        PEOPLE,
        name=name,
        candidate=wrong_on(PEOPLE, 10, "crate"),
        control=wrong_on(PEOPLE, 60, "crate"),
        incumbent=wrong_on(PEOPLE, 60, "crate"),
    )


def judge(
    cases: Sequence[CaseToJudge],
    overall: Outcomes | None,
    *,
    has_incumbent: bool = True,
    has_control: bool = True,
    critical: Sequence[str] = ("person",),
    unjudged: Sequence[str] = (),
    attempt: int = 1,
) -> dict[str, Criterion]:
    """Judge, and return criterion (with @baseline where there are several) -> row."""
    given = GateInput("obstacle", cases, overall, critical, GATE, has_incumbent, has_control, unjudged, attempt)
    criteria = judge_candidate(given)
    assert [c.criterion for c in criteria].count("overall") == 1
    assert criteria[-1].criterion == "overall"
    return {c.criterion + (f"@{c.baseline}" if c.criterion.startswith("target") else ""): c for c in criteria}


def test_a_cured_case_without_any_loss_passes_on_every_criterion() -> None:
    found = judge([case(cured(), least=0.8, pairs=[("person", "crate")])], make(ALL))
    assert {name: c.verdict for name, c in found.items()} == {
        "target:case@incumbent": "passed",
        "target:case@control": "passed",
        "figure:case": "passed",
        "guard:whole": "passed",
        "guard:recall:person": "passed",
        "guard:precision:person": "passed",
        "guard:false_alarms:case": "passed",
        "overall": "passed",
    }
    target = found["target:case@incumbent"]
    assert target.estimate == pytest.approx(0.5)
    assert target.p_value == pytest.approx(mcnemar_exact(50, 0))
    assert found["figure:case"].estimate == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("candidate_wrong", "verdict"), [(60, "undecided"), (58, "undecided"), (10, "passed"), (95, "failed")]
)
def test_a_target_is_better_undecided_or_worse(candidate_wrong: int, verdict: str) -> None:
    worse = make(
        PEOPLE,
        name="case",
        candidate=wrong_on(PEOPLE, candidate_wrong, "crate"),
        control=wrong_on(PEOPLE, 60, "crate"),
        incumbent=wrong_on(PEOPLE, 60, "crate"),
    )
    found = judge([case(worse)], make(ALL))
    assert found["target:case@incumbent"].verdict == verdict
    assert found["overall"].verdict == verdict


def test_a_gain_that_the_control_has_too_is_not_the_datas() -> None:
    outcomes = make(
        PEOPLE,
        name="case",
        candidate=wrong_on(PEOPLE, 10, "crate"),
        control=wrong_on(PEOPLE, 10, "crate"),
        incumbent=wrong_on(PEOPLE, 60, "crate"),
    )
    found = judge([case(outcomes)], make(ALL))
    assert found["target:case@control"].verdict == "undecided"
    assert found["overall"].verdict == "undecided"


@pytest.mark.parametrize(("least", "verdict"), [(0.9, "passed"), (0.91, "undecided"), (0.99, "failed")])
def test_a_figure_must_reach_its_target(least: float, verdict: str) -> None:
    found = judge([case(cured(), least=least)], make(ALL))
    assert (found["figure:case"].verdict, found["overall"].verdict) == (verdict, verdict)
    assert found["figure:case"].margin == least


@pytest.mark.parametrize(("lost", "verdict"), [(0, "passed"), (12, "undecided"), (60, "failed")])
def test_the_whole_must_not_lose_beyond_its_margin(lost: int, verdict: str) -> None:
    """300 samples, margin 5 %: 12 lost are 4 %, which leaves a loss beyond the margin possible; 60 are 20 %."""
    overall = make(ALL, candidate=wrong_on(ALL, lost, "crate", start=200))
    found = judge([case(cured())], overall, critical=())
    assert (found["guard:whole"].verdict, found["overall"].verdict) == (verdict, verdict)
    assert found["guard:whole"].estimate == pytest.approx(-lost / 300)
    assert found["guard:whole"].margin == 0.05


def test_an_undecided_guard_says_how_many_samples_would_tell() -> None:
    found = judge([case(cured())], make(ALL, candidate=wrong_on(ALL, 12, "crate", start=200)), critical=())
    assert "samples would tell" in found["guard:whole"].reason


@pytest.mark.parametrize(("lost", "verdict"), [(0, "passed"), (4, "undecided"), (40, "failed")])
def test_the_recall_of_a_critical_class_must_hold(lost: int, verdict: str) -> None:
    found = judge([case(cured())], make(ALL, candidate=wrong_on(ALL, lost, "foliage")))
    assert found["guard:recall:person"].verdict == verdict
    assert found["guard:recall:person"].estimate == pytest.approx(-lost / 100)


@pytest.mark.parametrize(("called", "verdict"), [(0, "passed"), (5, "undecided"), (60, "failed")])
def test_the_precision_of_a_critical_class_must_hold(called: int, verdict: str) -> None:
    """Each model's precision is of what it called a person itself: 100 rightly, and `called` bits of foliage."""
    found = judge([case(cured())], make(ALL, candidate=wrong_on(ALL, called, "person", start=200)))
    guard = found["guard:precision:person"]
    assert guard.verdict == verdict
    assert guard.estimate == pytest.approx(100 / (100 + called) - 1)
    assert guard.p_value is None


@pytest.mark.parametrize(("alarms", "verdict"), [(0, "passed"), (5, "undecided"), (40, "failed")])
def test_the_reverse_confusion_of_a_target_must_hold(alarms: int, verdict: str) -> None:
    """People were called crates; now crates may be called people. Foliage called a person does not count here."""
    answers = wrong_on(wrong_on(ALL, alarms, "person", start=100), 30, "person", start=200)
    found = judge([case(cured(), pairs=[("person", "crate")])], make(ALL, candidate=answers), critical=())
    guard = found["guard:false_alarms:case"]
    assert guard.verdict == verdict
    assert guard.estimate == pytest.approx(-alarms / 100)


def test_all_other_cases_are_pooled_and_a_sample_in_two_of_them_counts_once() -> None:
    other = make(PEOPLE, name="other", candidate=wrong_on(PEOPLE, 40, "crate"))
    twin = replace(other, holdout_id="twin")
    found = judge([case(cured()), case(other, is_target=False), case(twin, is_target=False)], make(ALL))
    guard = found["guard:other_cases"]
    assert guard.verdict == "failed"
    assert guard.estimate == pytest.approx(-0.4)
    assert "100 samples" in guard.reason


def test_a_single_other_case_fails_only_if_significantly_worse_after_holm() -> None:
    """6 lost of 100 in one of three cases: p 0.031 alone, 0.094 after Holm; 40 lost are too many for chance."""

    def others(lost: int) -> list[CaseToJudge]:
        worse = make(PEOPLE, name="a", candidate=wrong_on(PEOPLE, lost, "crate"))
        return [case(worse, is_target=False), *(case(make(PEOPLE, name=n), is_target=False) for n in "bc")]

    mild = judge([case(cured()), *others(6)], make(ALL))["harm:a"]
    assert mild.verdict == "passed"
    assert mild.p_value == pytest.approx(mcnemar_exact(0, 6))
    assert f"(p {holm([mcnemar_exact(0, 6), 1, 1])[0]:.2g} after Holm)" in mild.reason
    assert mcnemar_exact(0, 6) < 0.05
    assert judge([case(cured()), *others(40)], make(ALL))["harm:a"].verdict == "failed"


def test_holm_over_the_targets() -> None:
    """Two targets of 7 discordant pairs each: p 0.016, as a first attempt 0.031 alone and 0.0625 together."""

    def mild(name: str) -> CaseToJudge:
        return case(
            make(PEOPLE, name=name, roles=("candidate", "incumbent"), incumbent=wrong_on(PEOPLE, 7, "crate"))
        )

    alone = judge([mild("a")], make(ALL), has_control=False)
    both = judge([mild("a"), mild("b")], make(ALL), has_control=False)
    assert alone["target:a@incumbent"].verdict == "passed"
    assert both["target:a@incumbent"].verdict == "undecided"


@pytest.mark.parametrize(("attempt", "verdict"), [(1, "passed"), (2, "undecided"), (9, "undecided")])
def test_each_further_attempt_on_a_holdout_is_tested_more_strictly(attempt: int, verdict: str) -> None:
    """7 discordant pairs, p 0.0156: attempt k is compared with alpha / (k (k + 1)), of 0.05 0.025 and 0.0083."""
    held = make(PEOPLE, name="a", roles=("candidate", "incumbent"), incumbent=wrong_on(PEOPLE, 7, "crate"))
    found = judge([case(held, attempt=attempt)], make(ALL), has_control=False)
    assert found["target:a@incumbent"].verdict == verdict
    assert f"attempt {attempt}" in found["target:a@incumbent"].reason
    assert found["guard:whole"].verdict == "passed"


def test_what_all_attempts_spend_sums_to_alpha() -> None:
    """The series 1 / (k (k + 1)) telescopes to 1 - 1 / (n + 1)."""
    spent = [spend_alpha(0.05, attempt) for attempt in range(1, 1001)]
    assert sum(spent) == pytest.approx(0.05 * (1 - 1 / 1001))
    assert spend_alpha(0.05, 1) == 0.025
    for attempt in (1, 2, 7):
        assert spend_p_value(spend_alpha(0.05, attempt), attempt) == pytest.approx(0.05)
    assert spend_p_value(0.9, 3) == 1.0


def test_a_holdout_that_was_looked_at_too_often_decides_nothing() -> None:
    """However clear the gain: `looks_at_most` is 12, so the thirteenth finds it worn; a loss still fails."""
    assert judge([case(cured(), attempt=12)], make(ALL))["overall"].verdict == "passed"
    worn = judge([case(cured(), attempt=13)], make(ALL))
    assert worn["overall"].verdict == worn["target:case@incumbent"].verdict == "undecided"
    assert worn["overall"].reason.startswith("worn: 12 candidates were judged by the hold-out of case")
    assert "turnrow holdout case --grow 101" in worn["overall"].reason
    overall = judge([case(cured())], make(ALL), attempt=13)
    assert overall["overall"].verdict == overall["guard:whole"].verdict == "undecided"
    assert "hold-out of overall:obstacle" in overall["overall"].reason
    lost = make(ALL, candidate=wrong_on(ALL, 100, "crate", start=200))
    assert judge([case(cured())], lost, attempt=13)["overall"].verdict == "failed"


def test_with_no_target_there_is_nothing_to_prove() -> None:
    found = judge([case(make(PEOPLE, name="other"), is_target=False)], make(ALL))
    assert found["overall"].verdict == "undecided"
    assert found["overall"].reason.startswith("nothing to prove")


def test_a_guard_that_fails_is_told_even_with_nothing_to_prove() -> None:
    overall = make(ALL, candidate=wrong_on(ALL, 100, "crate", start=200))
    assert judge([], overall)["overall"].verdict == "failed"


@pytest.mark.parametrize("least", [None, 0.1])
def test_a_candidate_equal_to_the_incumbent_never_passes(least: float | None) -> None:
    same = wrong_on(PEOPLE, 5, "crate")
    outcomes = make(PEOPLE, name="case", candidate=same, control=same, incumbent=same)
    found = judge([case(outcomes, least=least, pairs=[("person", "crate")])], make(ALL))
    assert found["overall"].verdict == "undecided"


def test_a_first_model_has_only_the_cases_own_figures_to_reach() -> None:
    alone = make(PEOPLE, roles=("candidate",), name="case", candidate=wrong_on(PEOPLE, 10, "crate"))
    overall = make(ALL, roles=("candidate",))
    for least, verdict in ((0.8, "passed"), (0.99, "failed")):
        found = judge([case(alone, least=least)], overall, has_incumbent=False, has_control=False)
        assert {name: c.verdict for name, c in found.items()} == {"figure:case": verdict, "overall": verdict}
    found = judge([case(alone)], overall, has_incumbent=False, has_control=False)
    assert found["overall"].reason.startswith("nothing to prove")


def test_without_a_control_the_verdict_says_that_the_gain_is_not_the_datas() -> None:
    outcomes = make(PEOPLE, roles=("candidate", "incumbent"), name="case", incumbent=wrong_on(PEOPLE, 60, "crate"))
    found = judge([case(outcomes)], make(ALL, roles=("candidate", "incumbent")), has_control=False)
    assert found["overall"].verdict == "passed"
    assert "not attributed to the data" in found["overall"].reason


def test_without_an_overall_holdout_nothing_shows_that_the_whole_held() -> None:
    found = judge([case(cured(), pairs=[("person", "crate")])], None)
    assert found["guard:whole"].verdict == "undecided"
    assert found["overall"].verdict == "undecided"


def test_a_critical_class_that_no_holdout_sample_has_is_undecided() -> None:
    found = judge([case(cured())], make(["crate"] * 100))
    assert found["guard:recall:person"].verdict == "undecided"
    assert found["guard:precision:person"].verdict == "undecided"
    assert found["overall"].verdict == "undecided"


def test_a_target_without_a_labelled_sample_is_undecided() -> None:
    found = judge([case(make(["crate"] * 10, name="case"), least=0.5)], make(ALL))
    assert found["target:case@incumbent"].verdict == "undecided"
    assert found["figure:case"].verdict == "undecided"


def test_an_unjudged_target_is_named() -> None:
    assert "ladder-in-sun" in judge([case(cured())], make(ALL), unjudged=["ladder-in-sun"])["overall"].reason


def test_samples_that_an_incumbent_known_by_its_logs_never_saw_do_not_count() -> None:
    answers: list[str | None] = [*wrong_on(PEOPLE, 60, "crate")[:50], *[None] * 50]
    outcomes = make(PEOPLE, roles=("candidate", "incumbent"), name="case", incumbent=answers)
    found = judge([case(outcomes)], make(ALL, roles=("candidate", "incumbent")), has_control=False)
    assert found["target:case@incumbent"].estimate == pytest.approx(1.0)
    assert "on 50 samples" in found["target:case@incumbent"].reason


def test_groups_of_several_samples_use_the_clustered_test() -> None:
    """Gains in 12 of 20 groups: McNemar would be sure at once; the clustered test, as first attempt, is less."""
    groups = [f"g{number // 5}" for number in range(100)]
    wrong = [f"{'crate' if number % 5 < 2 and number < 60 else 'person'}" for number in range(100)]
    outcomes = make(PEOPLE, groups=groups, name="case", incumbent=wrong)
    found = judge([case(outcomes)], make(ALL))["target:case@incumbent"]
    _, wanted = clustered_paired_test([2] * 12 + [0] * 8, [0] * 20, [5] * 20)
    assert found.p_value == pytest.approx(wanted)
    assert mcnemar_exact(24, 0) < 0.0001 < wanted


def test_few_groups_prove_little_however_much_they_agree() -> None:
    """All gains lie in one of ten groups, or in five: an exact sign test over groups gives 1 and 1/16."""
    for changed, least in ((1, 1.0), (5, 1 / 16)):
        groups = [f"g{number // 10}" for number in range(100)]
        outcomes = make(PEOPLE, groups=groups, name="case", incumbent=wrong_on(PEOPLE, 10 * changed, "crate"))
        found = judge([case(outcomes)], make(ALL))["target:case@incumbent"]
        assert found.p_value == pytest.approx(least)
        assert found.verdict == "undecided"
        assert mcnemar_exact(10 * changed, 0) < 0.01


def test_weights_count_in_the_estimate_and_in_the_test() -> None:
    """10 samples of weight 50 got worse, 40 of weight 1 better: weighted it is a loss, and never a gain."""
    weights = [50.0] * 10 + [1.0] * 90
    candidate = wrong_on(PEOPLE, 10, "crate")
    incumbent = wrong_on(PEOPLE, 40, "crate", start=10)
    outcomes = make(
        PEOPLE, weights=weights, name="case", candidate=candidate, control=incumbent, incumbent=incumbent
    )
    found = judge([case(outcomes)], make(ALL))["target:case@incumbent"]
    assert found.estimate == pytest.approx((40 - 500) / 590)
    assert found.verdict == "failed"
    flags = outcomes.correct["candidate"], outcomes.correct["incumbent"]
    differences = np.array([-50.0] * 10 + [1.0] * 40)
    wanted = 0.99 * differences.sum() ** 2 / (differences**2).sum()
    from scipy.stats import chi2

    assert compare(outcomes, *flags, 0.95).p_value == pytest.approx(chi2.sf(wanted, 1))


def test_equal_weights_change_no_p_value() -> None:
    groups = [f"g{number // 4}" for number in range(100)]
    plain = make(
        PEOPLE, groups=groups, candidate=wrong_on(PEOPLE, 7, "crate"), incumbent=wrong_on(PEOPLE, 30, "crate")
    )
    heavy = replace(plain, weights=np.full(100, 3.0))
    flags = plain.correct["candidate"], plain.correct["incumbent"]
    assert compare(heavy, *flags, 0.95).p_value == pytest.approx(compare(plain, *flags, 0.95).p_value)


def test_the_order_of_samples_changes_nothing() -> None:
    groups = [f"g{number // 3}" for number in range(300)]
    outcomes = make(
        ALL, groups=groups, candidate=wrong_on(ALL, 20, "crate"), incumbent=wrong_on(ALL, 50, "foliage")
    )
    order: Any = np.random.default_rng(3).permutation(300)
    mixed = outcomes.choose(order)
    first = compare(outcomes, outcomes.correct["candidate"], outcomes.correct["incumbent"], 0.9)
    second = compare(mixed, mixed.correct["candidate"], mixed.correct["incumbent"], 0.9)
    assert (first.low, first.high, first.p_value) == pytest.approx((second.low, second.high, second.p_value))


def test_figures_are_accuracy_recall_and_precision_with_wilsons_interval() -> None:
    truth = ["person"] * 4 + ["crate"] * 6
    outcomes = make(truth, candidate=["person", "person", "person", "crate", *["crate"] * 5, "person"])
    found = {(m.slice, m.metric): m for m in measure_shares(outcomes, "candidate")}
    assert {key: (measure.value, measure.n) for key, measure in found.items()} == {
        ("all", "accuracy"): (0.8, 10),
        ("truth=person", "recall"): (0.75, 4),
        ("predicted=person", "precision"): (0.75, 4),
        ("truth=crate", "recall"): (pytest.approx(5 / 6), 6),
        ("predicted=crate", "precision"): (pytest.approx(5 / 6), 6),
    }
    assert (found["all", "accuracy"].low, found["all", "accuracy"].high) == pytest.approx(wilson_interval(8, 10))


def test_a_weighted_figure_has_the_interval_of_its_effective_number() -> None:
    outcomes = make(["person"] * 4, weights=[3, 1, 1, 1], candidate=["person", "crate", "person", "person"])
    measure = next(measure_shares(outcomes, "candidate"))
    assert measure.value == pytest.approx(5 / 6)
    assert (measure.low, measure.high) == pytest.approx(wilson_interval(5 / 6 * 3, 3)), (
        "(3+1+1+1)^2 / (9+1+1+1) = 3"
    )


def test_what_nobody_measured_is_no_comparison() -> None:
    """A target without an answered sample has no estimate and is no look; another case without one is not told."""
    none = make([], name="empty")
    found = judge([case(cured()), case(none), case(replace(none, holdout_id="other"), is_target=False)], make(ALL))
    assert found["target:empty@incumbent"].estimate is None
    assert found["target:empty@incumbent"].verdict == "undecided"
    assert found["target:case@incumbent"].verdict == "passed"
    assert "harm:other" not in found


def test_a_figure_goes_by_groups_and_a_first_models_must_not_be_chance() -> None:
    """25 of 30 groups of ten right: samples taken for independent would say that .90 is missed for sure."""
    groups = [f"g{number // 10}" for number in range(300)]
    held = make(["person"] * 300, groups=groups, name="case", candidate=wrong_on(["person"] * 300, 50, "crate"))
    figure = judge([case(held, least=0.9)], make(ALL))["figure:case"]
    assert figure.verdict == "undecided"
    assert figure.high is not None and wilson_interval(250, 300)[1] < 0.9 < figure.high
    one = make(["person"], roles=("candidate",), name="case")
    first = judge([case(one, least=0.8)], None, has_incumbent=False, has_control=False)
    assert (first["figure:case"].estimate, first["overall"].verdict) == (1.0, "undecided")


def test_an_undecided_target_says_what_it_would_take() -> None:
    held = make(
        PEOPLE, name="case", candidate=wrong_on(PEOPLE, 30, "crate"), incumbent=wrong_on(PEOPLE, 34, "crate")
    )
    reason = judge([case(held)], make(ALL), has_control=False)["target:case@incumbent"].reason
    needed = pairs_needed(0.04, 0, spend_alpha(0.05, 1), 0.8)
    assert f"on 100 samples, 66.0% before and 70.0% after; about {needed} would show such a gain (p " in reason


def test_a_cases_own_margins_win_the_strictest_of_the_targets() -> None:
    """12 of 300 lost: within 8 points for sure, within 5 not."""
    overall = make(ALL, candidate=wrong_on(ALL, 12, "crate", start=200))
    for margin, verdict in ((0.08, "passed"), (0.05, "undecided")):
        own = replace(case(cured()), gate=replace(GATE, margin=margin))
        assert judge([own], overall, critical=())["guard:whole"].verdict == verdict
