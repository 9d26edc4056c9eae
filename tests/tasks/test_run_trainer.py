"""Trainers of all three kinds, really run; all rows are invented."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tasks.errors import TrainerError
from tasks.hash_artefact import hash_folder
from tasks.prepare_trainer import PREDICT_COLUMNS
from tasks.run_trainer import (
    TrainRequest,
    check_trainer,
    parse_spec,
    prepare_folder,
    read_predictions,
    run_trainer,
)

REQUEST = TrainRequest(
    task="train",
    attribute="obstacle",
    kind="class",
    labels=("person", "crate"),
    seed=4,
    settings={"hidden": [4], "epochs": 30, "learning_rate": 0.02},
)
ANSWER = """
def train(folder):
    import json, pathlib
    import pyarrow as pa
    import pyarrow.parquet as pq

    request = json.loads((folder / "request.json").read_text())
    learned = pq.read_table(folder / "train.parquet").num_rows
    (folder / "model").mkdir()
    (folder / "model" / "net.txt").write_text(f"{request['seed']} {learned}")
    ids = pq.read_table(folder / "predict.parquet")["sample_id"].to_pylist()
    rows = [{"sample_id": i, "predicted": "person", "confidence": 0.75, "scores": None} for i in ids]
    pq.write_table(pa.Table.from_pylist(spoil(rows)), folder / "predictions.parquet")


def spoil(rows):
    return rows
"""


def make_rows(prefix: str, count: int, is_train: bool = True) -> pa.Table:
    """Invented rows with every column: people to one side, crates to the other."""
    sides = [1.0 if row % 2 else -1.0 for row in range(count)]
    columns: dict[str, Any] = {
        "sample_id": [f"{prefix}{row:03}" for row in range(count)],
        "features": [[side, side / 2, row / count] for row, side in enumerate(sides)],
        "media_uri": [f"frames/{row}.png" for row in range(count)],
        "context": ['{"light": "dusk"}'] * count,
        "group_id": [f"g{row // 2}" for row in range(count)],
        "recording_id": [f"rec-{row // 2}" for row in range(count)],
        "object_id": [f"obj-{row}" for row in range(count)],
        "observed_at": pa.array([row * 1_000_000 for row in range(count)], pa.timestamp("us")),
        "unit_id": ["cart-3"] * count,
        "embedding": pa.nulls(count, pa.list_(pa.float32())),
    }
    if is_train:
        columns["label"] = ["person" if side > 0 else "crate" for side in sides]
        columns |= {"weight": [1.0] * count, "origin": ["person"] * count, "reason": ["base"] * count}
    return pa.table(columns)


def prepare(folder: Path, request: TrainRequest = REQUEST, parent: Path | None = None) -> None:
    train = make_rows("t", 60).to_reader(max_chunksize=25) if request.task == "train" else None
    predict = make_rows("p", 10, is_train=False).to_reader(max_chunksize=4)
    prepared = prepare_folder(folder, request, train=train, predict=predict, parent=parent)
    assert (prepared.train_count, prepared.predict_count) == (60 if train else 0, 10)


def read(folder: Path, request: TrainRequest = REQUEST) -> pa.Table:
    return read_predictions(folder, request, expected_count=10)


@pytest.fixture
def loop_folder(tmp_path: Path) -> Path:
    """The folder that modules and commands of the user's own are kept in."""
    folder = tmp_path / "loop"
    folder.mkdir()
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A prepared trainer's folder, outside the loop folder."""
    path = tmp_path / "work"
    prepare(path)
    return path


@pytest.fixture
def secret() -> Iterator[str]:
    """The name of a variable that this process has and no trainer may see."""
    name = "TURNROW_TEST_SECRET"
    os.environ[name] = "orchard-gate-code"
    yield name
    del os.environ[name]


def test_the_folder_holds_what_the_contract_lists(folder: Path) -> None:
    asked = ["sample_id", "features", "media_uri", "context", "group_id", "recording_id", "object_id"]
    asked += ["observed_at", "unit_id", "embedding"]
    told = ["label", "weight", "origin", "reason"]
    assert sorted(pq.read_schema(folder / "train.parquet").names) == sorted(asked + told)
    assert sorted(pq.read_schema(folder / "predict.parquet").names) == sorted(asked)
    assert pq.read_table(folder / "train.parquet")["sample_id"].to_pylist()[:2] == ["t000", "t001"]
    assert json.loads((folder / "request.json").read_text(encoding="utf-8")) == {
        "task": "train",
        "attribute": "obstacle",
        "kind": "class",
        "labels": ["person", "crate"],
        "labels_before": [],
        "seed": 4,
        "settings": {"hidden": [4], "epochs": 30, "learning_rate": 0.02},
    }


def test_the_built_in_trainer_learns_and_predicts(folder: Path, loop_folder: Path, tmp_path: Path) -> None:
    run_trainer("builtin:mlp", folder, search_path=loop_folder)
    table = read(folder)
    assert table["predicted"].to_pylist() == ["crate", "person"] * 5
    assert table["predicted_value"].to_pylist() == [None] * 10
    request = replace(REQUEST, task="predict", labels_before=REQUEST.labels)
    prepare(tmp_path / "predict", request, folder / "model")
    run_trainer("builtin:mlp", tmp_path / "predict", search_path=loop_folder)
    assert read(tmp_path / "predict", request).equals(table)


@pytest.mark.parametrize("name", ["label", "truth", "reference_label", "predicted"])
def test_a_column_about_labels_never_gets_into_predict(tmp_path: Path, name: str) -> None:
    rows = make_rows("p", 4, is_train=False).append_column(name, [["person"] * 4])
    train = make_rows("t", 4).to_reader()
    with pytest.raises(TrainerError, match=rf"predict\.parquet must not carry {name}: no trainer sees"):
        prepare_folder(tmp_path / "work", REQUEST, train=train, predict=rows.to_reader(), parent=None)
    assert not (tmp_path / "work" / "predict.parquet").exists()


def test_a_sample_is_not_learned_from_and_predicted_at_once(tmp_path: Path) -> None:
    predict = make_rows("t", 3, is_train=False).to_reader()
    with pytest.raises(TrainerError, match=r"3 samples .* at once \(sample_id t000, t001, t002\)"):
        prepare_folder(
            tmp_path / "work", REQUEST, train=make_rows("t", 60).to_reader(), predict=predict, parent=None
        )
    assert not (tmp_path / "work" / "request.json").exists()


def test_a_missing_column_or_a_used_folder_is_refused(tmp_path: Path) -> None:
    rows = make_rows("p", 4, is_train=False)
    train = make_rows("t", 4)
    with pytest.raises(TrainerError, match=r"missing: \['unit_id'\]"):
        prepare_folder(
            tmp_path / "work",
            REQUEST,
            train=train.to_reader(),
            predict=rows.drop_columns("unit_id").to_reader(),
            parent=None,
        )
    with pytest.raises(TrainerError, match="must be empty"):
        prepare_folder(tmp_path / "work", REQUEST, train=train.to_reader(), predict=rows.to_reader(), parent=None)


def test_only_the_parent_that_was_stored_is_opened(tmp_path: Path) -> None:
    parent = tmp_path / "net.onnx"
    parent.write_bytes(b"weights")
    good = hash_folder(parent)
    request = replace(REQUEST, task="predict")
    rows = make_rows("p", 4, is_train=False)
    prepare_folder(
        tmp_path / "good", request, train=None, predict=rows.to_reader(), parent=parent, parent_sha256=good
    )
    assert (tmp_path / "good" / "parent" / "net.onnx").read_bytes() == b"weights"
    parent.write_bytes(b"changed")
    with pytest.raises(TrainerError, match=f"expected {good}: it was changed"):
        prepare_folder(
            tmp_path / "bad", request, train=None, predict=rows.to_reader(), parent=parent, parent_sha256=good
        )
    assert not (tmp_path / "bad" / "request.json").exists()


def test_a_python_function_of_the_loop_folder_is_run(folder: Path, loop_folder: Path) -> None:
    (loop_folder / "mine").mkdir()
    (loop_folder / "mine" / "net.py").write_text(ANSWER, encoding="utf-8")
    check_trainer("mine.net:train", loop_folder)
    run_trainer("mine.net:train", folder, search_path=loop_folder, seconds=60)
    assert read(folder)["predicted"].to_pylist() == ["person"] * 10
    assert (folder / "model" / "net.txt").read_text(encoding="utf-8") == "4 60"
    assert sorted(path.name for path in (loop_folder / "mine").iterdir()) == ["net.py"]


def write_command(loop_folder: Path, body: str) -> str:
    """A command line that runs a script of the loop folder; returns the spec."""
    text = f"import os, pathlib, sys\nfolder = pathlib.Path(sys.argv[-1])\n{body}"
    (loop_folder / "trainer.py").write_text(text, encoding="utf-8")
    return f"'{sys.executable}' trainer.py --deep 'two words'"


def test_a_command_line_is_run_in_its_folder_with_the_folder_last(folder: Path, loop_folder: Path) -> None:
    note = '(folder / "note.txt").write_text(repr([os.getcwd() == str(folder), sys.argv[1:3]]))\n'
    spec = write_command(loop_folder, ANSWER + note + "train(folder)\n")
    check_trainer(spec, loop_folder)
    run_trainer(spec, folder, search_path=loop_folder, seconds=60)
    assert read(folder)["confidence"].to_pylist() == [0.75] * 10
    assert (folder / "note.txt").read_text(encoding="utf-8") == "[True, ['--deep', 'two words']]"


def test_a_crash_is_told_with_the_end_of_what_it_wrote(folder: Path, loop_folder: Path) -> None:
    spec = write_command(loop_folder, "print('x' * 9000)\nraise RuntimeError('no ripe data')\n")
    with pytest.raises(TrainerError, match=r"exit code 1.*RuntimeError: no ripe data") as caught:
        run_trainer(spec, folder, search_path=loop_folder, seconds=60)
    assert len(str(caught.value)) < 3000
    assert "\n" not in str(caught.value)
    killed = write_command(loop_folder, "os.kill(os.getpid(), 9)\n")
    with pytest.raises(TrainerError, match="ended by SIGKILL"):
        run_trainer(killed, folder, search_path=loop_folder, seconds=60)


def test_a_trainer_that_hangs_is_killed_with_its_children(folder: Path, loop_folder: Path, tmp_path: Path) -> None:
    """The child beats into a file outside the folder for as long as it lives."""
    beat = tmp_path / "beat"
    child = f"import time\nwhile True:\n    open({str(beat)!r}, 'a').write('.')\n    time.sleep(0.02)\n"
    body = f"import subprocess, time\nsubprocess.Popen([sys.executable, '-c', {child!r}])\ntime.sleep(600)\n"
    spec = write_command(loop_folder, body)
    started = time.monotonic()
    with pytest.raises(TrainerError, match="was stopped after 2 seconds"):
        run_trainer(spec, folder, search_path=loop_folder, seconds=2)
    assert time.monotonic() - started < 30
    assert is_silent(beat)


def test_a_trainer_does_not_outlive_who_ran_it(folder: Path, loop_folder: Path, tmp_path: Path) -> None:
    """The run is killed so that it can end nothing itself; the trainer has a child."""
    beat = tmp_path / "beat"
    child = f"import time\nwhile True:\n    open({str(beat)!r}, 'a').write('.')\n    time.sleep(0.02)\n"
    spec = write_command(loop_folder, f"import subprocess\nsubprocess.run([sys.executable, '-c', {child!r}])\n")
    run = (
        "import sys; from pathlib import Path; from tasks.run_trainer import run_trainer\n"
        "run_trainer(sys.argv[1], Path(sys.argv[2]), search_path=Path(sys.argv[3]))"
    )
    process = subprocess.Popen([sys.executable, "-c", run, spec, str(folder), str(loop_folder)])
    deadline = time.monotonic() + 30
    while not beat.exists():
        assert time.monotonic() < deadline
        time.sleep(0.02)
    process.kill()
    process.wait()
    while not is_silent(beat):
        assert time.monotonic() < deadline


def test_what_a_finished_trainer_leaves_running_is_ended(folder: Path, loop_folder: Path, tmp_path: Path) -> None:
    beat = tmp_path / "beat"
    child = f"import time\nwhile True:\n    open({str(beat)!r}, 'a').write('.')\n    time.sleep(0.02)\n"
    body = (
        f"import subprocess, time\nsubprocess.Popen([sys.executable, '-c', {child!r}])\n"
        f"while not os.path.exists({str(beat)!r}): time.sleep(0.02)\ntrain(folder)\n"
    )
    run_trainer(write_command(loop_folder, ANSWER + body), folder, search_path=loop_folder, seconds=60)
    assert is_silent(beat)


def is_silent(beat: Path) -> bool:
    size = beat.stat().st_size
    time.sleep(0.3)
    return size > 0 and beat.stat().st_size == size


def test_a_trainer_sees_no_variable_but_the_allowed_ones(folder: Path, loop_folder: Path, secret: str) -> None:
    note = "    (folder / 'model' / 'names.txt').write_text(' '.join(sorted(os.environ)))\n"
    (loop_folder / "nosy.py").write_text(f"import os\n{ANSWER.replace('def spoil', note + 'def spoil')}", "utf-8")
    run_trainer("nosy:train", folder, search_path=loop_folder, seconds=60)
    names = set((folder / "model" / "names.txt").read_text(encoding="utf-8").split())
    assert secret not in names
    limits = {"OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"}
    # LC_CTYPE is what Python itself sets for its children where no locale is given.
    assert names - {"PATH", "HOME", "LANG", "TMPDIR", "PYTHONPATH", "LC_CTYPE"} == limits
    with pytest.raises(TrainerError, match=f"{secret} must not be passed"):
        run_trainer("nosy:train", folder, search_path=loop_folder, environment_names=["PATH", secret])


SPOILED = {
    "forgets": ("return rows[:-2]", r"2 samples were not predicted \(sample_id p008, p009\)"),
    "doubles": ("return rows + rows[:1]", r"1 samples were predicted more than once \(sample_id p000\)"),
    "invents": ("return rows + [rows[0] | {'sample_id': 'zz'}]", r"not asked for \(sample_id zz\)"),
    "foreign": (
        "return [rows[0] | {'predicted': 'boulder'}, *rows[1:]]",
        r"none of \['person', 'crate'\] \(sample_id p000\)",
    ),
    "silent": ("return [rows[0] | {'predicted': None}, *rows[1:]]", r"none of .*\(sample_id p000\)"),
    "sure": ("return [rows[0] | {'confidence': 2.0}, *rows[1:]]", r"not within 0 to 1 \(sample_id p000\)"),
    "nan": (
        "return [rows[0] | {'confidence': float('nan')}, *rows[1:]]",
        r"not within 0 to 1 \(sample_id p000\)",
    ),
    "unsure": ("return [rows[0] | {'confidence': None}, *rows[1:]]", r"not within 0 to 1 \(sample_id p000\)"),
    "columns": (
        "return [{'sample_id': row['sample_id']} for row in rows]",
        "column predicted, confidence is missing",
    ),
    "scores": (
        "return [row | {'scores': {'person': 0.7, 'boulder': 0.3}} for row in rows]",
        "10 samples have scores outside 0 to 1 or of labels not in",
    ),
    "shares": (
        "return [row | {'scores': {'person': 1.5}} for row in rows]",
        "10 samples have scores outside 0 to 1",
    ),
    "text": ("return [row | {'scores': 'high'} for row in rows]", "cannot be used"),
}


@pytest.mark.parametrize("name", SPOILED)
def test_predictions_that_are_not_what_was_asked_for_are_refused(
    folder: Path, loop_folder: Path, name: str
) -> None:
    change, told = SPOILED[name]
    (loop_folder / "spoiler.py").write_text(ANSWER.replace("return rows", change), encoding="utf-8")
    run_trainer("spoiler:train", folder, search_path=loop_folder, seconds=60)
    with pytest.raises(TrainerError, match=told):
        read(folder)


def write_answers(folder: Path, columns: dict[str, Any]) -> None:
    ids = {"sample_id": [f"p{row:03}" for row in reversed(range(10))]}
    pq.write_table(pa.table(ids | columns), folder / "predictions.parquet")


@pytest.mark.parametrize(
    "scores",
    [
        pa.array([{"person": 0.9, "crate": None}] * 10),
        pa.array([[("person", 0.9)]] * 10, pa.map_(pa.string(), pa.float32())),
        pa.array(['{"person": 0.9}'] * 10),
    ],
)
def test_scores_may_come_as_struct_map_or_json(folder: Path, scores: pa.Array) -> None:
    predicted = pa.array(["person"] * 10).dictionary_encode()
    write_answers(folder, {"predicted": predicted, "confidence": [0.9] * 10, "scores": scores})
    table = read(folder)
    assert table["sample_id"].to_pylist() == [f"p{row:03}" for row in range(10)]
    assert [name for row in table["scores"].to_pylist() for name, _ in row] == ["person"] * 10
    assert [value for row in table["scores"].to_pylist() for _, value in row] == pytest.approx([0.9] * 10)


def test_numbers_are_read_as_numbers_and_must_be_finite(folder: Path) -> None:
    request = replace(REQUEST, kind="number", labels=())
    write_answers(folder, {"predicted": [float(row) for row in range(10)]})
    assert read(folder, request)["predicted_value"].to_pylist() == [float(row) for row in reversed(range(10))]
    for bad in (float("inf"), float("nan"), None):
        write_answers(folder, {"predicted": [*map(float, range(9)), bad]})
        with pytest.raises(TrainerError, match=r"1 samples did not get a finite number \(sample_id p000\)"):
            read(folder, request)


def test_a_model_that_is_only_run_may_use_its_labels_of_before(folder: Path) -> None:
    write_answers(folder, {"predicted": ["bin"] * 10, "confidence": [0.5] * 10})
    request = replace(REQUEST, labels_before=("person", "bin"))
    with pytest.raises(TrainerError, match="10 samples got a label that is none of"):
        read(folder, request)
    assert read(folder, replace(request, task="predict"))["predicted"].to_pylist() == ["bin"] * 10


def test_what_was_asked_cannot_be_changed_by_the_trainer(folder: Path) -> None:
    write_answers(folder, {"predicted": ["person"] * 10, "confidence": [0.5] * 10})
    pq.write_table(make_rows("p", 9, is_train=False), folder / "predict.parquet")
    with pytest.raises(TrainerError, match=r"changed predict\.parquet"):
        read(folder)


def test_a_trainer_that_writes_nothing_usable_is_told(folder: Path, loop_folder: Path) -> None:
    with pytest.raises(TrainerError, match="wrote no model/"):
        run_trainer(write_command(loop_folder, ""), folder, search_path=loop_folder, seconds=60)
    model = "(folder / 'model').mkdir()\n(folder / 'model' / 'net').write_bytes(b'1')\n"
    with pytest.raises(TrainerError, match=r"wrote no predictions\.parquet"):
        run_trainer(write_command(loop_folder, model), folder, search_path=loop_folder, seconds=60)
    (folder / "predictions.parquet").write_bytes(b"no parquet")
    with pytest.raises(TrainerError, match=r"predictions\.parquet cannot be read as Parquet"):
        read(folder)


def test_nothing_runs_inside_the_loop_folder(loop_folder: Path) -> None:
    prepare(loop_folder / "work")
    spec = write_command(loop_folder, ANSWER + "train(folder)\n")
    with pytest.raises(TrainerError, match="must not run inside the loop folder"):
        run_trainer(spec, loop_folder / "work", search_path=loop_folder)
    assert not (loop_folder / "work" / "model").exists()


@pytest.mark.parametrize(
    ("spec", "kind"),
    [
        ("builtin:mlp", "builtin"),
        ("nets.small:train", "function"),
        ("net:train", "function"),
        ("python net.py --epochs 3", "command"),
        ("./net.sh", "command"),
    ],
)
def test_a_spec_is_one_of_three_kinds(spec: str, kind: str) -> None:
    assert parse_spec(spec) == kind


@pytest.mark.parametrize(
    ("spec", "told"),
    [
        ("builtin:forest", "no such built-in trainer; use 'builtin:mlp'"),
        ("", "trainer is empty"),
        ("net 'half", "no command line"),
        ("absent.net:train", "there is no module 'absent'"),
        ("mine.absent:train", r"there is no module 'mine\.absent'"),
        ("mine.net:fit", "has no function 'fit'"),
        ("no-such-command-here --fast", "neither on PATH nor an executable file"),
    ],
)
def test_check_trainer_says_what_cannot_be_found(loop_folder: Path, spec: str, told: str) -> None:
    (loop_folder / "mine").mkdir()
    (loop_folder / "mine" / "__init__.py").write_text("raise SystemExit('imported')\n", encoding="utf-8")
    (loop_folder / "mine" / "net.py").write_text(ANSWER, encoding="utf-8")
    with pytest.raises(TrainerError, match=told):
        check_trainer(spec, loop_folder)
    check_trainer("mine.net:train", loop_folder)
    check_trainer("builtin:mlp", loop_folder)


def test_predict_columns_carry_nothing_about_labels() -> None:
    about = {"label", "weight", "origin", "reason", "truth", "predicted", "current_label"}
    assert about.isdisjoint(PREDICT_COLUMNS)
