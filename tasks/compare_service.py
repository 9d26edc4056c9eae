"""A case's errors in service, one set of models against another: within weeks and sites where both ran."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from tasks.statistics_service import Stratum, dispersion_scale, overdispersion_test, pooled_risk_ratio

Placed = tuple[object, str, bool, float]
"""A watched track: where it is compared (week, draw and site), its recording, whether it is wrong, its weight."""

SEASON = "before against after, so the season may explain the difference"
_SIGNIFICANT = 0.05


@dataclass(frozen=True)
class Comparison:
    """The later models' share of errors, divided by the earlier ones', with its 95 % interval (`low`, `high`).

    `strata`: weeks and sites in which both ran; 0: there is none, and before is set against after, so the
    season may explain it. `ratio` and its limits are None where neither side has an error; `high` is infinite
    where the earlier ones have none. `dispersion_p`: how likely errors would vary so much between recordings by
    chance (None: no recording has two tracks); below .05 the interval is widened by `scale`. `note`: what has to
    be said beside it.
    """

    strata: int
    after_errors: int
    after_tracks: int
    before_errors: int
    before_tracks: int
    ratio: float | None
    low: float | None
    high: float | None
    dispersion_p: float | None
    scale: float
    note: str


def compare_versions(
    after: Sequence[Placed], before: Sequence[Placed], *, is_whole: bool = False
) -> Comparison | None:
    """Compare the shares of wrong tracks within strata, or as a whole where no stratum has both, or `is_whole`.

    None where a side is empty. Within a stratum all tracks weigh the same; as a whole each share is weighted. The
    Mantel-Haenszel ratio and the interval of Greenland & Robins 1985 (`pooled_risk_ratio`); over-dispersion by
    recording is tested by Tarone 1979, and counted in by Pearson's scale where it is found.
    """
    if not after or not before:
        return None
    both = {place for place, *_ in after} & {place for place, *_ in before}
    if is_whole:
        both = set()
    if both:
        after, before = ([row for row in side if row[0] in both] for side in (after, before))
    strata = _count_strata(after, before) if both else [(*_count_whole(after), *_count_whole(before))]
    dispersion_p, scale = _test_dispersion(after, before)
    ratio = low = high = None
    if any(stratum[0] or stratum[2] for stratum in strata):
        ratio, low, high = pooled_risk_ratio(strata, scale=scale)
    return Comparison(
        strata=len(both),
        after_errors=sum(row[2] for row in after),
        after_tracks=len(after),
        before_errors=sum(row[2] for row in before),
        before_tracks=len(before),
        ratio=_drop_infinite(ratio),
        low=low,
        high=_drop_infinite(high),
        dispersion_p=dispersion_p,
        scale=scale,
        note=_tell_beside(len(both), scale),
    )


def _tell_beside(strata: int, scale: float) -> str:
    """Return what has to be said beside the ratio."""
    told = [] if strata else [SEASON]
    if scale > 1:
        told.append(f"errors vary {scale:.1f} times as much between recordings as by chance, which is counted in")
    return "; ".join(told)


def _drop_infinite(number: float | None) -> float | None:
    return None if number is None or math.isinf(number) else number


def _count_strata(after: Sequence[Placed], before: Sequence[Placed]) -> list[Stratum]:
    counts: dict[object, list[float]] = {}
    for side, rows in enumerate((after, before)):
        for place, _, is_error, _ in rows:
            count = counts.setdefault(place, [0, 0, 0, 0])
            count[2 * side] += is_error
            count[2 * side + 1] += 1
    return [(a, n, b, m) for a, n, b, m in counts.values()]


def _count_whole(side: Sequence[Placed]) -> tuple[float, float]:
    """Return errors and tracks of a side, the errors as many as its weighted share says."""
    share = sum(weight for _, _, is_error, weight in side if is_error) / sum(row[3] for row in side)
    return min(share, 1.0) * len(side), float(len(side))


def _test_dispersion(*sides: Sequence[Placed]) -> tuple[float | None, float]:
    """Return the test's p and the scale to widen by: above 1 only where the test finds something."""
    pairs = [_count_by_recording(side) for side in sides]
    try:
        _, p = overdispersion_test(*pairs)
        scale = dispersion_scale(*pairs)
    except ValueError:
        return None, 1.0
    return p, max(scale, 1.0) if p < _SIGNIFICANT and math.isfinite(scale) else 1.0


def _count_by_recording(side: Sequence[Placed]) -> list[tuple[int, int]]:
    errors: Counter[str] = Counter()
    tracks: Counter[str] = Counter()
    for _, recording, is_error, _ in side:
        tracks[recording] += 1
        errors[recording] += is_error
    return [(errors[recording], tracks[recording]) for recording in tracks]
