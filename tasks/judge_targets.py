"""The gate's targets: better than incumbent and control on the case, and its own figure reached."""

from collections.abc import Sequence
from dataclasses import replace

from tasks.compare_models import Comparison, compare, measure_hits
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
from tasks.spend_alpha import spend_alpha, spend_p_value
from tasks.statistics import holm, pairs_needed


def judge_targets(given: GateInput, targets: Sequence[CaseToJudge]) -> list[Criterion]:
    """Judge every target against incumbent and control: the worse p of both, what the attempt may spend, Holm."""
    baselines = ["incumbent", "control"] if given.has_control else ["incumbent"]
    compared = {case.case_name: [compare_figure(case, role) for role in baselines] for case in targets}
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
    return replace(make_undecided(name, case.outcomes.holdout_id, reason), baseline=role)


def compare_figure(case: CaseToJudge, role: str) -> Comparison | None:
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
        verdict, reason = UNDECIDED, tell_worn(case.case_name, case.attempt, len(case.outcomes))
    if case.bias:
        verdict, reason = distrust(verdict, reason, case.case_name, case.bias)
    return from_comparison(f"target:{case.case_name}", role, case.outcomes, comparison, None, verdict, reason)


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


def judge_figure(case: CaseToJudge, *, is_first: bool = False) -> Criterion:
    """Judge the candidate's own figure: its point estimate must reach the case's accuracy_at_least.

    Its interval goes by groups; of a first model it has to reach that too.
    """
    outcomes, least = case.figure, case.accuracy_at_least or 0.0
    if len(outcomes) == 0:
        return make_undecided(
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
