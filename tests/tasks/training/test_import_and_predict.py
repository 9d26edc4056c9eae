"""A model from elsewhere becomes the first incumbent; a stored model answers a file of samples as a log."""

import json
import shutil
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tasks.errors import InputError, TrainerError, UnknownNameError
from tasks.import_model import import_model
from tasks.predict_file import predict_file
from tasks.pull_logs import pull_files

KINDS = ("person", "crate", "foliage")


def train_elsewhere(orchard: Any, field: Any) -> Path:
    """A model's artefact, made in another loop."""
    orchard.pull(field.label([row for kind in KINDS for row in field.sights(kind, 12, "base")]))
    orchard.assemble()
    return Path(orchard.loop.folder / "models" / orchard.retrain().model)


def bring(orchard: Any, path: Path | None, name: str = "m1") -> None:
    import_model(orchard.loop, "obstacle", path, model_version=name, signed_by="A. Picker")


def test_an_imported_artefact_is_the_incumbent_and_can_be_run(make_orchard: Any, field: Any) -> None:
    path = train_elsewhere(make_orchard(name="elsewhere"), field)
    orchard = make_orchard(name="here")
    bring(orchard, path)
    bring(orchard, path)
    assert orchard.ask("select model_version, role, parent_version, artefact_uri from model") == [
        ("m1", "imported", None, "models/m1")
    ]
    assert orchard.ask("select decision, signed_by from sign_off") == [("import", "A. Picker")]
    assert orchard.ask("select * from incumbent") == [("obstacle", "m1")]
    log = orchard.replay("m1", field.sights("crate", 3, "log"))
    assert [row["predicted"] for row in log] == ["crate"] * 3


def test_a_model_without_an_artefact_is_a_name_in_its_logs(any_orchard: Any, field: Any) -> None:
    bring(any_orchard, None)
    assert any_orchard.ask("select model_version, artefact_uri, artefact_sha256 from model") == [
        ("m1", None, None)
    ]
    source = any_orchard.write(field.sights("crate", 1, "log"))
    with pytest.raises(UnknownNameError, match="m1: has no artefact here"):
        predict_file(any_orchard.loop, "m1", source, source.with_name("out.jsonl"))


def test_what_cannot_be_imported_leaves_nothing(make_orchard: Any, field: Any, tmp_path: Path) -> None:
    path = train_elsewhere(make_orchard(name="elsewhere"), field)
    orchard = make_orchard(name="here")
    (tmp_path / "empty").mkdir()
    for given, name, text in (
        (tmp_path / "nothing", "m1", "there is nothing"),
        (tmp_path / "empty", "m1", "no artefact of builtin:mlp"),
        (path, "../m1", "a model's name is a folder's name"),
        (path, "", "a model's name is a folder's name"),
        (path, ".m1", "a model's name is a folder's name"),
    ):
        with pytest.raises((InputError, TrainerError), match=text):
            bring(orchard, given, name)
    assert list((orchard.loop.folder / "models").iterdir()) == []
    assert orchard.number("select count(*) from sign_off") == 0


def test_labels_that_the_attribute_does_not_have_are_refused(make_orchard: Any, field: Any) -> None:
    path = train_elsewhere(make_orchard(name="elsewhere"), field)
    orchard = make_orchard(field.settings.replace('"foliage"]', '"bush"]'), "here")
    with pytest.raises(InputError, match="predicts foliage, no label of obstacle"):
        bring(orchard, path)
    orchard.configure(field.settings.replace('"foliage"]', '"bush"]\nwas = {"foliage" = "bush"}'))
    bring(orchard, path)
    log = orchard.replay("m1", field.sights("foliage", 2, "log"))
    assert [row["predicted"] for row in log] == ["bush", "bush"]


def test_there_is_one_first_incumbent(make_orchard: Any, field: Any) -> None:
    path = train_elsewhere(make_orchard(name="elsewhere"), field)
    orchard = make_orchard(name="here")
    bring(orchard, path)
    with pytest.raises(InputError, match="obstacle has the incumbent m1 already"):
        bring(orchard, path, "m2")
    (path / "more").write_text("x")
    with pytest.raises(InputError, match="imported before, with another artefact"):
        bring(orchard, path)
    with pytest.raises(InputError, match="imported before, with another artefact"):
        bring(orchard, None)
    assert sorted(file.name for file in (orchard.loop.folder / "models").iterdir()) == ["m1"]
    assert orchard.number("select count(*) from model") == 1


def test_importing_is_no_way_around_the_gate(orchard: Any, field: Any, tmp_path: Path) -> None:
    """A candidate that nobody signed off cannot become the incumbent under its own name."""
    path = train_elsewhere(orchard, field)
    copy = shutil.copytree(path, tmp_path / "copy")
    with pytest.raises(InputError, match="a model that Turnrow knows already"):
        bring(orchard, copy, path.name)
    assert orchard.number("select count(*) from incumbent") == 0


# predict


@pytest.fixture
def here(make_orchard: Any, field: Any) -> Any:
    """A loop with a model in service."""
    path = train_elsewhere(make_orchard(name="elsewhere"), field)
    orchard = make_orchard(name="here")
    bring(orchard, path)
    return orchard


def write_as(rows: list[Any], path: Path) -> Path:
    lines = path.with_suffix(".lines")
    lines.write_text("".join(json.dumps(row) + "\n" for row in rows))
    kind = {".parquet": "parquet", ".csv": "csv, header", ".jsonl": "json"}[path.suffix]
    columns = (
        "* replace (cast(to_json(features) as varchar) as features, cast(to_json(context) as varchar) as context)"
    )
    select = columns if path.suffix == ".csv" else "*"
    duckdb.connect().execute(
        f"copy (select {select} from read_json('{lines}', format = 'newline_delimited')) "
        f"to '{path}' (format {kind})"
    )
    return path


@pytest.mark.parametrize("source_suffix", [".parquet", ".csv", ".jsonl"])
@pytest.mark.parametrize("target_suffix", [".parquet", ".csv", ".jsonl"])
def test_the_log_carries_the_samples_and_pulls_back_cleanly(
    here: Any, field: Any, tmp_path: Path, source_suffix: str, target_suffix: str
) -> None:
    rows = field.label(field.sights("crate", 3, "log", unit_id="cart-7", media_uri="a/b.png"))
    here.pull(rows)
    source = write_as(rows, tmp_path / f"in{source_suffix}")
    target = tmp_path / f"out{target_suffix}"

    assert predict_file(here.loop, "m1", source, target) == 3

    (pulled,) = pull_files(here.loop, [target]).files
    assert (pulled.error, pulled.rows_kept, pulled.rows_quarantined) == ("", 3, 0), here.ask(
        "select reason, raw from quarantined_row"
    )
    assert here.ask("select count(*), count(distinct sample_id) from prediction") == [(3, 3)]
    assert here.ask("select distinct model_version, role, predicted from prediction") == [
        ("m1", "replay", "crate")
    ]
    assert here.ask("select count(distinct sample_id) from sample") == [(3,)]
    assert here.ask("select distinct space, len(vector) from sample_vector") == [("features:1", 8)]
    assert here.number("select min(confidence) from prediction") > 0.5
    scores = json.loads(here.number("select min(scores) from prediction"))
    assert set(scores) == {"person", "crate", "foliage"}


def test_labels_and_earlier_predictions_are_dropped(here: Any, field: Any, tmp_path: Path) -> None:
    rows = field.predict(
        field.sights("crate", 2, "log", reference_label="person", reference_origin="person"), model="old"
    )
    source, target = here.write(rows), tmp_path / "out.jsonl"
    predict_file(here.loop, "m1", source, target)
    (first, _) = [json.loads(line) for line in target.read_text().splitlines()]
    assert {"label", "reference_label", "origin"}.isdisjoint(first)
    assert (first["model_version"], first["predicted"], first["role"]) == ("m1", "crate", "replay")
    assert {"recording_id", "object_id", "observed_at", "attribute", "features", "embedding", "context"} <= set(
        first
    )


def test_an_embedding_stays_with_the_model_that_made_it(here: Any, field: Any, tmp_path: Path) -> None:
    """A log's embedding without an embedder is its model's; run through another it must not become that one's."""
    rows = field.predict(field.sights("crate", 2, "log", embedding=[0.5, 1.0]), model="old")
    target = tmp_path / "out.jsonl"
    predict_file(here.loop, "m1", here.write(rows), target)
    pull_files(here.loop, [target])
    assert here.ask("select distinct space from sample_vector order by all") == [("features:1",), ("old",)]


def test_a_sample_twice_is_predicted_once(here: Any, field: Any, tmp_path: Path) -> None:
    rows = field.sights("crate", 2, "log")
    assert predict_file(here.loop, "m1", here.write(rows + rows[:1]), tmp_path / "out.parquet") == 2


def test_other_attributes_are_left_alone_and_none_of_ours_is_an_error(
    here: Any, field: Any, tmp_path: Path
) -> None:
    rows = field.sights("crate", 2, "log")
    rows[0]["attribute"] = "ground"
    assert predict_file(here.loop, "m1", here.write(rows), tmp_path / "out.parquet") == 1
    with pytest.raises(InputError, match="holds no sample of this model's attribute"):
        predict_file(here.loop, "m1", here.write(rows[:1]), tmp_path / "none.parquet")
    assert not (tmp_path / "none.parquet").exists()


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"features": None}, r"1 rows lack .* first row 2"),
        ({"observed_at": "yesterday"}, r"1 rows lack .* first row 2"),
        ({"recording_id": ""}, r"1 rows lack .* first row 2"),
        ({"feature_version": "2"}, "another feature_version than 1"),
    ],
)
def test_rows_that_cannot_be_predicted_are_named(
    here: Any, field: Any, tmp_path: Path, change: Any, text: str
) -> None:
    rows = field.sights("crate", 3, "log")
    rows[1] |= change
    with pytest.raises(InputError, match=text):
        predict_file(here.loop, "m1", here.write(rows), tmp_path / "out.jsonl")
    assert not (tmp_path / "out.jsonl").exists()


def test_features_of_another_length_are_refused_by_the_trainer(here: Any, field: Any, tmp_path: Path) -> None:
    rows = field.sights("crate", 2, "log", features=[1.0, 2.0])
    with pytest.raises(TrainerError, match="features"):
        predict_file(here.loop, "m1", here.write(rows), tmp_path / "out.jsonl")
    assert not (tmp_path / "out.jsonl").exists()


def test_a_damaged_artefact_answers_nothing(here: Any, field: Any, tmp_path: Path) -> None:
    file = next((here.loop.folder / "models" / "m1").iterdir())
    file.write_bytes(file.read_bytes()[:-1])
    with pytest.raises(TrainerError, match="is not the one that was stored"):
        predict_file(here.loop, "m1", here.write(field.sights("crate", 1, "log")), tmp_path / "out.jsonl")
    with pytest.raises(UnknownNameError, match="m9: no such model"):
        predict_file(here.loop, "m9", here.write(field.sights("crate", 1, "log")), tmp_path / "out.jsonl")


def test_a_trainer_that_looks_at_pictures_needs_no_features(make_orchard: Any, field: Any, tmp_path: Path) -> None:
    orchard = make_orchard(field.settings.replace("answers_needed", 'trainer = "eye:look"\nanswers_needed'))
    (orchard.loop.folder / "eye.py").write_text(
        "import pyarrow as pa, pyarrow.parquet as pq\n"
        "def look(folder):\n"
        "    asked = pq.read_table(folder / 'predict.parquet')\n"
        "    said = [uri.split('.')[0] for uri in asked['media_uri'].to_pylist()]\n"
        "    pq.write_table(pa.table({'sample_id': asked['sample_id'], 'predicted': said, "
        "'confidence': [1.0] * len(said)}), folder / 'predictions.parquet')\n"
    )
    (tmp_path / "weights.bin").write_bytes(b"eye")
    bring(orchard, tmp_path / "weights.bin")
    (row,) = field.sights("crate", 1, "log", media_uri="foliage.png")
    target = tmp_path / "out.jsonl"
    predict_file(orchard.loop, "m1", orchard.write([{k: v for k, v in row.items() if k != "features"}]), target)
    assert json.loads(target.read_text())["predicted"] == "foliage"
    (pulled,) = pull_files(orchard.loop, [target]).files
    assert (pulled.error, pulled.rows_kept) == ("", 1)
