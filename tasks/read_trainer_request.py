"""What request.json asks of the built-in trainer, and the settings that it knows."""

import difflib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from tasks.errors import TrainerError


@dataclass(frozen=True)
class PerceptronSettings:
    """What `trainer_settings` may say; `epochs_to_run` overrides `epochs` and `warm_epochs` for one run."""

    hidden: tuple[int, ...] = (64,)
    epochs: int = 60
    warm_epochs: int = 20
    l2_penalty: float = 1e-3
    learning_rate: float = 1e-3
    seed: int = 1
    epochs_to_run: int | None = None


@dataclass(frozen=True)
class PerceptronRequest:
    """The part of request.json that this trainer uses."""

    task: str
    kind: str
    labels: tuple[str, ...]
    labels_before: tuple[str, ...]
    settings: PerceptronSettings


def read_request(path: Path) -> PerceptronRequest:
    """Read request.json; its own seed wins over the settings' one."""
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        given = dict(raw.get("settings") or {})
        if raw.get("seed") is not None:
            given["seed"] = raw["seed"]
        labels = tuple(raw.get("labels") or ())
        kind = raw.get("kind") or ("class" if labels else "number")
        before = tuple(raw.get("labels_before") or ())
        request = PerceptronRequest(raw["task"], kind, labels, before, read_trainer_settings(given))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise TrainerError(f"request.json cannot be used ({type(error).__name__}: {error})") from error
    if request.task not in ("train", "predict") or kind not in ("class", "number"):
        raise TrainerError(f"request.json: task {request.task!r} of kind {kind!r} is unknown")
    if kind == "class" and (len(labels) < 2 or len(set(labels)) < len(labels)):
        raise TrainerError(f"request.json: labels {list(labels)} must be at least two, each named once")
    return request


def read_trainer_settings(given: Mapping[str, Any]) -> PerceptronSettings:
    """Check the built-in trainer's settings and fill in the defaults.

    Raises TrainerError that names an unknown key and the nearest known one, or a value out of range.
    """
    known = [field.name for field in fields(PerceptronSettings)]
    for key in given:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0)[0]
            raise TrainerError(f"trainer_settings: builtin:mlp does not know `{key}`; did you mean `{near}`?")
    settings = PerceptronSettings(**given)
    for key, is_right, expected in _check_values(settings):
        if not is_right:
            raise TrainerError(f"trainer_settings: {key} = {getattr(settings, key)!r}; expected {expected}")
    return replace(settings, hidden=tuple(settings.hidden))


def _check_values(settings: PerceptronSettings) -> Iterator[tuple[str, bool, str]]:
    hidden: object = settings.hidden
    is_list = isinstance(hidden, list | tuple) and len(hidden) > 0
    yield "hidden", is_list and all(_is_whole(size, 1) for size in settings.hidden), "a list like [64]"
    yield "epochs", _is_whole(settings.epochs, 0), "a whole number, at least 0"
    yield "warm_epochs", _is_whole(settings.warm_epochs, 0), "a whole number, at least 0"
    runs = settings.epochs_to_run
    yield "epochs_to_run", runs is None or _is_whole(runs, 0), "a whole number, at least 0"
    yield "l2_penalty", _is_number(settings.l2_penalty) and settings.l2_penalty >= 0, "a number, at least 0"
    yield (
        "learning_rate",
        _is_number(settings.learning_rate) and settings.learning_rate > 0,
        "a number above 0",
    )
    yield "seed", _is_whole(settings.seed, 0) and settings.seed < 2**32, "a whole number from 0 to 2^32 - 1"


def _is_whole(value: object, least: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= least


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
