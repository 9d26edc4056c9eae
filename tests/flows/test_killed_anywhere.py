"""Kill any process at any moment: the next run carries on, and nothing is lost or there twice."""

import json
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tasks.loop import Loop

_WALK = Path(__file__).with_name("walk_the_loop.py")
_START = datetime(2026, 5, 4, 6, tzinfo=UTC)
SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate", "foliage"]
critical = ["person"]
rules = ["label_disagrees", "low_margin"]
answers_needed = 1
[attribute.obstacle.trainer_settings]
hidden = [8]
epochs = 40
learning_rate = 0.02
[queue]
watch_per_week = 10
[pull]
predictions = ["inbox/predictions/*.jsonl"]
labels = ["inbox/labels/*.jsonl"]
"""
CASE = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
where = "(context->>'light') = 'dusk'"
[holdout]
truth = "person"
[mine]
budget = 40
[gate]
accuracy_at_least = 0.80
"""
_MIDDLE = {"person": (4, 0, 0, 0), "crate": (0, 4, 0, 0), "foliage": (0, 0, 4, 0), "crouched": (0, 4, 0, 4)}


def look(kind: str, name: str, count: int) -> list[dict[str, Any]]:
    """So many invented samples, each a recording of its own whose name tells what it is."""
    rows = []
    for number in range(count):
        recording = f"{name}-{kind}-{number:03d}"
        noise = np.random.default_rng(zlib.crc32(recording.encode())).normal(size=8)
        features = [float(v) for v in np.round(np.array([*_MIDDLE[kind], 0, 0, 0, 1]) + 0.6 * noise, 6)]
        rows.append(
            {
                "recording_id": recording,
                "object_id": "1",
                "observed_at": (_START + timedelta(minutes=number)).isoformat(),
                "attribute": "obstacle",
                "features": features,
                "context": {"light": "dusk" if kind == "crouched" else "noon"},
            }
        )
    return rows


def label(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    kinds = [str(row["recording_id"]).split("-")[-2] for row in rows]
    return [
        row | {"label": "person" if kind == "crouched" else kind, "origin": "person"}
        for row, kind in zip(rows, kinds, strict=True)
    ]


def predict(rows: list[dict[str, Any]], confidence: float = 0.9) -> list[dict[str, Any]]:
    """A model known by its logs, which calls crouched people crates."""
    kinds = [str(row["recording_id"]).split("-")[-2] for row in rows]
    return [
        row
        | {"model_version": "m1", "predicted": "crate" if kind == "crouched" else kind, "confidence": confidence}
        | {"scores": {"crate": confidence, "person": confidence - 0.1}}
        for row, kind in zip(rows, kinds, strict=True)
    ]


def write(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")


def fill(loop: Loop, folder: Path) -> None:
    """An inbox with logs and labels, a case, and beside the loop two evaluation sets."""
    kinds = ("person", "crate", "foliage")
    whole = [row for kind in kinds for row in look(kind, "whole", 30)]
    dusk = look("crouched", "held", 20) + look("person", "held", 4)
    write(loop.folder / "inbox" / "labels" / "base.jsonl", label([r for k in kinds for r in look(k, "base", 40)]))
    write(loop.folder / "inbox" / "labels" / "held.jsonl", label(whole + dusk))
    log = look("crouched", "log", 40) + look("crate", "log", 30)
    write(loop.folder / "inbox" / "predictions" / "log.jsonl", predict(log))
    write(loop.folder / "inbox" / "predictions" / "held.jsonl", predict(whole + dusk))
    write(loop.folder / "inbox" / "predictions" / "doubted.jsonl", predict(look("crouched", "late", 20), 0.5))
    write(loop.folder / "inbox" / "labels" / "log.jsonl", label(log[:8]))
    (loop.folder / "cases" / "crouched-picker.toml").write_text(CASE, encoding="utf-8")
    names = ("recording_id", "object_id", "observed_at", "attribute")
    for name, rows in {"overall": whole, "case": dusk}.items():
        write(folder / f"{name}.jsonl", ({key: row[key] for key in names} for row in rows))


def walk(make: Callable[..., Loop], folder: Path, kills: int, seed: int) -> None:
    loops = [make(SETTINGS, name=f"{folder.name}/{name}") for name in ("quiet", "killed")]
    for loop in loops:
        fill(loop, folder)
    ended = subprocess.run(
        [sys.executable, str(_WALK), str(folder), str(kills), str(seed)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr[-3000:]
    quiet, killed = (json.loads((folder / f"{loop.folder.name}.json").read_text()) for loop in loops)
    told = json.loads((folder / "kills.json").read_text())
    assert len(told) == kills
    assert sum(was_running for _, _, was_running in told) > kills / 2, told
    assert quiet["training_set_member"] and quiet["gate_decision"] and quiet["label_revision"]
    different = {name for name in quiet if quiet[name] != killed[name]}
    assert not different, (told, {name: (quiet[name][:3], killed[name][:3]) for name in different})


@pytest.mark.slow
def test_thirty_kills_leave_everything_as_undisturbed(make_any_loop: Callable[..., Loop], tmp_path: Path) -> None:
    folder = tmp_path / "walk"
    folder.mkdir()
    walk(make_any_loop, folder, 30, seed=1)


@pytest.mark.full
def test_five_hundred_kills_leave_everything_as_undisturbed(
    make_file_loop: Callable[..., Loop], make_lake_loop: Callable[..., Loop], tmp_path: Path
) -> None:
    for name, make, seeds in (("file", make_file_loop, range(10)), ("lake", make_lake_loop, range(10, 20))):
        for seed in seeds:
            folder = tmp_path / f"{name}-{seed}"
            folder.mkdir()
            walk(make, folder, 25, seed)
