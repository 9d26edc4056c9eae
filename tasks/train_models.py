"""Run a trainer for one model, in a folder of its own outside the loop, and keep what it wrote."""

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import duckdb
import pyarrow as pa

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.hash_artefact import hash_folder
from tasks.know_models import KnownModel, find_artefact, rename_labels
from tasks.loop import Loop
from tasks.run_trainer import TrainRequest, prepare_folder, read_predictions, run_trainer

_BATCH_ROWS = 20_000


@dataclass(frozen=True)
class TrainedModel:
    """A model and its answers: `predictions` as `read_predictions` returns them."""

    model_version: str
    predictions: pa.Table
    artefact_sha256: str | None = None


@dataclass(frozen=True)
class Training:
    """What to train: the rows of `version`, by these settings, from `parent` where there is one."""

    model_version: str
    version: str
    settings: dict[str, Any]
    seed: int
    parent: KnownModel | None = field(default=None)


def view_vectors(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temp view `chosen_vector` that the rows for a trainer read."""
    connection.execute(read_sql("evaluate/chosen_vector"))


def train_model(
    connection: duckdb.DuckDBPyConnection, loop: Loop, attribute: AttributeSettings, training: Training
) -> TrainedModel:
    """Train a model, move its artefact to `models/NAME`, and return its answers on the hold-out samples.

    Same rows, settings and parent give the same artefact with the built-in trainer. Raises TrainerError.
    """
    parent = find_artefact(loop, training.parent) if training.parent else None
    request = _request("train", attribute, training.parent, parent, training.settings, training.seed)
    # Hold-out rows are few and read whole: a connection streams one result at a time, the training rows.
    held = _read_rows(connection, "evaluate/predict_rows", attribute, None).read_all()
    with _folder() as folder:
        prepared = prepare_folder(
            folder,
            request,
            train=_read_rows(connection, "evaluate/train_rows", attribute, training.version),
            predict=held.to_reader(),
            parent=parent,
            parent_sha256=training.parent.artefact_sha256 if training.parent and parent else None,
        )
        run_trainer(attribute.trainer, folder, search_path=loop.folder)
        predictions = read_predictions(folder, request, expected_count=prepared.predict_count)
        sha = _keep_artefact(folder / "model", loop.folder / "models" / training.model_version)
    return TrainedModel(training.model_version, predictions, sha)


def run_model(
    connection: duckdb.DuckDBPyConnection,
    loop: Loop,
    attribute: AttributeSettings,
    model: KnownModel,
    artefact: Path,
) -> TrainedModel:
    """Return a stored model's answers on the attribute's hold-out samples."""
    rows = _read_rows(connection, "evaluate/predict_rows", attribute, None)
    return TrainedModel(model.model_version, predict_rows(loop, attribute, model, artefact, rows))


def predict_rows(
    loop: Loop, attribute: AttributeSettings, model: KnownModel, artefact: Path, rows: pa.RecordBatchReader
) -> pa.Table:
    """Run a stored model over rows of PREDICT_COLUMNS and return its checked predictions."""
    request = _request("predict", attribute, model, artefact, dict(attribute.trainer_settings), 1)
    with _folder() as folder:
        prepared = prepare_folder(
            folder, request, train=None, predict=rows, parent=artefact, parent_sha256=model.artefact_sha256
        )
        run_trainer(model.trainer or attribute.trainer, folder, search_path=loop.folder)
        return read_predictions(folder, request, expected_count=prepared.predict_count)


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


@contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="turnrow-trainer-") as name:
        yield Path(name) / "run"


def _read_rows(
    connection: duckdb.DuckDBPyConnection, query: str, attribute: AttributeSettings, version: str | None
) -> pa.RecordBatchReader:
    parameters: dict[str, object] = {
        "attribute": attribute.name,
        "feature_space": attribute.feature_space,
        "embedding_space": attribute.embedder,
    }
    if version is not None:
        parameters |= {"version": version, "is_number": attribute.kind == "number"}
    return connection.execute(read_sql(query), parameters).fetch_record_batch(_BATCH_ROWS)


def _keep_artefact(written: Path, target: Path) -> str:
    """Copy beside, then move into place: a killed run leaves no half artefact under a model's name."""
    part = target.with_name(f".{target.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    shutil.copytree(written, part)
    shutil.rmtree(target, ignore_errors=True)
    part.rename(target)
    return hash_folder(target)
