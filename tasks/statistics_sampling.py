"""How many labels of a lot to look at again, how many wrong ones to put up with, and what that lets through."""

from __future__ import annotations

import math
from typing import NamedTuple

from schemas.sampling_files import read_code_letters, read_plans
from tasks.statistics_arguments import require_count, require_share

INSPECTIONS = ("normal", "tightened")


class SamplingPlan(NamedTuple):
    """Look at `sample_size` items: pass the lot at `accept` wrong ones or fewer, refuse it from `reject` on."""

    sample_size: int
    accept: int
    reject: int


def sampling_plan(lot_size: int, aql: float, level: str = "II", inspection: str = "normal") -> SamplingPlan:
    """Give the single sampling plan of a lot: sample size, acceptance and rejection number.

    `aql` is the acceptance quality limit in percent wrong (0.065 to 10, the steps of the tables), `level` the
    inspection level ("S-1" to "S-4", "I" to "III"), `inspection` "normal" or "tightened". Source: MIL-STD-105E
    (1989), Tables I, II-A and II-B. Where the plan's sample is not smaller than the lot, the whole lot is looked
    at, and the numbers stay. Raises ValueError naming the argument: a lot of fewer than 2, an AQL that is not in
    the tables, another level or inspection.
    """
    if require_count("lot_size", lot_size) < 2:
        raise ValueError(f"lot_size must be at least 2, not {lot_size!r}: the tables start there")
    if inspection not in INSPECTIONS:
        raise ValueError(f"inspection must be one of {', '.join(INSPECTIONS)}, not {inspection!r}")
    plans = read_plans(inspection)[_find_letter(lot_size, level)]
    sample_size, accept = plans[_find_aql(aql, list(plans))]
    return SamplingPlan(min(sample_size, int(lot_size)), accept, accept + 1)


def acceptance_probability(
    sample_size: int, accept: int, defect_share: float, *, lot_size: int | None = None
) -> float:
    """Give the chance that a lot passes: one point of the plan's operating characteristic curve.

    `defect_share` (0 to 1) is the share of wrong items. Without `lot_size` the sample is from an endless series
    (binomial); with it the lot holds the nearest whole number of wrong items, drawn without replacement
    (hypergeometric). Source of the curves: MIL-STD-105E (1989), Tables X; computed by scipy. Raises ValueError for
    counts that are not whole, a share outside 0 to 1, or a lot smaller than its sample.
    """
    from scipy.stats import binom, hypergeom

    drawn, most_wrong = require_count("sample_size", sample_size), require_count("accept", accept)
    share = require_share("defect_share", defect_share)
    if lot_size is None:
        return float(binom.cdf(most_wrong, drawn, share))
    lot = require_count("lot_size", lot_size)
    if lot < drawn:
        raise ValueError(f"lot_size must be at least sample_size ({drawn}), not {lot_size!r}")
    return float(hypergeom.cdf(most_wrong, lot, round(lot * share), drawn))


def _find_letter(lot_size: int, level: str) -> str:
    rows = read_code_letters()
    letters = [row for lot_from, row in rows if lot_from <= lot_size][-1]
    if level not in letters:
        raise ValueError(f"level must be one of {', '.join(letters)}, not {level!r}")
    return letters[level]


def _find_aql(aql: float, known: list[float]) -> float:
    try:
        wanted = float(aql)
    except (TypeError, ValueError) as error:
        raise ValueError(f"aql must be a number, not {aql!r}") from error
    for column in known:
        if math.isclose(column, wanted, rel_tol=1e-9):
            return column
    below, above = [c for c in known if c < wanted][-1:], [c for c in known if c > wanted][:1]
    nearest = " or ".join(f"{column:g}" for column in below + above) or f"{known[0]:g} to {known[-1]:g}"
    raise ValueError(f"aql must be a percentage that the tables have, nearest {nearest}, not {aql!r}")
