"""The gate: did the data cure the cases, and is nothing else worse? Numbers in, criteria out.

Targets must be better than the incumbent and the control, and reach their own figure (Holm over the targets, at
what the attempt on the hold-out may still spend). A hold-out that was looked at too often decides nothing.
Guards must each hold within their margin, at their own level, uncorrected: everything must pass (an
intersection-union test). Single other cases fail only if significantly worse (Holm over them). A hold-out that was
chosen by the incumbent's errors passes nobody.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from schemas.settings import GateSettings
from tasks.compare_models import Comparison, compare, measure_hits, samples_needed
from tasks.read_outcomes import Flags, Outcomes
from tasks.spend_alpha import spend_alpha, spend_p_value
from tasks.statistics import clustered_difference_interval, holm, pairs_needed

PASSED, FAILED, UNDECIDED = "passed", "failed", "undecided"
BIASED = "biased hold-out: "
"""What a reason says before it tells why a hold-out flatters."""


@dataclass(frozen=True)
class Criterion:
    """One row of `gate_decision`; `baseline` is a role here (`incumbent`, `control`) or None.

    `p_value` is the comparison's own, two-sided; what is compared with alpha, after what the attempt may spend and
    Holm, stands in the reason.
    """

    criterion: str
    baseline: str | None
    holdout_id: str | None
    estimate: float | None
    low: float | None
    high: float | None
    margin: float | None
    p_value: float | None
    verdict: str
    reason: str


@dataclass(frozen=True)
class CaseToJudge:
    """A case with a frozen hold-out. `pairs`: (truth, predicted) of its settled, unreserved wrong members.

    `attempt`: the number, from 1, of this candidate among those that were to be better on the hold-out.
    `bias`: why its hold-out flatters whoever is compared with the incumbent, or ''.
    """

    case_name: str
    outcomes: Outcomes
    truth: str
    is_target: bool
    accuracy_at_least: float | None
    gate: GateSettings
    pairs: Sequence[tuple[str, str]] = ()
    attempt: int = 1
    bias: str = ""

    @property
    def figure(self) -> Outcomes:
        """The samples that the case's figure counts: those of one truth, or all."""
        return self.outcomes.choose(self.outcomes.truth == self.truth) if self.truth else self.outcomes


@dataclass(frozen=True)
class GateInput:
    """All that a verdict on a model of `attribute` rests on.

    `unjudged`: targets without a frozen hold-out; `attempt`: the candidate's number on the overall hold-out;
    `overall_bias`: why the overall hold-out cannot show a loss, or ''.
    """

    attribute: str
    cases: Sequence[CaseToJudge]
    overall: Outcomes | None
    critical: Sequence[str]
    gate: GateSettings
    has_incumbent: bool
    has_control: bool
    unjudged: Sequence[str] = ()
    attempt: int = 1
    overall_bias: str = ""


def judge_candidate(given: GateInput) -> tuple[Criterion, ...]:
    """Return every criterion, and last the row `overall`: the verdict and its reason."""
    criteria = _judge_figures(given) if not given.has_incumbent else _judge_change(given)
    return (*criteria, _conclude(given, criteria))


def _judge_change(given: GateInput) -> list[Criterion]:
    targets = [case for case in given.cases if case.is_target]
    others = [case for case in given.cases if not case.is_target]
    criteria = _judge_targets(given, targets)
    criteria += [_judge_figure(case) for case in targets if case.accuracy_at_least is not None]
    criteria += [_guard_whole(given), *_guard_critical(given)]
    criteria += [_guard_false_alarms(given, case) for case in targets if case.pairs]
    # On nothing but its errors the incumbent has nothing to lose, which would hide what is lost in other cases.
    sound = [case for case in others if not case.bias]
    if sound:
        criteria.append(_guard_others(given, sound))
    return criteria + _judge_harm(given, others)


def _judge_figures(given: GateInput) -> list[Criterion]:
    """Judge a first model, which has nobody to be compared with: only the cases' own figures count."""
    return [_judge_figure(case, is_first=True) for case in given.cases if case.accuracy_at_least is not None]


def _judge_targets(given: GateInput, targets: Sequence[CaseToJudge]) -> list[Criterion]:
    baselines = ["incumbent", "control"] if given.has_control else ["incumbent"]
    compared = {case.case_name: [_compare_figure(case, role) for role in baselines] for case in targets}
    worst = {
        case.case_name: spend_p_value(max(c.p_value for c in known), case.attempt)
        for case in targets
        if (known := [c for c in compared[case.case_name] if c is not None])
    }
    adjusted = dict(zip(worst, holm(list(worst.values())), strict=True))
    return [
        _judge_target(case, role, comparison, adjusted[case.case_name])
        if comparison is not None
        else _miss(f"target:{case.case_name}", role, case)
        for case in targets
        for role, comparison in zip(baselines, compared[case.case_name], strict=True)
    ]


def _miss(name: str, role: str, case: CaseToJudge) -> Criterion:
    reason = f"no labelled sample of its hold-out was answered by the {role}, so nothing compares them"
    return replace(_without(name, case.outcomes.holdout_id, reason), baseline=role)


def _compare_figure(case: CaseToJudge, role: str) -> Comparison | None:
    """Compare on the case's figure; None where nothing of it was answered by both."""
    outcomes = case.figure.answered_by(role)
    if len(outcomes) == 0:
        return None
    return compare(outcomes, outcomes.correct["candidate"], outcomes.correct[role], 1 - case.gate.alpha)


def _judge_target(case: CaseToJudge, role: str, comparison: Comparison, adjusted: float) -> Criterion:
    is_better = comparison.estimate > 0 and adjusted < case.gate.alpha
    is_worse = comparison.estimate < 0 and comparison.p_value < case.gate.alpha
    verdict = PASSED if is_better else FAILED if is_worse else UNDECIDED
    word = {PASSED: "better than", FAILED: "worse than", UNDECIDED: "not shown to be better than"}[verdict]
    more = _tell_more(case, role) if verdict == UNDECIDED else ""
    reason = (
        f"{word} the {role} on {comparison.count} samples{more} "
        f"(p {adjusted:.2g} after Holm, attempt {case.attempt})"
    )
    if verdict == PASSED and case.attempt > case.gate.looks_at_most:
        verdict, reason = UNDECIDED, _tell_worn(case.case_name, case.attempt, len(case.outcomes))
    if case.bias:
        verdict, reason = _distrust(verdict, reason, case.case_name, case.bias)
    return _from_comparison(f"target:{case.case_name}", role, case.outcomes, comparison, None, verdict, reason)


def _tell_more(case: CaseToJudge, role: str) -> str:
    """Return how good both are, and how many samples of as many groups would show such a gain; plain shares."""
    outcomes = case.figure.answered_by(role)
    after, before = outcomes.correct["candidate"], outcomes.correct[role]
    told = f", {before.mean():.1%} before and {after.mean():.1%} after"
    gained, lost = float((after & ~before).mean()), float((before & ~after).mean())
    if gained <= lost:
        return told
    needed = pairs_needed(gained, lost, spend_alpha(case.gate.alpha, case.attempt), case.gate.power)
    return f"{told}; about {needed:,} would show such a gain"


def _distrust(verdict: str, reason: str, name: str, bias: str) -> tuple[str, str]:
    """Return the verdict that a biased hold-out may give, which is never `passed`, and why, with the warning."""
    warned = f"{name}: {BIASED}{bias}"
    return (UNDECIDED, warned) if verdict == PASSED else (verdict, f"{reason}; {warned}")


def _tell_worn(name: str, attempt: int, count: int) -> str:
    return (
        f"worn: {attempt - 1} candidates were judged by the hold-out of {name} since a model was accepted; draw "
        f"its next version, of which more than half is new (turnrow holdout {name} --grow {count + 1})"
    )


def _judge_figure(case: CaseToJudge, *, is_first: bool = False) -> Criterion:
    """Judge the candidate's own figure: its point estimate must reach the case's accuracy_at_least.

    Its interval goes by groups; of a first model it has to reach that too.
    """
    outcomes, least = case.figure, case.accuracy_at_least or 0.0
    if len(outcomes) == 0:
        return _without(
            f"figure:{case.case_name}", case.outcomes.holdout_id, "its hold-out has no labelled sample"
        )
    share, low, high = measure_hits(outcomes, outcomes.correct["candidate"], 1 - case.gate.alpha)
    # A first model is compared with nobody, so its figure alone must not be chance.
    is_reached = low >= least if is_first else share >= least
    verdict = PASSED if is_reached else FAILED if high < least else UNDECIDED
    what = f"recall of {case.truth}" if case.truth else "accuracy"
    reason = f"{what} {share:.1%} on {len(outcomes)} samples, wanted {least:.1%}"
    if verdict == UNDECIDED and share >= least:
        reason += f", but so few may lie at {low:.1%}"
    if case.bias:  # such samples are as much too hard as they flatter
        verdict, reason = UNDECIDED, f"{reason}; {BIASED}{case.bias}"
    return Criterion(
        f"figure:{case.case_name}",
        None,
        case.outcomes.holdout_id,
        share,
        low,
        high,
        least,
        None,
        verdict,
        reason,
    )


def _guard(
    name: str, outcomes: Outcomes, hits: Mapping[str, Flags], margin: float, alpha: float, what: str
) -> Criterion:
    """Judge whether at most `margin` is lost to the incumbent: by the lower end of the 1 - 2 alpha interval."""
    if len(outcomes) == 0:
        reason = f"{what}: no labelled hold-out sample that the incumbent has answered tells about it"
        return _without(name, outcomes.holdout_id, reason)
    comparison = compare(outcomes, hits["candidate"], hits["incumbent"], 1 - 2 * alpha)
    verdict, reason = _judge_guard(comparison, margin, what)
    return _from_comparison(name, "incumbent", outcomes, comparison, margin, verdict, reason)


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


def _guard_whole(given: GateInput) -> Criterion:
    if given.overall is None:
        return _without("guard:whole", None, "there is no frozen overall hold-out to show that nothing else broke")
    outcomes = given.overall.answered_by("incumbent")
    if len(outcomes) == 0 and len(given.overall):
        reason = (
            f"the incumbent answered none of the {len(given.overall)} overall hold-out samples, and its artefact "
            "is not here to ask; pull its prediction log of them"
        )
        return _without("guard:whole", given.overall.holdout_id, reason)
    whole = _guard(
        "guard:whole", outcomes, outcomes.correct, _margin_of(given), given.gate.alpha, "overall accuracy"
    )
    name, verdict, reason = f"overall:{given.attribute}", whole.verdict, whole.reason
    if verdict == PASSED and given.attempt > given.gate.looks_at_most:
        verdict, reason = UNDECIDED, _tell_worn(name, given.attempt, len(given.overall))
    if given.overall_bias:
        verdict, reason = _distrust(verdict, reason, name, given.overall_bias)
    return replace(whole, verdict=verdict, reason=reason)


def _guard_critical(given: GateInput) -> list[Criterion]:
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
        return _without(name, outcomes.holdout_id, reason)
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
    return _from_comparison(name, "incumbent", outcomes, comparison, margin, verdict, reason)


def _guard_false_alarms(given: GateInput, case: CaseToJudge) -> Criterion:
    """Judge the reverse confusion: samples of what the case's errors were called, now called its truth."""
    name, what = f"guard:false_alarms:{case.case_name}", f"false alarms of {case.case_name}"
    if given.overall is None:
        return _without(name, None, "there is no frozen overall hold-out")
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


def _guard_others(given: GateInput, others: Sequence[CaseToJudge]) -> Criterion:
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


def _judge_harm(given: GateInput, others: Sequence[CaseToJudge]) -> list[Criterion]:
    if not others:
        return []
    known = [(case, found) for case in others if (found := _compare_figure(case, "incumbent")) is not None]
    adjusted = holm([comparison.p_value for _, comparison in known])
    criteria = []
    for (case, comparison), p_value in zip(known, adjusted, strict=True):
        is_worse = comparison.estimate < 0 and p_value < given.gate.alpha
        verdict, word = (FAILED, "worse") if is_worse else (PASSED, "not significantly worse")
        reason = f"{case.case_name} is {word} (p {p_value:.2g} after Holm)"
        if case.bias:
            reason += f"; {BIASED}{case.bias}"
        criteria.append(
            _from_comparison(
                f"harm:{case.case_name}", "incumbent", case.outcomes, comparison, None, verdict, reason
            )
        )
    return criteria


def _conclude(given: GateInput, criteria: Sequence[Criterion]) -> Criterion:
    failed = [c.reason for c in criteria if c.verdict == FAILED]
    undecided = [c.reason for c in criteria if c.verdict == UNDECIDED]
    has_target = any(c.criterion.startswith(("target:", "figure:")) for c in criteria)
    if failed:
        verdict, reason = FAILED, "; ".join(failed)
    elif not has_target:
        verdict, reason = UNDECIDED, "nothing to prove: no case with a frozen hold-out has new rows"
    elif undecided:
        verdict, reason = UNDECIDED, "; ".join(undecided)
    else:
        verdict, reason = PASSED, "every criterion holds"
    if given.unjudged:
        reason += f"; not judged, since no hold-out is frozen: {', '.join(given.unjudged)}"
    if given.has_incumbent and not given.has_control:
        reason += (
            "; there is no control, since the incumbent's artefact or training set is not here, so the gain is "
            "not attributed to the data"
        )
    return Criterion("overall", None, None, None, None, None, None, None, verdict, reason)


def _from_comparison(
    name: str,
    role: str,
    outcomes: Outcomes,
    comparison: Comparison,
    margin: float | None,
    verdict: str,
    reason: str,
) -> Criterion:
    p_value = None if np.isnan(comparison.p_value) else comparison.p_value
    return Criterion(
        name,
        role,
        outcomes.holdout_id,
        comparison.estimate,
        comparison.low,
        comparison.high,
        margin,
        p_value,
        verdict,
        reason,
    )


def _without(name: str, holdout_id: str | None, reason: str) -> Criterion:
    return Criterion(name, "incumbent", holdout_id, None, None, None, None, None, UNDECIDED, reason)
