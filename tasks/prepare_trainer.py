"""The folder that a trainer works in: what it is asked, and the rows that it may see."""

import json
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from tasks.errors import TrainerError
from tasks.hash_artefact import hash_folder

if TYPE_CHECKING:
    import pyarrow as pa

PREDICT_COLUMNS = (
    "sample_id",
    "features",
    "media_uri",
    "context",
    "group_id",
    "recording_id",
    "object_id",
    "observed_at",
    "unit_id",
    "embedding",
)
TRAIN_COLUMNS = (*PREDICT_COLUMNS, "label", "weight", "origin", "reason")


@dataclass(frozen=True)
class TrainRequest:
    """What a trainer is asked to do; written to request.json as it stands.

    `labels_before` holds, in the order of the parent's outputs, the present name of each of its labels.
    """

    task: Literal["train", "predict"]
    attribute: str
    kind: Literal["class", "number"]
    labels: tuple[str, ...]
    labels_before: tuple[str, ...] = ()
    seed: int = 1
    settings: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class PreparedFolder:
    """How many rows a trainer was given."""

    train_count: int
    predict_count: int


def prepare_folder(
    folder: Path,
    request: TrainRequest,
    *,
    train: "pa.RecordBatchReader | None",
    predict: "pa.RecordBatchReader",
    parent: Path | None,
    parent_sha256: str | None = None,
) -> PreparedFolder:
    """Write a trainer's folder, batch by batch; `folder` must be empty or not be there yet.

    No hold-out label may reach a trainer: predict.parquet has exactly PREDICT_COLUMNS, and no sample of it
    may be a training row. `parent`, a file or a folder, is copied; with `parent_sha256` the copy must have
    that `hash_folder`. Raises TrainerError for anything else, before a trainer could see it.
    """
    _check_request(request, train is not None, parent is not None)
    if folder.exists() and any(folder.iterdir()):
        raise TrainerError(f"{folder}: the trainer's folder must be empty; give a new temporary folder")
    folder.mkdir(parents=True, exist_ok=True)
    train_count = 0
    if train is not None:
        train_count = _write_rows(folder / "train.parquet", train, TRAIN_COLUMNS)
    predict_count = _write_rows(folder / "predict.parquet", predict, PREDICT_COLUMNS)
    if train is not None:
        _refuse_overlap(folder)
    if parent is not None:
        _copy_parent(parent, folder / "parent", parent_sha256)
    text = json.dumps(asdict(request), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / "request.json").write_text(text + "\n", encoding="utf-8")
    return PreparedFolder(train_count, predict_count)


def _check_request(request: TrainRequest, has_train: bool, has_parent: bool) -> None:
    if request.task == "train" and not has_train:
        raise TrainerError(f"{request.attribute}: the task `train` needs training rows")
    if request.task == "predict" and (has_train or not has_parent):
        raise TrainerError(f"{request.attribute}: the task `predict` takes a model to run and no training rows")


def _write_rows(path: Path, rows: "pa.RecordBatchReader", columns: tuple[str, ...]) -> int:
    """Write the rows with their columns in the given order; returns how many there were."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    _check_columns(path.name, rows.schema.names, columns)
    schema = pa.schema([rows.schema.field(name) for name in columns])
    count = 0
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for batch in rows:
            writer.write_batch(batch.select(list(columns)))
            count += batch.num_rows
    return count


def _check_columns(name: str, given: Iterable[str], expected: tuple[str, ...]) -> None:
    surplus = [column for column in given if column not in expected]
    missing = [column for column in expected if column not in given]
    if surplus:
        raise TrainerError(
            f"{name} must not carry {', '.join(surplus)}: no trainer sees a hold-out label, so its "
            f"columns are exactly {', '.join(expected)}"
        )
    if missing or len(list(given)) != len(expected):
        raise TrainerError(f"{name}: its columns must be {', '.join(expected)}, each once; missing: {missing}")


def _refuse_overlap(folder: Path) -> None:
    from tasks.read_predictions import list_overlap

    samples = list_overlap(folder)
    if samples:
        raise TrainerError(
            f"{len(samples)} samples are to be learned from and predicted at once (sample_id "
            f"{', '.join(samples[:5])}); a label that a model is judged by must not be trained on"
        )


def _copy_parent(parent: Path, target: Path, expected: str | None) -> None:
    """Copy the parent's artefact, then hash the copy: what a trainer opens is what was checked."""
    found = hash_folder(parent)
    if parent.is_dir():
        shutil.copytree(parent, target)
    else:
        target.mkdir()
        shutil.copy2(parent, target / parent.name)
    copied = hash_folder(target / parent.name if parent.is_file() else target)
    if copied != (expected or found):
        raise TrainerError(
            f"{parent}: the artefact's SHA-256 is {copied}, expected {expected or found}: it was changed "
            "since it was stored, and is not opened; restore it from a copy"
        )
