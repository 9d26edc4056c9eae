"""Write the demo's invented season as files: labels, evaluation sets, drives without labels, and their truth.

Only the demo imports this module, so numpy and pyarrow stand at the top. One seed gives the same bytes again.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from tasks.draw_orchard import FEATURE_COUNT, LABEL_OF, STYLE_SIZE, draw_pictures, measure_features
from tasks.errors import InputError
from tasks.plan_orchard import FIELD_WEEKS, Part, Recording, Track, plan_recordings, plan_tracks

Integers = npt.NDArray[np.int64]

ATTRIBUTES = ("obstacle", "ground")
HARD_SITUATIONS = (
    "person_crouched_beside_crate",
    "ladder_against_sun",
    "animal_in_tall_grass",
    "soft_under_crust",
)
FEATURE_VERSION = "1"

_SAMPLE_COLUMNS = (
    "recording_id",
    "object_id",
    "observed_at",
    "attribute",
    "unit_id",
    "media_uri",
    "context",
    "features",
    "feature_version",
)
_TIME = pa.timestamp("us", tz="UTC")
_FRAME = timedelta(milliseconds=500)
_SLIP = {"firm": 0.1, "soft": 0.45, "soft_under_crust": 0.45, "flooded": 0.35}
_SLIP_SPREAD = 0.07
_CROSSED_SHARE = 0.5  # of the patches that a cart saw it drove over, and so felt its wheels slip
# An operator overrides a cart more often where it is wrong more often. Invented shares of tracks.
_OPERATOR_SHARE_HARD = 0.16
_OPERATOR_SHARE_ORDINARY = 0.04
_LABELLED_AFTER = timedelta(days=10)
_OVERRIDDEN_AFTER = timedelta(minutes=5)


@dataclass(frozen=True)
class OrchardFiles:
    """What `make_orchard` wrote.

    `base` and `overall` (by attribute) are label files that lie in the inbox. `field` holds one sample file
    a week and attribute, without labels, that a model has yet to be run over; `operators` one label file a
    week with what operators corrected. `truth` is for the simulated annotators alone.
    """

    base: Path
    overall: dict[str, Path]
    field: dict[str, tuple[Path, ...]]
    operators: tuple[Path, ...]
    truth: Path


def make_orchard(folder: Path, *, seed: int = 7) -> OrchardFiles:
    """Write the invented season below a loop folder and say where; one seed gives the same bytes."""
    rng = np.random.default_rng(seed)
    tracks = plan_tracks(plan_recordings(rng), rng)
    season = _tabulate(tracks, rng)
    files = _name_files(folder)
    _write(_select_labels(season, "base"), files.base)
    for attribute, path in files.overall.items():
        _write(_keep(_select_labels(season, "overall"), "attribute", attribute), path)
    _write_field(_keep(season, "part", "field"), files)
    _write(_keep(season, "part", "field").select([*_SAMPLE_COLUMNS[:4], "truth", "situation"]), files.truth)
    return files


def mark_served(replay: Path, out: Path) -> None:
    """Turn what `turnrow predict` wrote into the log that a cart would have sent: role `served`.

    The demo has no carts, so the stored model is run over the field samples and stands in for them;
    `predicted_at` becomes the moment of the sample. Raises InputError for a file without the columns.
    """
    log = pq.read_table(replay)
    missing = {"role", "observed_at", "predicted"} - set(log.column_names)
    if missing:
        raise InputError(f"{replay}: no column {sorted(missing)[0]}; expected a log written by turnrow predict")
    roles = pa.array(["served"] * log.num_rows, pa.string())
    log = log.set_column(log.column_names.index("role"), "role", roles)
    kept = [name for name in log.column_names if name != "predicted_at"]
    _write(log.select(kept).append_column("predicted_at", log.column("observed_at")), out)


def _name_files(folder: Path) -> OrchardFiles:
    """Name every file below the loop folder."""
    labels, field = folder / "inbox" / "labels", folder / "field"
    weeks = range(1, len(FIELD_WEEKS) + 1)
    return OrchardFiles(
        base=labels / "base.parquet",
        overall={name: labels / f"overall-{name}.parquet" for name in ATTRIBUTES},
        field={name: tuple(field / f"week-{week}-{name}.parquet" for week in weeks) for name in ATTRIBUTES},
        operators=tuple(field / f"week-{week}-operators.parquet" for week in weeks),
        truth=folder / ".demo" / "truth.parquet",
    )


def _write_field(season: pa.Table, files: OrchardFiles) -> None:
    """Write each week's drives by attribute, and the corrections that operators made in that week."""
    for place, week in enumerate(FIELD_WEEKS):
        drives = _keep(season, "week", week)
        for attribute, paths in files.field.items():
            _write(_keep(drives, "attribute", attribute).select(_SAMPLE_COLUMNS), paths[place])
        _write(
            _label(_keep(drives, "is_overridden", True), "operator", _OVERRIDDEN_AFTER),
            files.operators[place],
        )


def _select_labels(season: pa.Table, part: Part) -> pa.Table:
    """Return one part of the season as a label file's rows."""
    return _label(_keep(season, "part", part), "orchard-survey", _LABELLED_AFTER)


def _label(samples: pa.Table, person: str, after: timedelta) -> pa.Table:
    """Add the label file's columns: the truth as an invented person's label, decided some time later."""
    rows = samples.num_rows
    decided_at = pc.add(samples.column("observed_at"), pa.scalar(after, pa.duration("us")))
    return (
        samples.select(_SAMPLE_COLUMNS)
        .append_column("label", samples.column("truth"))
        .append_column("origin", pa.array(["person"] * rows, pa.string()))
        .append_column("decided_by", pa.array([person] * rows, pa.string()))
        .append_column("decided_at", decided_at)
    )


def _keep(table: pa.Table, column: str, value: object) -> pa.Table:
    """Keep the rows whose column has one value."""
    return table.filter(pc.equal(table.column(column), pa.scalar(value, table.schema.field(column).type)))


def _write(table: pa.Table, path: Path) -> None:
    """Write a Parquet file, with its folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(table, path, compression="zstd")


def _tabulate(tracks: Sequence[Track], rng: np.random.Generator) -> pa.Table:
    """Turn planned tracks into one row a sample, with features, context and truth."""
    lengths = np.array([track.length for track in tracks])
    owner = np.repeat(np.arange(len(tracks)), lengths)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    features = _draw_features(tracks, owner, step, rng)
    overridden = _choose_overridden(tracks, rng)
    columns = {
        **_tell_samples(tracks, owner, step),
        "context": pa.array(_tell_contexts(tracks, owner, rng), pa.string()),
        "features": _list_features(features),
        "feature_version": pa.array([FEATURE_VERSION] * len(owner), pa.string()),
        "part": _spread(tracks, owner, lambda track: track.recording.part),
        "week": pa.array([tracks[number].recording.week for number in owner.tolist()], pa.int64()),
        "truth": _spread(tracks, owner, lambda track: LABEL_OF[track.situation]),
        "situation": _spread(tracks, owner, lambda track: track.situation),
        "is_overridden": pa.array(overridden[owner]),
    }
    return pa.table(columns)


def _tell_samples(tracks: Sequence[Track], owner: Integers, step: Integers) -> dict[str, Any]:
    """Return the columns that name a sample, and where it is from. Pictures are not kept."""
    frames = zip(owner.tolist(), step.tolist(), strict=True)
    return {
        "recording_id": _spread(tracks, owner, lambda track: track.recording.recording_id),
        "object_id": _spread(tracks, owner, lambda track: track.object_id),
        "observed_at": pa.array(
            [tracks[number].recording.started_at + frame * _FRAME for number, frame in frames], _TIME
        ),
        "attribute": _spread(tracks, owner, lambda track: track.attribute),
        "unit_id": _spread(tracks, owner, lambda track: track.recording.unit_id),
        "media_uri": pa.nulls(len(owner), pa.string()),
    }


def _spread(tracks: Sequence[Track], owner: Integers, tell: Callable[[Track], str]) -> pa.Array:
    """Repeat a text of each track for every one of its samples."""
    return pa.array([tell(track) for track in tracks], pa.string()).take(pa.array(owner))


def _draw_features(
    tracks: Sequence[Track], owner: Integers, step: Integers, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """Draw and measure every sample's picture, a situation and light at a time: (samples, FEATURE_COUNT)."""
    style = rng.random((len(tracks), STYLE_SIZE))[owner]
    scale = _grow(tracks, owner, step, rng)
    names = np.array([f"{track.situation} {track.recording.light}" for track in tracks])[owner]
    features = np.empty((len(owner), FEATURE_COUNT), np.float32)
    for name in np.unique(names):
        rows = np.flatnonzero(names == name)
        situation, light = str(name).split()
        features[rows] = measure_features(draw_pictures(situation, light, style[rows], scale[rows], rng))
    return features


def _grow(
    tracks: Sequence[Track], owner: Integers, step: Integers, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Return each sample's scale: an object grows as the cart nears; a lone sample is of any distance."""
    lengths = np.array([track.length for track in tracks])
    nearness = np.where(lengths == 1, rng.random(len(tracks)), 0.0)[owner]
    nearness += step / np.maximum(lengths - 1, 1)[owner]
    stature = rng.uniform(0.85, 1.05, len(tracks))[owner]
    return np.asarray(stature * (0.6 + 0.35 * nearness))


def _list_features(features: npt.NDArray[np.float32]) -> pa.Array:
    """Turn a matrix into a column of lists."""
    offsets = np.arange(0, features.size + 1, features.shape[1], dtype=np.int32)
    return pa.ListArray.from_arrays(pa.array(offsets), pa.array(features.ravel()))


def _tell_contexts(tracks: Sequence[Track], owner: Integers, rng: np.random.Generator) -> list[str]:
    """Return each sample's context as JSON with sorted keys; slip is known of ground that was crossed."""
    slips = rng.normal(0.0, _SLIP_SPREAD, len(owner))
    crossed = (rng.random(len(tracks)) < _CROSSED_SHARE)[owner]
    return [
        json.dumps(_tell_context(tracks[number], slip if known else None), sort_keys=True)
        for number, slip, known in zip(owner.tolist(), slips.tolist(), crossed.tolist(), strict=True)
    ]


def _tell_context(track: Track, slip: float | None) -> dict[str, str | int | float]:
    """Return the context of one sample; `slip` is its departure from what the ground usually gives.

    None stands for a cart that turned off before it reached the patch: no slip is known.
    """
    drive: Recording = track.recording
    context: dict[str, str | int | float] = {
        "block": drive.block,
        "light": drive.light,
        "weather": drive.weather,
        "week": drive.week,
        "work": drive.work,
    }
    if track.attribute == "ground" and slip is not None:
        context["wheel_slip"] = round(min(max(_SLIP[track.situation] + slip, 0.0), 1.0), 3)
    return context


def _choose_overridden(tracks: Sequence[Track], rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Choose the field tracks that an operator corrected: by chance, oftener in the hard situations."""
    hard = np.array([track.situation in HARD_SITUATIONS for track in tracks])
    share = np.where(hard, _OPERATOR_SHARE_HARD, _OPERATOR_SHARE_ORDINARY)
    return np.asarray(rng.random(len(tracks)) < share)
