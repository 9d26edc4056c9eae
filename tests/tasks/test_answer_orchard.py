"""The demo's simulated annotators: that they err as often as is said, and always in the same way."""

import json
import math
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from tasks.answer_orchard import ANNOTATORS, UNSURE_SHARE, answer_export
from tasks.errors import InputError
from tasks.make_orchard import OrchardFiles, make_orchard

KEY = ["recording_id", "object_id", "observed_at", "attribute"]
LABELS = ["person", "animal", "crate", "ladder", "foliage"]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> OrchardFiles:
    return make_orchard(tmp_path_factory.mktemp("orchard"))


def _write_export(truth: Path, out: Path, rows: int | None = None, labels_as: str = "list") -> pa.Table:
    """Write what `queue export` would hand out for the obstacles of the truth file."""
    table = pq.read_table(truth)
    table = table.filter(pc.equal(table.column("attribute"), "obstacle")).slice(0, rows)
    allowed = [json.dumps(LABELS) if labels_as == "json" else LABELS] * table.num_rows
    kind = pa.string() if labels_as == "json" else pa.list_(pa.string())
    export = (
        table.select(KEY)
        .add_column(0, "fix_id", pa.array([f"fix-{n}" for n in range(table.num_rows)], pa.string()))
        .append_column("allowed_labels", pa.array(allowed, kind))
    )
    pq.write_table(export, out)
    return table


def test_annotators_err_and_are_unsure_at_the_rates_that_are_set(season: OrchardFiles, tmp_path: Path) -> None:
    """Bounds: 4.5 standard errors of a share on about 8,700 answers."""
    asked = _write_export(season.truth, tmp_path / "export.parquet")
    answer_export(tmp_path / "export.parquet", season.truth, tmp_path / "out.parquet", seed=1)
    answers = pq.read_table(tmp_path / "out.parquet")
    assert answers.num_rows == 3 * asked.num_rows
    truth = dict(enumerate(asked.column("truth").to_pylist()))
    for name, accuracy in ANNOTATORS.items():
        own = answers.filter(pc.equal(answers.column("annotator"), name)).to_pylist()
        named = [row for row in own if row["answer"] != "unsure"]
        right = sum(row["answer"] == truth[int(row["fix_id"][4:])] for row in named)
        assert right / len(named) == pytest.approx(accuracy, abs=_bound(accuracy, len(named)))
        unsure = 1 - len(named) / len(own)
        assert unsure == pytest.approx(UNSURE_SHARE, abs=_bound(UNSURE_SHARE, len(own)))
        assert {row["answer"] for row in named} == set(LABELS)


def _bound(share: float, count: int) -> float:
    return 4.5 * math.sqrt(share * (1 - share) / count)


def test_annotators_err_independently_of_one_another(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "export.parquet")
    half = {"dora": 0.5, "emil": 0.5}
    answer_export(tmp_path / "export.parquet", season.truth, tmp_path / "out.parquet", seed=1, annotators=half)
    answers = pq.read_table(tmp_path / "out.parquet")
    first, second = (
        answers.filter(pc.equal(answers.column("annotator"), name)).column("answer").to_pylist() for name in half
    )
    agreed = sum(a == b for a, b in zip(first, second, strict=True)) / len(first)
    # both right, both the same of four wrong labels, or both unsure
    expected = (1 - UNSURE_SHARE) ** 2 * (0.25 + 0.25 / 4) + UNSURE_SHARE**2
    assert agreed == pytest.approx(expected, abs=_bound(expected, len(first)))


def test_an_answer_depends_on_seed_sample_and_annotator_alone(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "all.parquet", rows=500)
    export = pq.read_table(tmp_path / "all.parquet")
    pq.write_table(export.take(list(range(399, 99, -1))), tmp_path / "part.parquet")

    def answer(name: str, seed: int) -> dict[tuple[str, str], dict[str, object]]:
        out = tmp_path / f"{name}-{seed}.parquet"
        answer_export(tmp_path / f"{name}.parquet", season.truth, out, seed=seed)
        return {(row["fix_id"], row["annotator"]): row for row in pq.read_table(out).to_pylist()}

    everything, part = answer("all", 1), answer("part", 1)
    assert len(part) == 900
    assert part == {key: everything[key] for key in part}
    assert answer("all", 2) != everything


def test_answers_have_the_columns_that_an_import_takes(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "export.parquet", rows=50, labels_as="json")
    answer_export(tmp_path / "export.parquet", season.truth, tmp_path / "out" / "a.parquet", seed=1)
    schema = pq.read_schema(tmp_path / "out" / "a.parquet")
    assert dict(zip(schema.names, schema.types, strict=True)) == {
        "fix_id": pa.string(),
        "annotator": pa.string(),
        "answer": pa.string(),
        "answered_at": pa.timestamp("us", tz="UTC"),
        "seconds": pa.float64(),
    }


def test_an_empty_export_gives_an_empty_file_of_answers(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "export.parquet", rows=0)
    answer_export(tmp_path / "export.parquet", season.truth, tmp_path / "out.parquet", seed=1)
    assert pq.read_table(tmp_path / "out.parquet").num_rows == 0


def test_moments_without_an_offset_are_utc(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "export.parquet", rows=50)
    export = pq.read_table(tmp_path / "export.parquet")
    naive = export.column("observed_at").cast(pa.timestamp("us"))
    pq.write_table(export.set_column(3, "observed_at", naive), tmp_path / "naive.parquet")
    for name in ("export", "naive"):
        answer_export(tmp_path / f"{name}.parquet", season.truth, tmp_path / f"{name}-out.parquet", seed=1)
    first, second = (pq.read_table(tmp_path / f"{name}-out.parquet") for name in ("export", "naive"))
    assert first.equals(second)


def test_a_fix_about_an_unknown_sample_is_refused_by_name(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "export.parquet", rows=3)
    export = pq.read_table(tmp_path / "export.parquet")
    names = pa.array(["demo-elsewhere", *export.column("recording_id").to_pylist()[1:]])
    pq.write_table(export.set_column(1, "recording_id", names), tmp_path / "export.parquet")
    with pytest.raises(InputError, match=r"1 fixes ask about samples .* demo-elsewhere object-"):
        answer_export(tmp_path / "export.parquet", season.truth, tmp_path / "out.parquet", seed=1)
    assert not (tmp_path / "out.parquet").exists()


def test_an_export_without_a_needed_column_is_refused_by_name(season: OrchardFiles, tmp_path: Path) -> None:
    _write_export(season.truth, tmp_path / "export.parquet", rows=3)
    export = pq.read_table(tmp_path / "export.parquet").drop_columns(["allowed_labels"])
    pq.write_table(export, tmp_path / "export.parquet")
    with pytest.raises(InputError, match=r"export\.parquet: no column allowed_labels"):
        answer_export(tmp_path / "export.parquet", season.truth, tmp_path / "out.parquet", seed=1)
