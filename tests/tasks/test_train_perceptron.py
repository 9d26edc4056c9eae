"""The built-in trainer, on its real folder; the digits are Alpaydin & Kaynak's, bundled with scikit-learn."""

import json
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from sklearn.datasets import load_digits
from sklearn.neural_network import MLPClassifier, MLPRegressor

from tasks.errors import TrainerError
from tasks.hash_artefact import hash_folder
from tasks.store_perceptron import load_perceptron
from tasks.train_perceptron import count_updates, epochs_for_updates, train

OBSTACLES = ("person", "crate", "ladder")


@dataclass(frozen=True)
class Work:
    """One invented training task: features, labels and weights of the rows, and features to predict."""

    features: Any
    labels: list[Any]
    ask: Any
    weights: list[float] = field(default_factory=list)
    kind: str = "class"
    names: tuple[str, ...] = OBSTACLES
    before: tuple[str, ...] = ()
    seed: int = 1
    settings: dict[str, Any] = field(default_factory=dict)
    task: str = "train"
    order: Any = None


def draw_clusters(names: tuple[str, ...], rows: int = 300, seed: int = 0) -> tuple[Any, list[str]]:
    """Points of four features around one corner a label."""
    random = np.random.default_rng(seed)
    codes = random.integers(0, len(names), rows)
    corners = np.array([[2, 0, 0, 0], [0, 2, 0, 0], [0, 0, 2, 0], [0, 0, 0, 2]], dtype=float)
    return corners[codes] + random.normal(0, 0.5, (rows, 4)), [names[code] for code in codes]


def run(folder: Path, work: Work, parent: Path | None = None) -> dict[str, list[Any]]:
    """Lay out the folder, train, and return the predictions as columns."""
    folder.mkdir()
    request = {
        "task": work.task,
        "attribute": "obstacle",
        "kind": work.kind,
        "labels": list(work.names),
        "labels_before": list(work.before),
        "seed": work.seed,
        "settings": work.settings,
    }
    (folder / "request.json").write_text(json.dumps(request), encoding="utf-8")
    if work.task == "train":
        ids = [f"t{row:05}" for row in range(len(work.labels))]
        table = pa.table(
            {
                "sample_id": ids,
                "features": to_lists(work.features),
                "label": work.labels,
                "weight": work.weights or [1.0] * len(ids),
            }
        )
        pq.write_table(table if work.order is None else table.take(work.order), folder / "train.parquet")
    asked = {"sample_id": [f"p{row:05}" for row in range(len(work.ask))], "features": to_lists(work.ask)}
    pq.write_table(pa.table(asked), folder / "predict.parquet")
    if parent is not None:
        (folder / "parent").symlink_to(parent)
    train(folder)
    written: dict[str, list[Any]] = pq.read_table(folder / "predictions.parquet").to_pydict()
    return written


def to_lists(features: Any) -> pa.Array:
    return pa.array([None if row is None else list(row) for row in features], pa.list_(pa.float32()))


def share_right(predicted: list[str], truth: list[str]) -> float:
    return sum(a == b for a, b in zip(predicted, truth, strict=True)) / len(truth)


def test_what_it_learned_is_predicted_with_a_probability_for_each_label(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    ask, truth = draw_clusters(OBSTACLES, 100, seed=9)
    written = run(tmp_path / "work", Work(features, labels, ask))
    assert written["sample_id"] == [f"p{row:05}" for row in range(100)]
    assert share_right(written["predicted"], truth) > 0.95
    for predicted, confidence, scores in zip(
        written["predicted"], written["confidence"], written["scores"], strict=True
    ):
        assert tuple(name for name, _ in scores) == OBSTACLES
        assert sum(value for _, value in scores) == pytest.approx(1)
        assert max(scores, key=lambda pair: pair[1]) == (predicted, confidence)


def test_digits_are_read_as_well_as_by_plain_scikit_learn(tmp_path: Path) -> None:
    """Data: optical recognition of handwritten digits, E. Alpaydin & C. Kaynak, UCI repository, 1998.

    The figures are not published ones: the reference is the library's own fit in this very run.
    """
    digits = load_digits()
    pixels, labels = digits.data / 16, [str(target) for target in digits.target]
    ours, plain = [], []
    for seed in (1, 2, 3):
        work = Work(
            pixels[:1200],
            labels[:1200],
            pixels[1200:],
            names=tuple("0123456789"),
            seed=seed,
            settings={"epochs": 30},
        )
        written = run(tmp_path / str(seed), work)
        ours.append(share_right(written["predicted"], labels[1200:]))
        model = MLPClassifier((64,), alpha=1e-3, max_iter=30, tol=0, n_iter_no_change=99, random_state=seed)
        with pytest.warns(UserWarning, match="Maximum iterations"):
            model.fit(pixels[:1200], labels[:1200])
        plain.append(model.score(pixels[1200:], labels[1200:]))
    assert np.mean(plain) > 0.88
    assert np.mean(ours) == pytest.approx(np.mean(plain), abs=0.015)


@pytest.mark.parametrize("kind", ["class", "number"])
def test_the_first_epoch_is_scikit_learns_own(tmp_path: Path, kind: str) -> None:
    """Same start, same batches, same Adam steps: 300 rows are two batches."""
    features, labels = draw_clusters(OBSTACLES)
    features = features.astype(np.float32)
    numbers = features[:, 0] + features[:, 1]
    numbers = (numbers - numbers.mean()) / numbers.std()
    make = MLPClassifier if kind == "class" else MLPRegressor
    model = make(hidden_layer_sizes=(8,), alpha=1e-3, max_iter=1, random_state=5)
    codes = [OBSTACLES.index(label) for label in labels]
    with pytest.warns(UserWarning, match="Maximum iterations"):
        model.fit(features, codes if kind == "class" else numbers)
    given = labels if kind == "class" else numbers.tolist()
    names = OBSTACLES if kind == "class" else ()
    settings = {"hidden": [8], "epochs": 1}
    run(tmp_path / "work", Work(features, given, features, kind=kind, names=names, seed=5, settings=settings))
    network = load_perceptron(tmp_path / "work" / "model")
    for ours, theirs in zip(network.coefficients, model.coefs_, strict=True):
        assert ours == pytest.approx(theirs, abs=1e-5)


def test_the_same_inputs_give_the_same_bytes_in_whatever_order_the_rows_stand(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    work = Work(features, labels, features, settings={"epochs": 5})
    shuffled = np.random.default_rng(3).permutation(len(labels))
    run(tmp_path / "first", work)
    run(tmp_path / "again", work)
    run(tmp_path / "shuffled", Work(features, labels, features, settings={"epochs": 5}, order=shuffled))
    run(tmp_path / "other", Work(features, labels, features, settings={"epochs": 5}, seed=2))
    first, again, mixed, other = (
        hash_folder(tmp_path / name / "model") for name in ("first", "again", "shuffled", "other")
    )
    assert first == again == mixed
    assert first != other
    with zipfile.ZipFile(tmp_path / "first" / "model" / "weights.npz") as stored:
        assert {entry.date_time for entry in stored.infolist()} == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.parametrize("names", [OBSTACLES, OBSTACLES[:2]])
def test_no_epoch_from_the_parent_is_the_parent(tmp_path: Path, names: tuple[str, ...]) -> None:
    features, labels = draw_clusters(names)
    parent = run(tmp_path / "first", Work(features, labels, features, names=names))
    work = Work(features, labels, features, names=names, before=names, seed=7, settings={"warm_epochs": 0})
    child = run(tmp_path / "warm", work, tmp_path / "first" / "model")
    assert child == parent
    assert hash_folder(tmp_path / "warm" / "model") == hash_folder(tmp_path / "first" / "model")


def test_a_warm_start_has_a_fresh_optimiser(tmp_path: Path) -> None:
    """Adam's first step is the learning rate wherever there is a gradient (Kingma & Ba 2015, algorithm 1)."""
    features, labels = draw_clusters(OBSTACLES, rows=150)
    run(tmp_path / "first", Work(features, labels, features, settings={"epochs": 30}))
    settings = {"warm_epochs": 1, "learning_rate": 0.01}
    work = Work(features, labels, features, before=OBSTACLES, settings=settings)
    run(tmp_path / "warm", work, tmp_path / "first" / "model")
    before, after = (load_perceptron(tmp_path / name / "model") for name in ("first", "warm"))
    step = np.abs(after.intercepts[-1] - before.intercepts[-1])
    assert step == pytest.approx(np.full(3, 0.01), rel=1e-3)


def test_a_run_may_set_its_own_number_of_epochs(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    run(tmp_path / "three", Work(features, labels, features, settings={"epochs": 3}))
    run(tmp_path / "set", Work(features, labels, features, settings={"epochs": 60, "epochs_to_run": 3}))
    assert hash_folder(tmp_path / "three" / "model") == hash_folder(tmp_path / "set" / "model")


def test_scores_survive_another_order_of_the_labels(tmp_path: Path) -> None:
    for names in (OBSTACLES, OBSTACLES[:2]):
        features, labels = draw_clusters(names)
        folder = tmp_path / str(len(names))
        folder.mkdir()
        parent = run(folder / "first", Work(features, labels, features, names=names))
        turned = tuple(reversed(names))
        work = Work(features, labels, features, names=turned, before=names, settings={"warm_epochs": 0})
        child = run(folder / "warm", work, folder / "first" / "model")
        assert child["predicted"] == parent["predicted"]
        for ours, theirs in zip(child["scores"], parent["scores"], strict=True):
            assert dict(ours) == pytest.approx(dict(theirs), abs=1e-6)


@pytest.mark.parametrize("count", [2, 3])
def test_a_new_label_is_learned_and_the_old_ones_keep_their_odds(tmp_path: Path, count: int) -> None:
    old, new = OBSTACLES[:count], (*OBSTACLES[:count], "foliage")
    features, labels = draw_clusters(old)
    parent = run(tmp_path / "first", Work(features, labels, features, names=old))
    still = Work(features, labels, features, names=new, before=old, settings={"warm_epochs": 0})
    widened = run(tmp_path / "still", still, tmp_path / "first" / "model")
    for ours, theirs in zip(widened["scores"], parent["scores"], strict=True):
        odds = np.array([np.log(dict(ours)[name] / dict(ours)[old[0]]) for name in old])
        assert odds == pytest.approx([np.log(dict(theirs)[name] / dict(theirs)[old[0]]) for name in old], abs=1e-3)
    more, more_labels = draw_clusters(new, 800)
    work = Work(more, more_labels, more, names=new, before=old, settings={"warm_epochs": 60})
    assert share_right(run(tmp_path / "warm", work, tmp_path / "first" / "model")["predicted"], more_labels) > 0.9


def test_a_renamed_label_keeps_what_was_learned_of_it(tmp_path: Path) -> None:
    old, new = ("person", "crate", "step_ladder"), OBSTACLES
    features, labels = draw_clusters(old)
    parent = run(tmp_path / "first", Work(features, labels, features, names=old))
    renamed = [label.replace("step_", "") for label in labels]
    work = Work(features, renamed, features, names=new, before=new, settings={"warm_epochs": 0})
    child = run(tmp_path / "warm", work, tmp_path / "first" / "model")
    assert child["predicted"] == [label.replace("step_", "") for label in parent["predicted"]]


def test_merged_labels_are_predicted_as_one_with_their_probabilities_added(tmp_path: Path) -> None:
    old = ("person", "crate", "ladder", "step_ladder")
    features, labels = draw_clusters(old)
    parent = run(tmp_path / "first", Work(features, labels, features, names=old))
    present = ("person", "crate", "ladder", "ladder")
    work = Work([], [], features, names=OBSTACLES, before=present, task="predict")
    merged = run(tmp_path / "predict", work, tmp_path / "first" / "model")
    for ours, theirs in zip(merged["scores"], parent["scores"], strict=True):
        scores = dict(theirs)
        assert dict(ours)["ladder"] == pytest.approx(scores["ladder"] + scores["step_ladder"])
    warm = Work(features, ["person"] * len(labels), features, before=present, settings={"warm_epochs": 0})
    kept = run(tmp_path / "warm", warm, tmp_path / "first" / "model")
    names = dict(zip(old, present, strict=True))
    alike = [place for place, label in enumerate(parent["predicted"]) if label != "step_ladder"]
    assert [kept["predicted"][i] for i in alike] == [names[parent["predicted"][i]] for i in alike]


def test_three_labels_become_two(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    parent = run(tmp_path / "first", Work(features, labels, features))
    two = OBSTACLES[:2]
    work = Work(
        features, [two[0]] * len(labels), features, names=two, before=OBSTACLES, settings={"warm_epochs": 0}
    )
    child = run(tmp_path / "warm", work, tmp_path / "first" / "model")
    for ours, theirs in zip(child["scores"], parent["scores"], strict=True):
        person, crate = dict(theirs)["person"], dict(theirs)["crate"]
        assert dict(ours)["person"] == pytest.approx(person / (person + crate), abs=1e-5)


@pytest.mark.parametrize("names", [OBSTACLES, OBSTACLES[:2]])
def test_a_label_without_training_rows_keeps_its_place(tmp_path: Path, names: tuple[str, ...]) -> None:
    features, labels = draw_clusters(names[1:])
    written = run(tmp_path / "work", Work(features, labels, features, names=names))
    assert share_right(written["predicted"], labels) > 0.95
    assert {name for name, _ in written["scores"][0]} == set(names)


def test_numbers_are_learned_in_any_unit(tmp_path: Path) -> None:
    features, _ = draw_clusters(OBSTACLES, 600)
    truth = 20 + 3 * features[:, 0] - 2 * features[:, 1]
    for unit in (1.0, 1000.0):
        work = Work(features, (truth * unit).tolist(), features, kind="number", names=())
        written = run(tmp_path / f"{unit:g}", work)
        assert written["confidence"] == [None] * 600
        assert written["scores"] == [None] * 600
        error = np.abs(np.array(written["predicted"]) / unit - truth)
        assert error.mean() < 0.5
    warm = Work(features, truth.tolist(), features, kind="number", names=(), settings={"warm_epochs": 0})
    run(tmp_path / "warm", warm, tmp_path / "1" / "model")
    assert hash_folder(tmp_path / "warm" / "model") == hash_folder(tmp_path / "1" / "model")


def test_weights_decide_between_contradicting_rows(tmp_path: Path) -> None:
    features = np.zeros((200, 4))
    labels = ["person", "crate"] * 100
    for favoured in ("person", "crate"):
        weights = [9.0 if label == favoured else 1.0 for label in labels]
        work = Work(features, labels, features[:1], weights, settings={"learning_rate": 0.02})
        written = run(tmp_path / favoured, work)
        assert written["predicted"] == [favoured]
        assert dict(written["scores"][0])[favoured] == pytest.approx(0.9, abs=0.03)


def test_a_row_of_weight_nothing_is_as_good_as_absent(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    weights = [1.0] * 250 + [0.0] * 50
    run(tmp_path / "some", Work(features, labels, features, weights, settings={"epochs": 3}))
    run(tmp_path / "absent", Work(features[:250], labels[:250], features, settings={"epochs": 3}))
    assert hash_folder(tmp_path / "some" / "model") == hash_folder(tmp_path / "absent" / "model")


def test_predict_runs_the_parent_and_writes_predictions_only(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    trained = run(tmp_path / "first", Work(features, labels, features))
    work = Work([], [], features, before=OBSTACLES, task="predict")
    assert run(tmp_path / "predict", work, tmp_path / "first" / "model") == trained
    assert not (tmp_path / "predict" / "model").exists()


def test_a_long_file_is_predicted_as_its_parts_are(tmp_path: Path) -> None:
    """40,000 rows span several read batches."""
    features, labels = draw_clusters(OBSTACLES)
    short = run(tmp_path / "first", Work(features, labels, features))
    repeated = np.tile(features, (134, 1))[:40_000]
    long = run(tmp_path / "long", Work([], [], repeated, task="predict"), tmp_path / "first" / "model")
    assert len(long["predicted"]) == 40_000
    assert long["predicted"] == (short["predicted"] * 134)[:40_000]


def test_nothing_to_predict_gives_an_empty_file(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    written = run(tmp_path / "work", Work(features, labels, [], settings={"epochs": 1}))
    assert written == {"sample_id": [], "predicted": [], "confidence": [], "scores": []}


@pytest.mark.parametrize(
    ("bad", "told"),
    [(None, "missing or are not 4"), ([1.0], "missing or are not 4"), ([1, 2, 3, np.nan], "not all finite")],
)
def test_bad_features_are_named_by_their_samples(tmp_path: Path, bad: Any, told: str) -> None:
    features, labels = draw_clusters(OBSTACLES)
    spoiled = [*list(features[:7]), bad, *list(features[8:])]
    with pytest.raises(TrainerError, match=rf"train\.parquet: features are {told}.*t00007"):
        run(tmp_path / "train", Work(spoiled, labels, features))
    assert not (tmp_path / "train" / "model").exists()
    with pytest.raises(TrainerError, match=rf"predict\.parquet: features are {told}.*p00007"):
        run(tmp_path / "predict", Work(features, labels, spoiled, settings={"epochs": 1}))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            {"labels": ["person", "boulder", None] * 100},
            "label is none of the attribute's in 200 rows .*t00001",
        ),
        ({"weights": [1.0] * 299 + [-1.0]}, "weight is bad in 1 rows .*t00299"),
        ({"weights": [0.0] * 300}, "every row has weight 0"),
        ({"settings": {"hiden": [8]}}, "does not know `hiden`; did you mean `hidden`"),
        ({"settings": {"hidden": []}}, r"hidden = \[\]; expected a list"),
        ({"settings": {"epochs": True}}, "epochs = True; expected a whole number"),
        ({"settings": {"learning_rate": 0}}, "learning_rate = 0; expected a number above 0"),
        ({"names": ("person",)}, "must be at least two"),
        ({"kind": "number"}, "a label is no number"),
        ({"settings": {"learning_rate": 1e38}}, "training failed"),
    ],
)
def test_a_request_that_cannot_be_met_says_why(tmp_path: Path, change: dict[str, Any], told: str) -> None:
    features, labels = draw_clusters(OBSTACLES)
    given: dict[str, Any] = {"features": features, "labels": labels, "ask": features, **change}
    with pytest.raises(TrainerError, match=told):
        run(tmp_path / "work", Work(**given))


def test_a_damaged_artefact_is_refused(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    run(tmp_path / "first", Work(features, labels, features, settings={"epochs": 1}))
    model = tmp_path / "first" / "model"
    arrays = (model / "weights.npz").read_bytes()
    description = json.loads((model / "model.json").read_text(encoding="utf-8"))
    other_sizes = json.dumps(description | {"layer_sizes": [5, 64, 3]})
    harm = {
        "cut": ("weights.npz", arrays[: len(arrays) // 2], r"weights\.npz: the artefact is damaged"),
        "empty": ("weights.npz", b"", r"weights\.npz: the artefact is damaged"),
        "flipped": ("weights.npz", flip_byte(arrays), r"weights\.npz: the artefact is damaged"),
        "sizes": ("model.json", other_sizes.encode(), "not of the sizes"),
        "text": ("model.json", b"{", r"model\.json: the artefact is damaged"),
        "format": ("model.json", b'{"format": "else"}', "its format is 'else'"),
        "key": (
            "model.json",
            json.dumps({"format": description["format"]}).encode(),
            "KeyError: 'layer_sizes'",
        ),
    }
    for name, (file, content, told) in harm.items():
        spoiled = tmp_path / f"model-{name}"
        spoiled.mkdir()
        for path in model.iterdir():
            (spoiled / path.name).write_bytes(content if path.name == file else path.read_bytes())
        with pytest.raises(TrainerError, match=told):
            run(tmp_path / name, Work([], [], features, task="predict"), spoiled)
        assert not (tmp_path / name / "predictions.parquet").exists()


def flip_byte(content: bytes) -> bytes:
    """One changed bit amid an array: the container's checksum notices."""
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :]


def test_a_pickle_in_the_artefact_is_never_opened(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    run(tmp_path / "first", Work(features, labels, features, settings={"epochs": 1}))
    model = tmp_path / "first" / "model"
    with np.load(model / "weights.npz") as stored:
        arrays = dict(stored)
    arrays["coefficients_0"] = np.array([{"not": "numbers"}], dtype=object)
    np.savez(model / "weights.npz", **arrays)
    with pytest.raises(TrainerError, match=r"damaged .*allow_pickle=False"):
        run(tmp_path / "predict", Work([], [], features, task="predict"), model)


def test_another_network_or_trainer_is_no_parent(tmp_path: Path) -> None:
    features, labels = draw_clusters(OBSTACLES)
    run(tmp_path / "first", Work(features, labels, features, settings={"epochs": 1}))
    model = tmp_path / "first" / "model"
    with pytest.raises(TrainerError, match=r"\[4, 64\].*ask for \[4, 32\]"):
        run(tmp_path / "hidden", Work(features, labels, features, settings={"hidden": [32]}), model)
    with pytest.raises(TrainerError, match=r"labels_before .* do not fit"):
        run(tmp_path / "names", Work(features, labels, features, before=("person",)), model)
    with pytest.raises(TrainerError, match="parent/ predicts a class, the attribute is a number"):
        run(tmp_path / "kind", Work(features, [1.0] * 300, features, kind="number", names=()), model)
    (tmp_path / "foreign").mkdir()
    (tmp_path / "foreign" / "net.onnx").write_bytes(b"x")
    with pytest.raises(TrainerError, match=r"model\.json is missing: this is no artefact of builtin:mlp"):
        run(tmp_path / "other", Work(features, labels, features), tmp_path / "foreign")


@pytest.mark.parametrize(("rows", "epochs", "updates"), [(1, 3, 3), (200, 2, 2), (201, 2, 4), (1400, 20, 140)])
def test_updates_are_batches_of_200_times_epochs(rows: int, epochs: int, updates: int) -> None:
    assert count_updates(rows, epochs) == updates


def test_updates_are_what_scikit_learn_makes(tmp_path: Path) -> None:
    """Adam counts its own steps."""
    features, labels = draw_clusters(OBSTACLES, 401)
    model = MLPClassifier((4,), max_iter=2, random_state=0)
    with pytest.warns(UserWarning, match="Maximum iterations"):
        model.fit(features, labels)
    assert model._optimizer.t == count_updates(401, 2) == 6


@pytest.mark.parametrize(
    ("rows", "updates", "epochs"),
    [(1400, 160, 23), (1400, 158, 23), (1400, 157, 22), (1400, 1, 1), (100, 160, 160), (400, 5, 3)],
)
def test_a_control_gets_the_nearest_number_of_epochs(rows: int, updates: int, epochs: int) -> None:
    assert epochs_for_updates(rows, updates) == epochs
