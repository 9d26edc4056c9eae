"""Run a trainer for one model, in a folder of its own outside the loop, and keep what it wrote.

The folder is prepared while the warehouse is open, and worked on after: training keeps nobody from it.
"""

import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import duckdb
import pyarrow as pa

from schemas.settings import BUILT_IN_TRAINERS, AttributeSettings
from schemas.sql_files import read_sql
from tasks.hash_artefact import hash_folder
from tasks.know_models import KnownModel, find_artefact, rename_labels
from tasks.loop import Loop
from tasks.run_trainer import TrainRequest, prepare_folder, read_predictions, run_trainer
from tasks.work_folder import make_work_folder

_BATCH_ROWS = 20_000


@dataclass(frozen=True)
class TrainedModel:
    """A model and its answers: `predictions` as `read_predictions` returns them."""

    model_version: str
    predictions: pa.Table
    artefact_sha256: str | None = None


@dataclass(frozen=True)
class Training:
    """What to train: the rows of `version`, by these settings, from `parent` where there is one.

    `is_kept`: the artefact goes to `models/`; else it is measured alone.
    """

    model_version: str
    version: str
    settings: dict[str, Any]
    seed: int
    parent: KnownModel | None = field(default=None)
    is_kept: bool = True


@dataclass(frozen=True)
class Job:
    """A prepared folder and who is to work on it; nothing of the warehouse is needed any more."""

    model_version: str
    trainer: str
    request: TrainRequest
    folder: Path
    sample_count: int
    is_kept: bool = True


def view_vectors(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temp view `chosen_vector` that the rows for a trainer read."""
    connection.execute(read_sql("evaluate/chosen_vector"))


def prepare_training(
    connection: duckdb.DuckDBPyConnection,
    loop: Loop,
    attribute: AttributeSettings,
    training: Training,
    folder: Path,
) -> Job:
    """Write the folder that a model is trained in; it will answer the samples of `asked_sample` too.

    Rows that the temp table `leaked_row` names of the version are not in it. Raises TrainerError where the
    parent's artefact is not what was stored.
    """
    parent = find_artefact(loop, training.parent) if training.parent else None
    request = _request("train", attribute, training.parent, parent, training.settings, training.seed)
    # Hold-out rows are few and read whole: a connection streams one result at a time, the training rows.
    held = _read_rows(connection, "evaluate/predict_rows", attribute, None).read_all()
    prepared = prepare_folder(
        folder,
        request,
        train=_read_rows(connection, "evaluate/train_rows", attribute, training.version),
        predict=held.to_reader(),
        parent=parent,
        parent_sha256=training.parent.artefact_sha256 if training.parent and parent else None,
    )
    return Job(
        training.model_version, attribute.trainer, request, folder, prepared.predict_count, training.is_kept
    )


def prepare_answers(
    connection: duckdb.DuckDBPyConnection,
    attribute: AttributeSettings,
    model: KnownModel,
    artefact: Path,
    folder: Path,
) -> Job:
    """Write the folder in which a stored model answers the samples of `asked_sample`."""
    rows = _read_rows(connection, "evaluate/predict_rows", attribute, None)
    return _prepare_run(attribute, model, artefact, rows, folder)


def run_job(loop: Loop, job: Job) -> TrainedModel:
    """Train or run a model; what was trained goes to `models/NAME` if it is kept. Raises TrainerError.

    Same rows, settings and parent give the same artefact with the built-in trainer.
    """
    seconds = loop.settings.attribute[job.request.attribute].trainer_hours * 3600
    run_trainer(job.trainer, job.folder, search_path=loop.folder, seconds=seconds or None)
    predictions = read_predictions(job.folder, job.request, expected_count=job.sample_count)
    sha256 = None
    if job.request.task == "train" and job.is_kept:
        sha256 = _keep_artefact(job.folder / "model", loop.folder / "models" / job.model_version)
    return TrainedModel(job.model_version, predictions, sha256)


def predict_rows(
    loop: Loop, attribute: AttributeSettings, model: KnownModel, artefact: Path, rows: pa.RecordBatchReader
) -> pa.Table:
    """Run a stored model over rows of PREDICT_COLUMNS and return its checked predictions."""
    with make_work_folder() as folder:
        return run_job(loop, _prepare_run(attribute, model, artefact, rows, folder / "run")).predictions


def _prepare_run(
    attribute: AttributeSettings, model: KnownModel, artefact: Path, rows: pa.RecordBatchReader, folder: Path
) -> Job:
    request = _request("predict", attribute, model, artefact, dict(attribute.trainer_settings), 1)
    prepared = prepare_folder(
        folder, request, train=None, predict=rows, parent=artefact, parent_sha256=model.artefact_sha256
    )
    trainer = model.trainer or attribute.trainer
    return Job(model.model_version, trainer, request, folder, prepared.predict_count)


def _request(
    task: Literal["train", "predict"],
    attribute: AttributeSettings,
    parent: KnownModel | None,
    artefact: Path | None,
    settings: dict[str, Any],
    seed: int,
) -> TrainRequest:
    before = parent.labels or attribute.labels if parent and artefact else ()
    return TrainRequest(
        task=task,
        attribute=attribute.name,
        kind=attribute.kind,
        labels=attribute.labels,
        labels_before=rename_labels(before, attribute),
        seed=seed,
        settings=settings,
    )


def _read_rows(
    connection: duckdb.DuckDBPyConnection, query: str, attribute: AttributeSettings, version: str | None
) -> pa.RecordBatchReader:
    parameters: dict[str, object] = {
        "feature_space": attribute.feature_space,
        "embedding_space": attribute.embedder,
    }
    if version is None:
        parameters |= {"needs_features": attribute.trainer in BUILT_IN_TRAINERS}
    else:
        is_number = attribute.kind == "number"
        parameters |= {"attribute": attribute.name, "version": version, "is_number": is_number}
    return connection.execute(read_sql(query), parameters).to_arrow_reader(_BATCH_ROWS)


def _keep_artefact(written: Path, target: Path) -> str:
    """Copy beside, then move into place: a killed run leaves no half artefact under a model's name."""
    part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    part.chmod(0o755)
    shutil.copytree(written, part, dirs_exist_ok=True)
    shutil.rmtree(target, ignore_errors=True)
    part.rename(target)
    return hash_folder(target)
