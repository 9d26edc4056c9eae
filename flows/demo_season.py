"""The first half of the demo's story: what comes in, what is kept aside, and what the carts predicted."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from shutil import copyfile
from tempfile import TemporaryDirectory

from flows.demo_scene import Scene
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.errors import InputError
from tasks.make_orchard import OrchardFiles, mark_served
from tasks.predict_file import predict_file
from tasks.pull_logs import PulledFile, pull_files


def pull_season(scene: Scene) -> None:
    """Pull what lies in the inbox: the labels of the first weeks, and the evaluation sets."""
    files = _pull(scene)
    scene.tell("pull", f"{_count_rows(files):,} labelled samples from {len(files)} files.")


def freeze_overall_holdouts(scene: Scene, season: OrchardFiles) -> None:
    """Freeze each attribute's evaluation set as its general hold-out, before anything is trained."""
    drawn = [
        draw_holdout(scene.loop, HoldoutTarget(attribute, None), listed=season.overall[name])
        for name, attribute in scene.loop.settings.attribute.items()
    ]
    kept = " and ".join(f"{held.case_name} ({held.members} samples)" for held in drawn)
    scene.tell("holdout", f"{kept} frozen: general tests, one sample a recording. They train no model.")


def send_logs(scene: Scene, season: OrchardFiles, models: Mapping[str, str]) -> None:
    """Run the incumbents over four weeks of drives and pull that, with what operators corrected."""
    inbox = scene.loop.folder / "inbox"
    with scene.measure("predict"), TemporaryDirectory(prefix="turnrow-demo-") as name:
        replay = Path(name) / "replay.parquet"
        for attribute, model in models.items():
            for week in season.field[attribute]:
                predict_file(scene.loop, model, week, replay)
                mark_served(replay, inbox / "predictions" / week.name)
        for labels in season.operators:
            copyfile(labels, inbox / "labels" / labels.name)
    scene.tell("predict", "Four weeks in the field: the models predict what the carts met, unlabelled.")
    with scene.measure("pull"):
        files = [file for file in _pull(scene) if not file.is_known]
    predicted = _count_rows(file for file in files if file.kind == "predictions")
    corrected = _count_rows(file for file in files if file.kind == "labels")
    scene.tell("pull", f"{predicted:,} predictions, and {corrected:,} samples that operators labelled on the way.")


def _pull(scene: Scene) -> tuple[PulledFile, ...]:
    summary = pull_files(scene.loop)
    for file in summary.failed:
        raise InputError(file.error)
    return summary.files


def _count_rows(files: Iterable[PulledFile]) -> int:
    return sum(file.rows_kept for file in files)
