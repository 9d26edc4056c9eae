"""The built-in trainer's artefact: plain arrays and a description, never a pickle.

`model.json` describes the network, `weights.npz` holds its arrays. Loads numpy at once: imported only where
a model is trained or run.
"""

import json
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tasks.errors import TrainerError

FORMAT = "turnrow perceptron 1"

Floats: TypeAlias = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Perceptron:
    """A network as arrays: layer i multiplies by `coefficients[i]` (inputs x outputs), adds `intercepts[i]`.

    Hidden layers are rectified. With two labels there is one output, the log odds of the second; with more
    there is one output a label, in the order of `labels`. A number is `output * target_scale + target_shift`.
    """

    kind: str
    labels: tuple[str, ...]
    coefficients: tuple[Floats, ...]
    intercepts: tuple[Floats, ...]
    target_shift: float = 0.0
    target_scale: float = 1.0

    @property
    def layer_sizes(self) -> tuple[int, ...]:
        """Number of inputs, of units of each hidden layer, of outputs."""
        return (self.coefficients[0].shape[0], *(layer.shape[1] for layer in self.coefficients))


def count_outputs(kind: str, labels: tuple[str, ...]) -> int:
    """Return how many outputs a network has: one for a number or two labels, else one a label."""
    return 1 if kind == "number" or len(labels) == 2 else len(labels)


def save_perceptron(network: Perceptron, folder: Path) -> None:
    """Write the artefact into `folder`; equal networks give equal bytes."""
    folder.mkdir(exist_ok=True)
    text = json.dumps(_describe(network), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / "model.json").write_text(text + "\n", encoding="utf-8")
    arrays = {f"coefficients_{i}": layer for i, layer in enumerate(network.coefficients)}
    arrays |= {f"intercepts_{i}": layer for i, layer in enumerate(network.intercepts)}
    np.savez(folder / "weights.npz", allow_pickle=False, **arrays)


def _describe(network: Perceptron) -> dict[str, object]:
    return {
        "format": FORMAT,
        "kind": network.kind,
        "labels": list(network.labels),
        "layer_sizes": list(network.layer_sizes),
        "hidden_activation": "relu",
        "target_shift": network.target_shift,
        "target_scale": network.target_scale,
    }


def load_perceptron(folder: Path) -> Perceptron:
    """Read an artefact and check that its arrays are what its description says.

    Raises TrainerError where a part is missing, cut short, of another trainer, or not finite.
    """
    description = _read_description(folder / "model.json")
    try:
        sizes = [int(size) for size in description["layer_sizes"]]
        coefficients, intercepts = _read_arrays(folder / "weights.npz", sizes)
        network = Perceptron(
            kind=str(description["kind"]),
            labels=tuple(str(label) for label in description["labels"]),
            coefficients=coefficients,
            intercepts=intercepts,
            target_shift=float(description["target_shift"]),
            target_scale=float(description["target_scale"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise _tell_damage(folder / "model.json", f"{type(error).__name__}: {error}") from error
    if network.kind not in ("class", "number") or sizes[-1] != count_outputs(network.kind, network.labels):
        raise _tell_damage(folder / "model.json", "its outputs do not fit its kind and labels")
    return network


def _read_description(path: Path) -> dict[str, Any]:
    if not path.is_file():
        raise TrainerError(
            f"{path.parent.name}/{path.name} is missing: this is no artefact of builtin:mlp; run it with the "
            "trainer that made it, or train from scratch"
        )
    try:
        description = json.loads(path.read_text(encoding="utf-8"))
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise _tell_damage(path, str(error)) from error
    if not isinstance(description, dict) or description.get("format") != FORMAT:
        found = description.get("format") if isinstance(description, dict) else description
        raise _tell_damage(path, f"its format is {found!r:.80}, expected {FORMAT!r}")
    return description


def _read_arrays(path: Path, sizes: list[int]) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    layers = range(len(sizes) - 1)
    try:
        with np.load(path, allow_pickle=False) as stored:
            coefficients = tuple(stored[f"coefficients_{i}"] for i in layers)
            intercepts = tuple(stored[f"intercepts_{i}"] for i in layers)
    except (OSError, EOFError, ValueError, KeyError, AttributeError, TypeError, zipfile.BadZipFile) as error:
        raise _tell_damage(path, f"{type(error).__name__}: {error}") from error
    expected = [(sizes[i], sizes[i + 1]) for i in layers]
    if not expected or [layer.shape for layer in coefficients] != expected:
        raise _tell_damage(path, f"its layers are not of the sizes {sizes} that model.json gives")
    if [layer.shape for layer in intercepts] != [(size,) for size in sizes[1:]]:
        raise _tell_damage(path, f"its intercepts are not of the sizes {sizes[1:]} that model.json gives")
    if not all(layer.dtype.kind == "f" and np.isfinite(layer).all() for layer in (*coefficients, *intercepts)):
        raise _tell_damage(path, "it holds values that are no finite numbers")
    return coefficients, intercepts


def _tell_damage(path: Path, reason: str) -> TrainerError:
    return TrainerError(
        f"{path.parent.name}/{path.name}: the artefact is damaged ({reason}); restore it from a copy, "
        "or train the model again"
    )


def compute_outputs(network: Perceptron, features: Floats) -> Floats:
    """Run the network on rows of features; returns rows x outputs, before the output activation."""
    layer = features
    for coefficients, intercepts in zip(network.coefficients[:-1], network.intercepts[:-1], strict=True):
        layer = np.maximum(layer @ coefficients + intercepts, 0)
    return np.asarray(layer @ network.coefficients[-1] + network.intercepts[-1], dtype=np.float64)


def compute_probabilities(network: Perceptron, features: Floats) -> Floats:
    """Return rows x labels: each label's probability, in the order of the network's labels."""
    from scipy.special import expit, softmax

    outputs = compute_outputs(network, features)
    if len(network.labels) == 2:
        return np.hstack([expit(-outputs), expit(outputs)])
    return np.asarray(softmax(outputs, axis=1))


def adapt_outputs(parent: Perceptron, present_names: tuple[str, ...], fresh: Perceptron) -> Perceptron:
    """Return the parent's network with outputs for `fresh.labels`; new labels get `fresh`'s random columns.

    `present_names` holds, in the order of the parent's labels, what each is called now. Of several that are
    now one, the column that had the present name already is kept, else the first. Columns of labels that
    are gone are dropped. With unchanged labels the network stays the same, bit for bit.
    """
    if parent.kind == "number":
        return parent
    columns, biases = _widen_outputs(fresh)
    old_columns, old_biases = _widen_outputs(parent)
    for place, label in enumerate(fresh.labels):
        sources = [i for i, name in enumerate(present_names) if name == label]
        if sources:
            source = min(sources, key=lambda i: parent.labels[i] != label)
            columns[:, place], biases[place] = old_columns[:, source], old_biases[source]
    if len(fresh.labels) == 2:
        columns, biases = columns[:, 1:] - columns[:, :1], biases[1:] - biases[:1]
    return replace(
        parent,
        labels=fresh.labels,
        coefficients=(*parent.coefficients[:-1], columns),
        intercepts=(*parent.intercepts[:-1], biases),
    )


def _widen_outputs(network: Perceptron) -> tuple[Floats, Floats]:
    """Return the last layer, copied, with one column a label: log odds z are the outputs -z/2 and z/2."""
    columns, biases = network.coefficients[-1], network.intercepts[-1]
    if len(network.labels) == 2:
        return np.hstack([-columns / 2, columns / 2]), np.concatenate([-biases / 2, biases / 2])
    return columns.copy(), biases.copy()
