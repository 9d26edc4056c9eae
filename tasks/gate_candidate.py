"""The gate: did the data cure the cases, and is nothing else worse? Numbers in, criteria out.

Targets must be better than the incumbent and the control, and reach their own figure (Holm over the targets, at
what the attempt on the hold-out may still spend). A hold-out that was looked at too often decides nothing.
Guards must each hold within their margin, at their own level, uncorrected: everything must pass (an
intersection-union test). Single other cases fail only if significantly worse (Holm over them). A hold-out that was
chosen by the incumbent's errors passes nobody.
"""

from collections.abc import Sequence

from tasks.gate_criteria import FAILED, PASSED, UNDECIDED, Criterion, GateInput
from tasks.judge_guards import guard_critical, guard_false_alarms, guard_others, guard_whole, judge_harm
from tasks.judge_targets import judge_figure, judge_targets


def judge_candidate(given: GateInput) -> tuple[Criterion, ...]:
    """Return every criterion, and last the row `overall`: the verdict and its reason."""
    criteria = _judge_figures(given) if not given.has_incumbent else _judge_change(given)
    return (*criteria, _conclude(given, criteria))


def _judge_change(given: GateInput) -> list[Criterion]:
    targets = [case for case in given.cases if case.is_target]
    others = [case for case in given.cases if not case.is_target]
    criteria = judge_targets(given, targets)
    criteria += [judge_figure(case) for case in targets if case.accuracy_at_least is not None]
    criteria += [guard_whole(given), *guard_critical(given)]
    criteria += [guard_false_alarms(given, case) for case in targets if case.pairs]
    # On nothing but its errors the incumbent has nothing to lose, which would hide what is lost in other cases.
    sound = [case for case in others if not case.bias]
    if sound:
        criteria.append(guard_others(given, sound))
    return criteria + judge_harm(given, others)


def _judge_figures(given: GateInput) -> list[Criterion]:
    """Judge a first model, which has nobody to be compared with: only the cases' own figures count."""
    return [judge_figure(case, is_first=True) for case in given.cases if case.accuracy_at_least is not None]


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
