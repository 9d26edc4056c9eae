"""Checks of what the statistics are handed; each raises ValueError naming the argument and what it takes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sized

    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


def require_amount(name: str, value: float) -> float:
    """Take a finite number of at least 0; it may be fractional (sums of weights are)."""
    number = _read_number(name, value)
    if not math.isfinite(number) or number < 0:
        raise ValueError(f"{name} must be a finite number of at least 0, not {value!r}")
    return number


def require_count(name: str, value: float) -> int:
    """Take a whole number of at least 0."""
    number = require_amount(name, value)
    if not number.is_integer():
        raise ValueError(f"{name} must be a whole number, not {value!r}")
    return int(number)


def require_between(name: str, value: float, low: float = 0.0, high: float = 1.0) -> float:
    """Take a number strictly between two bounds: a confidence, a power, a level."""
    number = _read_number(name, value)
    if not low < number < high:
        raise ValueError(f"{name} must lie between {low:g} and {high:g}, both excluded, not {value!r}")
    return number


def require_share(name: str, value: float) -> float:
    """Take a number from 0 to 1, both included."""
    number = _read_number(name, value)
    if not 0 <= number <= 1:
        raise ValueError(f"{name} must lie between 0 and 1, not {value!r}")
    return number


def require_successes(
    successes: float, trials: float, successes_name: str = "successes", trials_name: str = "trials"
) -> tuple[float, float]:
    """Take a number of successes and the trials, more than none, that they came from."""
    hits, tries = require_amount(successes_name, successes), require_amount(trials_name, trials)
    if tries == 0:
        raise ValueError(f"{trials_name} must be more than 0: no trial says nothing about a share")
    if hits > tries:
        raise ValueError(f"{successes_name} must be at most {trials_name} ({trials!r}), not {successes!r}")
    return hits, tries


def read_numbers(name: str, values: ArrayLike) -> Floats:
    """Take a one-dimensional, non-empty series of finite numbers as an array of floats."""
    numbers = read_any_numbers(name, values)
    if numbers.size == 0:
        raise ValueError(f"{name} must not be empty")
    return numbers


def read_any_numbers(name: str, values: ArrayLike) -> Floats:
    """Take a one-dimensional series of finite numbers, possibly empty, as an array of floats."""
    import numpy as np

    try:
        numbers = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must be a series of numbers: {error}") from error
    if numbers.ndim != 1:
        raise ValueError(f"{name} must be a one-dimensional series, not of {numbers.ndim} dimensions")
    if not np.isfinite(numbers).all():
        place = int(np.flatnonzero(~np.isfinite(numbers))[0])
        raise ValueError(f"{name} must hold finite numbers only, but entry {place} is {numbers[place]}")
    return numbers


def read_amounts(name: str, values: ArrayLike) -> Floats:
    """Take a series of numbers of at least 0, not all of them 0: counts, weights, sizes."""
    numbers = read_numbers(name, values)
    _require_all(name, numbers, numbers >= 0, "at least 0")
    if not numbers.any():
        raise ValueError(f"{name} must not be 0 throughout")
    return numbers


def read_counts(name: str, values: ArrayLike) -> Floats:
    """Take a series of whole numbers of at least 0."""
    numbers = read_numbers(name, values)
    _require_all(name, numbers, (numbers >= 0) & (numbers == numbers.round()), "a whole number of at least 0")
    return numbers


def read_shares(name: str, values: ArrayLike) -> Floats:
    """Take a series of numbers from 0 to 1, both included."""
    numbers = read_numbers(name, values)
    _require_all(name, numbers, (numbers >= 0) & (numbers <= 1), "between 0 and 1")
    return numbers


def read_outcomes(name: str, values: ArrayLike) -> Floats:
    """Take a series of outcomes, each True or False (1 or 0), as ones and zeros."""
    numbers = read_numbers(name, values)
    _require_all(name, numbers, (numbers == 0) | (numbers == 1), "0 or 1 (False or True)")
    return numbers


def require_same_length(**series: Sized) -> None:
    """Refuse series that should run side by side but differ in length."""
    lengths = {name: len(values) for name, values in series.items()}
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"{name} has {length}" for name, length in lengths.items())
        raise ValueError(f"these must have equally many entries: {told}")


def _read_number(name: str, value: float) -> float:
    try:
        return float(value)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must be a number, not {value!r}") from error


def _require_all(name: str, numbers: Floats, is_fine: NDArray[np.bool_], expected: str) -> None:
    if not is_fine.all():
        place = int((~is_fine).argmax())
        raise ValueError(f"every entry of {name} must be {expected}, but entry {place} is {numbers[place]:g}")
