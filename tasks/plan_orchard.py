"""Plan the demo's invented season: which cart drove where, when, in what light, and what stood in its way.

Only the demo imports this module, so numpy stands at the top. Every share and count below is invented.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np

Part = Literal["base", "overall", "field"]
Mix = dict[str, float]

FIRST_MONDAY = datetime(2024, 7, 1, tzinfo=UTC)
BASE_WEEKS = (1, 2, 3, 4)
FIELD_WEEKS = (5, 6, 7, 8)
UNITS = tuple(f"cart-{number:02d}" for number in range(1, 7))
BLOCKS = ("north", "brook", "terrace", "old-wall")

_START_HOUR = {"day": 11, "dusk": 20, "low_sun": 6, "lamp": 22}
_TRACK_LENGTHS = (3, 4, 5, 6)
_TRACK_LENGTH_SHARES = (0.6, 0.25, 0.1, 0.05)


@dataclass(frozen=True)
class DriveKind:
    """A kind of drive: the work going on in the row, the lights it happens in, and what is met there."""

    works: tuple[str, ...]
    lights: tuple[str, ...]
    obstacles: Mix


@dataclass(frozen=True)
class Recording:
    """One invented drive along a row; `part` says which of the demo's files it goes to."""

    recording_id: str
    part: Part
    unit_id: str
    block: str
    week: int
    light: str
    work: str
    weather: str
    started_at: datetime
    obstacles: tuple[str, ...]
    ground: str


@dataclass(frozen=True)
class Track:
    """One object as a cart nears it: `length` samples of one situation."""

    recording: Recording
    object_id: str
    attribute: str
    situation: str
    length: int


DRIVES = {
    "ordinary": DriveKind(
        works=("none", "mowing", "thinning"),
        lights=("day", "dusk", "low_sun", "lamp"),
        obstacles={"person": 0.23, "animal": 0.15, "crate": 0.24, "ladder": 0.14, "foliage": 0.24},
    ),
    "dusk_picking": DriveKind(
        works=("picking",),
        lights=("dusk",),
        obstacles={"person_crouched_beside_crate": 0.7, "crate": 0.25, "person": 0.05},
    ),
    "sunlit_pruning": DriveKind(
        works=("pruning",),
        lights=("low_sun",),
        obstacles={"ladder_against_sun": 0.7, "foliage": 0.25, "person": 0.05},
    ),
    "tall_grass": DriveKind(
        works=("none",),
        lights=("day", "dusk"),
        obstacles={"animal_in_tall_grass": 0.6, "foliage": 0.2, "crate": 0.2},
    ),
}
GROUND_BY_WEATHER: dict[str, Mix] = {
    "dry": {"firm": 0.7, "soft": 0.2, "flooded": 0.1},
    "rain": {"firm": 0.35, "soft": 0.4, "flooded": 0.25},
    "drying": {"soft_under_crust": 0.7, "firm": 0.25, "soft": 0.05},
}
# How many drives of each kind a part holds: the base set hardly knows the last three kinds.
DRIVE_COUNTS: dict[Part, dict[str, int]] = {
    "base": {"ordinary": 260, "dusk_picking": 5, "sunlit_pruning": 2, "tall_grass": 3},
    "overall": {"ordinary": 690, "dusk_picking": 40, "sunlit_pruning": 40, "tall_grass": 30},
    "field": {"ordinary": 200, "dusk_picking": 380, "sunlit_pruning": 340, "tall_grass": 40},
}
_WEATHER_SHARES: dict[Part, Mix] = {
    "base": {"dry": 0.55, "rain": 0.4, "drying": 0.05},
    "overall": {"dry": 0.5, "rain": 0.4, "drying": 0.1},
    "field": {"dry": 0.3, "rain": 0.25, "drying": 0.45},
}


def plan_recordings(rng: np.random.Generator) -> list[Recording]:
    """Plan every drive of the season, in order of `recording_id`."""
    drives: list[tuple[Part, str]] = [
        (part, kind)
        for part, counts in DRIVE_COUNTS.items()
        for kind, count in counts.items()
        for _ in range(count)
    ]
    order = rng.permutation(len(drives))
    shuffled = [drives[place] for place in order]
    return [_plan_recording(number, part, kind, rng) for number, (part, kind) in enumerate(shuffled, start=1)]


def plan_tracks(recordings: Sequence[Recording], rng: np.random.Generator) -> list[Track]:
    """Plan the objects of each recording: its obstacles, then one patch of ground.

    Of a recording of the overall evaluation set one obstacle and one patch are kept, a single sample each,
    so that no two samples of an evaluation set belong together.
    """
    tracks = [track for recording in recordings for track in _list_tracks(recording)]
    lengths = rng.choice(_TRACK_LENGTHS, size=len(tracks), p=_TRACK_LENGTH_SHARES)
    return [
        Track(recording, object_id, attribute, situation, 1 if recording.part == "overall" else int(length))
        for (recording, object_id, attribute, situation), length in zip(tracks, lengths, strict=True)
    ]


def _list_tracks(recording: Recording) -> list[tuple[Recording, str, str, str]]:
    """Name the objects of one recording: (recording, object_id, attribute, situation)."""
    obstacles = [
        (recording, f"object-{number}", "obstacle", situation)
        for number, situation in enumerate(recording.obstacles, start=1)
    ]
    return [*obstacles, (recording, "ground-1", "ground", recording.ground)]


def _plan_recording(number: int, part: Part, kind: str, rng: np.random.Generator) -> Recording:
    """Plan one drive; its id says that it is the demo's."""
    drive = DRIVES[kind]
    week = int(rng.choice(BASE_WEEKS if part == "base" else FIELD_WEEKS))
    unit = str(rng.choice(UNITS))
    light = str(rng.choice(drive.lights))
    weather = _pick(_WEATHER_SHARES[part], 1, rng)[0]
    return Recording(
        recording_id=f"demo-{number:04d}-{unit}",
        part=part,
        unit_id=unit,
        block=str(rng.choice(BLOCKS)),
        week=week,
        light=light,
        work=str(rng.choice(drive.works)),
        weather=weather,
        started_at=_pick_start(week, light, rng),
        obstacles=_pick_obstacles(drive, part, light, rng),
        ground=_pick(GROUND_BY_WEATHER[weather], 1, rng)[0],
    )


def _pick_obstacles(drive: DriveKind, part: Part, light: str, rng: np.random.Generator) -> tuple[str, ...]:
    """Pick what a drive meets; only pruning leans ladders against a low sun."""
    count = 1 if part == "overall" else int(rng.integers(2, 4 if part == "field" else 5))
    met = {name: share for name, share in drive.obstacles.items() if (name, light) != ("ladder", "low_sun")}
    return _pick(met, count, rng)


def _pick(mix: Mix, count: int, rng: np.random.Generator) -> tuple[str, ...]:
    """Pick `count` names by their shares, which need not add up to one."""
    shares = np.array(list(mix.values()))
    return tuple(str(name) for name in rng.choice(list(mix), size=count, p=shares / shares.sum()))


def _pick_start(week: int, light: str, rng: np.random.Generator) -> datetime:
    """Pick the second at which a drive of one week starts, at an hour that suits its light."""
    day = FIRST_MONDAY + timedelta(weeks=week - 1, days=int(rng.integers(0, 6)))
    return day + timedelta(hours=_START_HOUR[light], seconds=int(rng.integers(0, 3600)))
