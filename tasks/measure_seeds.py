"""How much a model's figures vary with its seed, as rows of `evaluation` under the judged model's name."""

from collections.abc import Iterator, Mapping
from dataclasses import replace

from tasks.measure import Measure
from tasks.measure_models import measure_shares
from tasks.read_outcomes import Outcomes

_METRICS = ("accuracy", "recall")


def measure_seeds(
    judged: Mapping[str, Outcomes], repeated: Mapping[int, Mapping[str, Outcomes]], role: str
) -> Iterator[Measure]:
    """Yield accuracy and recalls of the models with other seeds, and how far apart the figures of all seeds lie.

    `judged` maps hold-outs' names to outcomes with the first seed, `repeated` each further seed to the same. A
    figure of a seed has the slice `seed=2`, or `seed=2, truth=LABEL`; `seed_spread` is the greatest less the least
    of accuracy (slice `all`) or of a class's recall (`truth=LABEL`), its n the number of seeds.
    """
    for name, outcomes in judged.items():
        spread = {measure.slice: [measure] for measure in _measure(outcomes, role)}
        for seed, others in repeated.items():
            if name not in others or role not in others[name].predicted:
                continue
            for measure in _measure(others[name], role):
                spread.setdefault(measure.slice, []).append(measure)
                part = f"seed={seed}" if measure.slice == "all" else f"seed={seed}, {measure.slice}"
                yield replace(measure, slice=part)
        for slice_name, measures in spread.items():
            if len(measures) > 1:
                values = [measure.value for measure in measures]
                span = max(values) - min(values)
                yield Measure(outcomes.holdout_id, slice_name, "seed_spread", span, None, None, len(values))


def _measure(outcomes: Outcomes, role: str) -> Iterator[Measure]:
    return (measure for measure in measure_shares(outcomes, role) if measure.metric in _METRICS)
