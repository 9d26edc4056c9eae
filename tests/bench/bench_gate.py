"""How often the gate is wrong, and how often it finds what is there: simulated candidates, judged by the criteria.

Answers are drawn, not predicted: on a share of samples the candidate alone is right, on another the incumbent
alone. With groups, a whole group goes the way of one of the two, and most of its samples do. All is invented; only
rates are looked at.

    python tests/bench/bench_gate.py [RUNS]      (default 400; each line tells its own count)
"""

import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from schemas.settings import AttributeSettings, GateSettings
from tasks.find_holdout_limits import share_power
from tasks.gate_candidate import judge_candidate
from tasks.gate_criteria import CaseToJudge, GateInput
from tasks.judge_guards import pool
from tasks.read_outcomes import Outcomes
from tasks.statistics import mcnemar_exact, pairs_needed, wilson_interval
from tasks.statistics_planning import noninferior_pairs_needed

GATE = GateSettings(alpha=0.05, power=0.80, margin=0.05, critical_margin=0.05, false_alarm_margin=0.05)
CRITICAL = ("person", "animal")
CLASSES = (*CRITICAL, "crate")
ALONE, GAIN = 0.03, 0.20  # what the planning assumes of equally good models, and the gain it plans for
WITHIN = 0.75  # in a group that goes one model's way: the share of its samples that do
ATTEMPTS = 20


def draw(
    rng: np.random.Generator, groups: int, size: int, gain: float, name: str, truths: tuple[str, ...]
) -> Outcomes:
    """Draw answers to `groups` groups of `size` samples; the candidate is right on a share `gain` more.

    The control answers as the incumbent does, but for a few samples.
    """
    count = groups * size
    truth = np.array([truths[number % len(truths)] for number in range(groups)], dtype=object).repeat(size)
    answers = {"candidate": truth.copy(), "incumbent": truth.copy(), "control": truth.copy()}
    _err(rng, truth, answers, ("candidate", "incumbent"), gain, groups, size)
    answers["control"] = np.where(answers["incumbent"] == truth, truth, answers["incumbent"])
    flips = rng.random(count) < ALONE / 2
    answers["control"] = np.where(flips, _wrong(truth), answers["control"])
    return Outcomes(
        name,
        np.array([f"{name}-{number}" for number in range(count)], dtype=object),
        np.array([f"{name}-{number}" for number in range(groups)], dtype=object).repeat(size),
        truth,
        answers,
        {role: np.asarray(values == truth, dtype=bool) for role, values in answers.items()},
        None,
    )


def _err(
    rng: np.random.Generator,
    truth: np.ndarray,
    answers: dict[str, np.ndarray],
    roles: tuple[str, str],
    gain: float,
    groups: int,
    size: int,
) -> None:
    spread = WITHIN if size > 1 else 1.0
    first, second = (ALONE + max(gain, 0)) / spread, (ALONE + max(-gain, 0)) / spread
    way = rng.choice([0, 1, 2], size=groups, p=[1 - first - second, first, second]).repeat(size)
    follows = rng.random(len(truth)) < spread
    answers[roles[1]] = np.where((way == 1) & follows, _wrong(truth), answers[roles[1]])
    answers[roles[0]] = np.where((way == 2) & follows, _wrong(truth), answers[roles[0]])
    both = (rng.random(len(truth)) < ALONE) & (way == 0)
    for role in roles:
        answers[role] = np.where(both, _wrong(truth), answers[role])


def _wrong(truth: np.ndarray) -> np.ndarray:
    return np.where(truth == "crate", "person", "crate")


def plan_sizes() -> tuple[int, int]:
    """Return the groups that the case needs, and the overall hold-out: each class what its guard needs."""
    power = share_power(GATE, AttributeSettings(name="thing", labels=CLASSES, critical=CRITICAL))
    case = pairs_needed(GAIN + ALONE, ALONE, GATE.alpha / 2, power)
    return case, len(CLASSES) * noninferior_pairs_needed(2 * ALONE, GATE.critical_margin, GATE.alpha, power)


def make_input(
    rng: np.random.Generator, size: int, *, gain: float, others: int = 1, attempt: int = 1
) -> GateInput:
    """Return what a candidate is judged by: its case, an overall hold-out, other cases of the case's size."""
    of_case, of_whole = plan_sizes()
    of_other = max(
        of_case, -(-of_whole // len(CLASSES) // max(others, 1))
    )  # together as many as their guard needs
    case = CaseToJudge(
        "case",
        draw(rng, of_case, size, gain, "case", ("person",)),
        "person",
        True,
        None,
        GATE,
        [("person", "crate")],
    )
    rest = [
        CaseToJudge(
            f"other-{n}", draw(rng, of_other, size, 0.0, f"o{n}", ("animal",)), "animal", False, None, GATE
        )
        for n in range(others)
    ]
    overall = draw(rng, of_whole, size, 0.0, "whole", CLASSES)
    return GateInput(
        attribute="thing",
        cases=[replace(case, attempt=attempt), *rest],
        overall=overall,
        critical=CRITICAL,
        gate=GATE,
        has_incumbent=True,
        has_control=True,
        attempt=1,
    )


def passes(given: GateInput) -> bool:
    return judge_candidate(given)[-1].verdict == "passed"


def passes_within(rng: np.random.Generator, size: int) -> bool:
    """Whether any of successive attempts on one hold-out passes, of candidates that are no better."""
    return any(passes(make_input(rng, size, gain=0.0, attempt=k)) for k in range(1, ATTEMPTS + 1))


def ignores_clusters(rng: np.random.Generator, size: int) -> bool:
    """Whether a test that takes samples of one group for independent finds a difference where there is none."""
    held = draw(rng, plan_sizes()[0], size, 0.0, "case", ("person",))
    first, second = held.correct["candidate"], held.correct["incumbent"]
    return mcnemar_exact(int((first & ~second).sum()), int((second & ~first).sum())) < GATE.alpha


def tell(what: str, runs: int, trial: Callable[[np.random.Generator], bool]) -> float:
    """Print how often a trial is true, with a 95 % interval."""
    rng = np.random.default_rng(20260504)
    hits = sum(trial(rng) for _ in range(runs))
    low, high = wilson_interval(hits, runs)
    print(f"{what:<72} {hits / runs:6.1%}  ({low:.1%} to {high:.1%}, {runs} runs)", flush=True)
    return hits / runs


def loses(rng: np.random.Generator, size: int, beyond: float = 0.0) -> bool:
    """Whether a candidate passes that gained on its case, and lost its margin, or more, on one critical class."""
    given = make_input(rng, size, gain=GAIN)
    assert given.overall is not None
    kept, of_whole = given.overall, plan_sizes()[1]
    person = draw(rng, of_whole // len(CLASSES), size, -GATE.critical_margin - beyond, "person", ("person",))
    return passes(replace(given, overall=pool([kept.choose(kept.truth != "person"), person])))


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"planned: {plan_sizes()[0]} groups of the case, {plan_sizes()[1]} of the overall hold-out")
    for size in (1, 8):
        of = f"{size} a group"
        tell(f"no true change, {of}: passed", runs, partial(gains, size=size, gain=0.0, others=1))
        tell(
            f"no true change, {of}, {ATTEMPTS} attempts: any passed", runs // 4, partial(passes_within, size=size)
        )
        for beyond in (0.0, 0.01):
            lost = f"its margin{' and a point' if beyond else ''}"
            trial = partial(loses, size=size, beyond=beyond)
            tell(f"case gained, a critical class lost {lost}, {of}: passed", runs, trial)
        for others in (1, 5, 20):
            trial = partial(gains, size=size, gain=GAIN, others=others)
            tell(f"true gain, {of}, {others} other cases: passed", runs, trial)
        tell(
            f"no true change, {of}, clusters ignored: difference found", runs, partial(ignores_clusters, size=size)
        )


def gains(rng: np.random.Generator, size: int, gain: float, others: int) -> bool:
    """Whether a candidate passes that is better on its case by `gain`, and elsewhere as good as the incumbent."""
    return passes(make_input(rng, size, gain=gain, others=others))


if __name__ == "__main__":
    main()
