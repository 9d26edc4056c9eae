"""How many labels of a capped origin a set may keep, so that each stays within its share of what is kept."""

from collections.abc import Mapping
from fractions import Fraction


def fit_shares(counts: Mapping[str, int], shares: Mapping[str, float]) -> dict[str, int]:
    """Return, for each origin that has too many rows, how many stay: as many as possible.

    `counts` are rows by origin, `shares` the parts of all rows that remain. Where the origins of a set C are cut,
    N = (rows of all others) / (1 - sum of C's shares) rows remain, and each of C keeps its share of N. An origin
    belongs to C as soon as it has more than that; with each that is cut N falls, so that none leaves C again.
    Then whole rows: what is lost by rounding down may cost another origin a row.
    """
    exact = {origin: Fraction(str(share)) for origin, share in shares.items()}
    cut: set[str] = set()
    while True:
        left = sum(count for origin, count in counts.items() if origin not in cut)
        total = Fraction(left) / (1 - sum((exact[origin] for origin in cut), Fraction()))
        over = {origin for origin in exact if origin not in cut and counts.get(origin, 0) > exact[origin] * total}
        if not over:
            return _round_down(counts, {origin: exact[origin] for origin in cut}, exact, total)
        cut |= over


def _round_down(
    counts: Mapping[str, int], cut: Mapping[str, Fraction], shares: Mapping[str, Fraction], total: Fraction
) -> dict[str, int]:
    kept = dict(counts) | {origin: int(share * total) for origin, share in cut.items()}
    while True:
        rows = sum(kept.values())
        over = {
            origin: int(share * rows) for origin, share in shares.items() if kept.get(origin, 0) > share * rows
        }
        if not over:
            return {origin: kept[origin] for origin in shares if kept.get(origin, 0) < counts.get(origin, 0)}
        kept |= over
