"""What a verdict is made of: the criteria, what is judged, and how a criterion is written down."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from schemas.settings import GateSettings
from tasks.compare_models import Comparison
from tasks.read_outcomes import Outcomes

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


def from_comparison(
    name: str,
    role: str,
    outcomes: Outcomes,
    comparison: Comparison,
    margin: float | None,
    verdict: str,
    reason: str,
) -> Criterion:
    """Write a comparison down as a criterion; a p-value that is not known is None."""
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


def make_undecided(name: str, holdout_id: str | None, reason: str) -> Criterion:
    """Return a criterion that nothing tells about."""
    return Criterion(name, "incumbent", holdout_id, None, None, None, None, None, UNDECIDED, reason)


def distrust(verdict: str, reason: str, name: str, bias: str) -> tuple[str, str]:
    """Return the verdict that a biased hold-out may give, which is never `passed`, and why, with the warning."""
    warned = f"{name}: {BIASED}{bias}"
    return (UNDECIDED, warned) if verdict == PASSED else (verdict, f"{reason}; {warned}")


def tell_worn(name: str, attempt: int, count: int) -> str:
    """Say that a hold-out of `count` samples was looked at too often, and what to type."""
    return (
        f"worn: {attempt - 1} candidates were judged by the hold-out of {name} since a model was accepted; draw "
        f"its next version, of which more than half is new (turnrow holdout {name} --grow {count + 1})"
    )
