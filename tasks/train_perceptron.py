"""The built-in trainer: a multi-layer perceptron on `features`, from scratch or warm from its parent.

Loads numpy and pyarrow at once, scikit-learn when it trains: imported only where a model is trained or run.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from tasks.errors import TrainerError
from tasks.read_trainer_request import PerceptronRequest, PerceptronSettings, read_request
from tasks.read_trainer_rows import iterate_batches, read_features, refuse_rows
from tasks.store_perceptron import (
    Floats,
    Perceptron,
    adapt_outputs,
    compute_outputs,
    compute_probabilities,
    count_outputs,
    load_perceptron,
    save_perceptron,
)

if TYPE_CHECKING:
    from sklearn.neural_network import MLPClassifier, MLPRegressor

_BATCH_ROWS = 200  # scikit-learn's `batch_size="auto"` is min(200, rows)
_PREDICTION_COLUMNS = [("confidence", pa.float64()), ("scores", pa.map_(pa.string(), pa.float64()))]


@dataclass(frozen=True)
class _Rows:
    """Training rows in order of sample_id: features (float32), targets (label codes or numbers), weights."""

    features: Floats
    targets: NDArray[Any]
    weights: Floats


def train(folder: Path) -> None:
    """Do what `folder/request.json` asks: train a model and predict with it, or only predict with the parent.

    Reads train.parquet, predict.parquet and parent/, writes model/ (task `train`) and predictions.parquet.
    The same inputs give the same bytes: rows are sorted by sample_id, and arithmetic runs on one thread.
    Raises TrainerError for a request, rows or a parent that cannot be used.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    request = read_request(folder / "request.json")
    parent = load_perceptron(folder / "parent") if (folder / "parent").is_dir() else None
    if parent is not None and parent.kind != request.kind:
        raise TrainerError(f"parent/ predicts a {parent.kind}, the attribute is a {request.kind}")
    with threadpool_limits(limits=1):
        if request.task == "train":
            network = _train_network(folder / "train.parquet", request, parent)
            save_perceptron(network, folder / "model")
            names = network.labels
        elif parent is not None:
            network, names = parent, _name_outputs(parent, request)
        else:
            raise TrainerError("the task is `predict`, but parent/ with the model to run is missing")
        _write_predictions(network, names, folder)


def fit_perceptron(
    features: Floats, codes: NDArray[Any], label_count: int, settings: PerceptronSettings
) -> Perceptron:
    """Train a classifier from scratch on rows in memory, as `train` does on those of a folder.

    `codes` holds each row's label as a number from 0, and "0", "1" ... are the network's labels. The same rows in
    the same order give the same network. Raises TrainerError where training diverges.
    """
    from threadpoolctl import threadpool_limits

    labels = tuple(str(code) for code in range(label_count))
    request = PerceptronRequest("train", "class", labels, (), settings)
    rows = _Rows(features, codes, np.ones(len(codes), dtype=np.float32))
    random = np.random.RandomState(settings.seed)
    with threadpool_limits(limits=1):
        return _run_epochs(_draw_network(rows, request, random), rows, settings, settings.epochs, random)


def count_updates(rows: int, epochs: int) -> int:
    """Return how many weight updates `epochs` passes over `rows` rows make (batches of at most 200)."""
    return math.ceil(rows / _BATCH_ROWS) * epochs


def epochs_for_updates(rows: int, updates: int) -> int:
    """Return the whole number of epochs, at least 1, that on `rows` rows come nearest to `updates`."""
    batches = max(1, count_updates(rows, 1))
    return max(1, (2 * updates + batches) // (2 * batches))


def _name_outputs(parent: Perceptron, request: PerceptronRequest) -> tuple[str, ...]:
    """Return the present names of the parent's labels: `labels_before`, which follows the parent's order."""
    names = request.labels_before or parent.labels
    if parent.kind == "class" and len(names) != len(parent.labels):
        raise TrainerError(
            f"request.json: labels_before {list(names)} do not fit the parent's {list(parent.labels)}; "
            "give one present name for each, in the parent's order"
        )
    return names


def _train_network(path: Path, request: PerceptronRequest, parent: Perceptron | None) -> Perceptron:
    settings = request.settings
    rows = _read_rows(path, request, parent)
    random = np.random.RandomState(settings.seed)
    start = _draw_network(rows, request, random)
    epochs = settings.epochs
    if parent is not None:
        _check_layers(parent, start)
        start = adapt_outputs(parent, _name_outputs(parent, request), start)
        epochs = settings.warm_epochs
    if settings.epochs_to_run is not None:
        epochs = settings.epochs_to_run
    return _run_epochs(start, rows, settings, epochs, random)


def _check_layers(parent: Perceptron, start: Perceptron) -> None:
    if parent.layer_sizes[:-1] != start.layer_sizes[:-1]:
        raise TrainerError(
            f"the parent's inputs and hidden layers are {list(parent.layer_sizes[:-1])}, the settings and "
            f"features ask for {list(start.layer_sizes[:-1])}: a network is retrained unchanged, so set "
            "`hidden` and `features` as they were, or train from scratch without a parent"
        )


def _draw_network(rows: _Rows, request: PerceptronRequest, random: np.random.RandomState) -> Perceptron:
    """Draw weights as scikit-learn does: uniform to sqrt(6 / (inputs + outputs)), Glorot & Bengio 2010."""
    outputs = count_outputs(request.kind, request.labels)
    sizes = [rows.features.shape[1], *request.settings.hidden, outputs]
    coefficients, intercepts = [], []
    for inputs, units in pairwise(sizes):
        bound = math.sqrt(6 / (inputs + units))
        coefficients.append(random.uniform(-bound, bound, (inputs, units)).astype(np.float32))
        intercepts.append(random.uniform(-bound, bound, units).astype(np.float32))
    network = Perceptron(request.kind, request.labels, tuple(coefficients), tuple(intercepts))
    return network if request.kind == "class" else _standardise(network, rows)


def _standardise(network: Perceptron, rows: _Rows) -> Perceptron:
    """Let the network learn numbers in units of their spread, so that their unit makes no difference."""
    shift = float(np.average(rows.targets, weights=rows.weights))
    spread = math.sqrt(np.average((rows.targets - shift) ** 2, weights=rows.weights))
    return replace(network, target_shift=shift, target_scale=spread or 1.0)


def _run_epochs(
    start: Perceptron, rows: _Rows, settings: PerceptronSettings, epochs: int, random: np.random.RandomState
) -> Perceptron:
    """Train from `start` with a fresh optimiser; the random stream goes on from epoch to epoch."""
    model = _allocate_model(start, settings)
    # An int here would shuffle every epoch alike.
    model.set_params(random_state=random)
    targets = rows.targets
    if start.kind == "number":
        targets = ((targets - start.target_shift) / start.target_scale).astype(np.float32)
    try:
        # A training that diverges ends in the error below; it need not warn as well.
        with np.errstate(over="ignore", invalid="ignore"):
            for _ in range(epochs):
                model.partial_fit(rows.features, targets, sample_weight=rows.weights)
    except ValueError as error:
        raise TrainerError(
            f"training failed ({error}); bring the features to a similar scale, or lower `learning_rate`"
        ) from error
    return replace(start, coefficients=tuple(model.coefs_), intercepts=tuple(model.intercepts_))


def _allocate_model(start: Perceptron, settings: PerceptronSettings) -> "MLPClassifier | MLPRegressor":
    """Return a scikit-learn network that holds the weights of `start` and has made no step yet."""
    from sklearn.neural_network import MLPClassifier, MLPRegressor

    make = MLPClassifier if start.kind == "class" else MLPRegressor
    model = make(
        hidden_layer_sizes=start.layer_sizes[1:-1],
        alpha=settings.l2_penalty,
        learning_rate_init=settings.learning_rate,
        tol=0.0,
        n_iter_no_change=np.inf,
        random_state=0,
    )
    # Only a first fit allocates: one empty row, whose weights and optimiser state are thrown away.
    row = np.zeros((1, start.layer_sizes[0]), dtype=np.float32)
    if start.kind == "class":
        model.partial_fit(row, [0], classes=np.arange(len(start.labels)))
    else:
        model.partial_fit(row, np.zeros(1, dtype=np.float32))
    del model._optimizer
    model.coefs_ = [layer.copy() for layer in start.coefficients]
    model.intercepts_ = [layer.copy() for layer in start.intercepts]
    return model


def _read_rows(path: Path, request: PerceptronRequest, parent: Perceptron | None) -> _Rows:
    """Read train.parquet, in order of sample_id whatever the file's order; rows of weight 0 are left out."""
    width = parent.layer_sizes[0] if parent else None
    matrices, kept = [], []
    for batch in iterate_batches(path, ["sample_id", "features", "label", "weight"]):
        matrix = read_features(batch, width, path.name)
        width = matrix.shape[1]
        matrices.append(matrix)
        kept.append(batch.select(["sample_id", "label", "weight"]))
    if not kept:
        raise TrainerError(f"{path.name} has no rows; there is nothing to train on")
    table = pa.Table.from_batches(kept)
    order = pc.sort_indices(table, sort_keys=[("sample_id", "ascending")]).to_numpy()
    weights = _read_weights(table)
    order = order[weights[order] > 0]
    if not len(order):
        raise TrainerError(f"{path.name}: every row has weight 0; there is nothing to train on")
    targets = _read_targets(table, request)
    return _Rows(np.concatenate(matrices)[order], targets[order], weights[order])


def _read_weights(table: pa.Table) -> Floats:
    weights = np.asarray(pc.cast(table["weight"], pa.float64()).fill_null(math.nan).to_numpy(), dtype=np.float32)
    refuse_rows(table["sample_id"], ~(np.isfinite(weights) & (weights >= 0)), "train.parquet: weight is bad")
    return weights


def _read_targets(table: pa.Table, request: PerceptronRequest) -> NDArray[Any]:
    """Return a label's place in the request's labels, or the number, a row."""
    labels = table["label"].combine_chunks()
    if request.kind == "class":
        codes = pc.index_in(labels.cast(pa.string()), value_set=pa.array(request.labels, pa.string()))
        refuse_rows(
            table["sample_id"],
            codes.is_null().to_numpy(zero_copy_only=False),
            "train.parquet: label is none of the attribute's",
        )
        return np.asarray(codes.to_numpy())
    try:
        numbers = np.asarray(labels.cast(pa.float64()).fill_null(math.nan).to_numpy())
    except pa.ArrowInvalid as error:
        raise TrainerError(f"train.parquet: a label is no number ({error})") from error
    refuse_rows(table["sample_id"], ~np.isfinite(numbers), "train.parquet: label is no finite number")
    return numbers


def _write_predictions(network: Perceptron, names: tuple[str, ...], folder: Path) -> None:
    predicted = ("predicted", pa.string() if network.kind == "class" else pa.float64())
    schema = pa.schema([("sample_id", pa.string()), predicted, *_PREDICTION_COLUMNS])
    with pq.ParquetWriter(folder / "predictions.parquet", schema) as writer:
        for batch in iterate_batches(folder / "predict.parquet", ["sample_id", "features"]):
            features = read_features(batch, network.layer_sizes[0], "predict.parquet")
            columns = _predict_rows(network, names, features)
            writer.write_batch(pa.record_batch([batch.column("sample_id").cast(pa.string()), *columns], schema))


def _predict_rows(network: Perceptron, names: tuple[str, ...], features: Floats) -> list[pa.Array]:
    """Return the columns predicted, confidence and scores; scores of labels that are now one are added up."""
    rows = len(features)
    if network.kind == "number":
        numbers = compute_outputs(network, features)[:, 0] * network.target_scale + network.target_shift
        return [pa.array(numbers), *(pa.nulls(rows, kind) for _, kind in _PREDICTION_COLUMNS)]
    labels = tuple(dict.fromkeys(names))
    is_named = np.array([[name == label for label in labels] for name in names], dtype=np.float64)
    scores = np.minimum(compute_probabilities(network, features) @ is_named, 1.0)
    texts = pa.array(labels, pa.string())
    keys = texts.take(pa.array(np.tile(np.arange(len(labels)), rows)))
    offsets = pa.array(np.arange(rows + 1, dtype=np.int32) * len(labels), pa.int32())
    return [
        texts.take(pa.array(scores.argmax(axis=1))),
        pa.array(scores.max(axis=1)),
        pa.MapArray.from_arrays(offsets, keys, pa.array(scores.ravel())),
    ]
