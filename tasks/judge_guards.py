"""The gate's guards, each at its own level, and the harm to single other cases."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tasks.compare_models import Comparison, compare, samples_needed
from tasks.gate_criteria import (
    BIASED,
    FAILED,
    PASSED,
    UNDECIDED,
    CaseToJudge,
    Criterion,
    GateInput,
    distrust,
    from_comparison,
    make_undecided,
    tell_worn,
)
from tasks.judge_targets import compare_figure
from tasks.read_outcomes import Flags, Outcomes
from tasks.statistics import clustered_difference_interval, holm


def _guard(
    name: str, outcomes: Outcomes, hits: Mapping[str, Flags], margin: float, alpha: float, what: str
) -> Criterion:
    """Judge whether at most `margin` is lost to the incumbent: by the lower end of the 1 - 2 alpha interval."""
    if len(outcomes) == 0:
        reason = f"{what}: no labelled hold-out sample that the incumbent has answered tells about it"
        return make_undecided(name, outcomes.holdout_id, reason)
    comparison = compare(outcomes, hits["candidate"], hits["incumbent"], 1 - 2 * alpha)
    verdict, reason = _judge_guard(comparison, margin, what)
    return from_comparison(name, "incumbent", outcomes, comparison, margin, verdict, reason)


def _judge_guard(comparison: Comparison, margin: float, what: str) -> tuple[str, str]:
    if comparison.low > -margin:
        return PASSED, f"{what}: no loss beyond {margin:.1%} on {comparison.count} samples"
    if comparison.high < -margin or (comparison.estimate < -margin and comparison.high < 0):
        return FAILED, f"{what}: lost {-comparison.estimate:.1%} on {comparison.count} samples"
    needed = samples_needed(comparison, margin)
    more = f"about {needed} samples would tell" if needed else "it looks like a loss"
    return (
        UNDECIDED,
        f"{what}: a loss beyond {margin:.1%} is not excluded on {comparison.count} samples; {more}",
    )


def _margin_of(given: GateInput) -> float:
    """Return what may be lost: the strictest of what the targets' own [gate] says, or the general one."""
    return min((case.gate.margin for case in given.cases if case.is_target), default=given.gate.margin)


def _critical_margin_of(given: GateInput) -> float:
    own = (case.gate.critical_margin for case in given.cases if case.is_target)
    return min(own, default=given.gate.critical_margin)


def guard_whole(given: GateInput) -> Criterion:
    """Judge overall accuracy; undecided without an overall hold-out, or on a worn or biased one."""
    if given.overall is None:
        return make_undecided(
            "guard:whole", None, "there is no frozen overall hold-out to show that nothing else broke"
        )
    outcomes = given.overall.answered_by("incumbent")
    if len(outcomes) == 0 and len(given.overall):
        reason = (
            f"the incumbent answered none of the {len(given.overall)} overall hold-out samples, and its artefact "
            "is not here to ask; pull its prediction log of them"
        )
        return make_undecided("guard:whole", given.overall.holdout_id, reason)
    whole = _guard(
        "guard:whole", outcomes, outcomes.correct, _margin_of(given), given.gate.alpha, "overall accuracy"
    )
    name, verdict, reason = f"overall:{given.attribute}", whole.verdict, whole.reason
    if verdict == PASSED and given.attempt > given.gate.looks_at_most:
        verdict, reason = UNDECIDED, tell_worn(name, given.attempt, len(given.overall))
    if given.overall_bias:
        verdict, reason = distrust(verdict, reason, name, given.overall_bias)
    return replace(whole, verdict=verdict, reason=reason)


def guard_critical(given: GateInput) -> list[Criterion]:
    """Judge recall and precision of every critical class on the overall hold-out."""
    if given.overall is None:
        return []
    outcomes = given.overall.answered_by("incumbent")
    margin, alpha = _critical_margin_of(given), given.gate.alpha
    criteria = []
    for label in given.critical:
        of_label = outcomes.choose(outcomes.truth == label)
        criteria.append(
            _guard(f"guard:recall:{label}", of_label, of_label.correct, margin, alpha, f"recall of {label}")
        )
        criteria.append(_guard_precision(outcomes, label, margin, alpha))
    return criteria


def _guard_precision(outcomes: Outcomes, label: str, margin: float, alpha: float) -> Criterion:
    """Each model's precision is counted on what it called `label` itself; groups are resampled together."""
    name, what = f"guard:precision:{label}", f"precision of {label}"
    called = {role: outcomes.predicted[role] == label for role in ("candidate", "incumbent")}
    if not called["candidate"].any() or not called["incumbent"].any():
        who = "incumbent" if called["candidate"].any() else "candidate"
        reason = f"{what}: the {who} never called {label} on the {len(outcomes)} overall samples both answered"
        return make_undecided(name, outcomes.holdout_id, reason)
    is_label = np.asarray(outcomes.truth == label, dtype=bool)
    estimate, low, high = clustered_difference_interval(
        is_label,
        is_label,
        outcomes.groups,
        1 - 2 * alpha,
        weights=outcomes.weights,
        first_counted=called["candidate"],
        second_counted=called["incumbent"],
    )
    comparison = Comparison(
        estimate, low, high, float("nan"), int((called["candidate"] | called["incumbent"]).sum())
    )
    verdict, reason = _judge_guard(comparison, margin, what)
    return from_comparison(name, "incumbent", outcomes, comparison, margin, verdict, reason)


def guard_false_alarms(given: GateInput, case: CaseToJudge) -> Criterion:
    """Judge the reverse confusion: samples of what the case's errors were called, now called its truth."""
    name, what = f"guard:false_alarms:{case.case_name}", f"false alarms of {case.case_name}"
    if given.overall is None:
        return make_undecided(name, None, "there is no frozen overall hold-out")
    truths_by_called: dict[str, set[str]] = {}
    for truth, predicted in case.pairs:
        truths_by_called.setdefault(predicted, set()).add(truth)
    outcomes = given.overall.answered_by("incumbent")
    outcomes = outcomes.choose(np.isin(outcomes.truth.astype(str), sorted(truths_by_called)))
    hits = {role: _is_no_alarm(outcomes, role, truths_by_called) for role in ("candidate", "incumbent")}
    return _guard(name, outcomes, hits, case.gate.false_alarm_margin, case.gate.alpha, what)


def _is_no_alarm(outcomes: Outcomes, role: str, truths_by_called: Mapping[str, set[str]]) -> Flags:
    answers = zip(outcomes.truth, outcomes.predicted[role], strict=True)
    return np.array([answer not in truths_by_called[truth] for truth, answer in answers], dtype=bool)


def guard_others(given: GateInput, others: Sequence[CaseToJudge]) -> Criterion:
    """Judge all other cases as one hold-out."""
    pooled = pool([case.outcomes.answered_by("incumbent") for case in others])
    return _guard(
        "guard:other_cases",
        pooled,
        pooled.correct,
        _margin_of(given),
        given.gate.alpha,
        "all other cases together",
    )


def pool(parts: Sequence[Outcomes]) -> Outcomes:
    """Return several hold-outs as one, each sample once; every sample weighs alike."""
    samples = np.concatenate([part.samples for part in parts])
    _, first = np.unique(samples.astype(str), return_index=True)
    roles = list(parts[0].correct)

    def join(values: Sequence[np.ndarray]) -> np.ndarray:
        return np.concatenate(list(values))[first]

    return Outcomes(
        ",".join(part.holdout_id for part in parts),
        samples[first],
        join([part.groups for part in parts]),
        join([part.truth for part in parts]),
        {role: join([part.predicted[role] for part in parts]) for role in roles},
        {role: join([part.correct[role] for part in parts]) for role in roles},
        None,
    )


def judge_harm(given: GateInput, others: Sequence[CaseToJudge]) -> list[Criterion]:
    """Judge single other cases: failed only if significantly worse, Holm over those that were measured."""
    if not others:
        return []
    known = [(case, found) for case in others if (found := compare_figure(case, "incumbent")) is not None]
    adjusted = holm([comparison.p_value for _, comparison in known])
    criteria = []
    for (case, comparison), p_value in zip(known, adjusted, strict=True):
        is_worse = comparison.estimate < 0 and p_value < given.gate.alpha
        verdict, word = (FAILED, "worse") if is_worse else (PASSED, "not significantly worse")
        reason = f"{case.case_name} is {word} (p {p_value:.2g} after Holm)"
        if case.bias:
            reason += f"; {BIASED}{case.bias}"
        criteria.append(
            from_comparison(
                f"harm:{case.case_name}", "incumbent", case.outcomes, comparison, None, verdict, reason
            )
        )
    return criteria
