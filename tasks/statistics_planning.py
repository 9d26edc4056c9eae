"""How many samples a claim takes, before they are collected."""

from __future__ import annotations

import math

from tasks.statistics_arguments import require_between, require_share

_ROUNDING = 1e-9
"""Relative slack for a size that is whole but for floating-point error; far below any meaning."""


def zero_failure_sample_size(confidence: float, reliability: float) -> int:
    """Give how many trials, all without failure, show `reliability` with `confidence`.

    The smallest n with reliability ** n <= 1 - confidence. Source: the success-run theorem in its binomial
    form, n = ln(1 - confidence) / ln(reliability), rounded up (reliability textbooks, such as O'Connor &
    Kleyner, Practical Reliability Engineering; from memory). Texts that start from a uniform prior need
    one trial fewer; this does not. Raises ValueError unless both lie strictly between 0 and 1.
    """
    require_between("confidence", confidence)
    require_between("reliability", reliability)
    return _round_up(math.log1p(-confidence) / math.log(reliability))


def pairs_needed(
    first_only_share: float, second_only_share: float, alpha: float = 0.05, power: float = 0.8
) -> int:
    """Give how many pairs McNemar's test needs to find the difference between two paired shares.

    The shares are those of all pairs in which only the first, and only the second, is right; `alpha` is
    two-sided. Always rounded up. It counts independent pairs: where pairs come in groups it takes more, by
    the design effect. Source: Connor RJ (1987) Biometrics 43:207-211. Raises ValueError for shares that
    sum to more than 1, and for equal ones, whose difference no number of pairs would show.
    """
    first = require_share("first_only_share", first_only_share)
    second = require_share("second_only_share", second_only_share)
    require_between("alpha", alpha)
    require_between("power", power)
    discordant, difference = first + second, first - second
    if discordant > 1 + _ROUNDING:
        raise ValueError(f"first_only_share and second_only_share must sum to at most 1, not {discordant:g}")
    if difference == 0:
        raise ValueError("first_only_share and second_only_share must differ: no sample shows no difference")
    spread_there = math.sqrt(max(discordant - difference**2, 0.0))
    reach = _normal_quantile(1 - alpha / 2) * math.sqrt(discordant) + _normal_quantile(power) * spread_there
    return _round_up((max(reach, 0.0) / difference) ** 2)


def noninferior_pairs_needed(
    discordant_share: float, margin: float, alpha: float = 0.05, power: float = 0.8
) -> int:
    """Give how many pairs show that nothing is lost beyond `margin`, where in truth nothing is lost at all.

    `discordant_share`: of all pairs, those in which exactly one of the two is right; `alpha` is one-sided, as for
    the lower end of a two-sided 1 - 2 alpha interval. n = (z(1 - alpha) + z(power))^2 discordant_share / margin^2,
    rounded up. It counts independent pairs. Source: Liu JP, Hsueh HM, Hsieh E, Chen JJ (2002) Statistics in
    Medicine 21:231-245, with no difference (from memory). Raises ValueError for shares that are none, and for a
    margin of 0, which no number of pairs would show.
    """
    share = require_share("discordant_share", discordant_share)
    for name, value in (("margin", margin), ("alpha", alpha), ("power", power)):
        require_between(name, value)
    reach = _normal_quantile(1 - alpha) + _normal_quantile(power)
    return _round_up(max(reach, 0.0) ** 2 * share / margin**2)


def _round_up(size: float) -> int:
    """Round up to a whole number of at least 1, reading 2.0000000000000004 as 2."""
    return max(1, math.ceil(size * (1 - _ROUNDING)))


def _normal_quantile(probability: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(probability))
