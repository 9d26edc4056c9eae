"""An exported training set, read by the reference library of the format that describes it.

MLCommons Croissant Format Specification 1.0, by the PyPI package mlcroissant: it validates the description and
gives the records, from the exported folder alone and without a network. All data here are invented.
"""

import json
import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import mlcroissant
import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.export_training_set import export_training_set
from tasks.loop import Loop
from tasks.pull_logs import pull_files

_SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate"]
[attribute.distance]
kind = "number"
unit = "m"
tolerance = 0.2
"""


def _make_row(number: int, attribute: str, **more: Any) -> dict[str, Any]:
    return {
        "recording_id": f'row {number} of é-orchard, "north"',
        "object_id": "1",
        "observed_at": f"2026-05-04T06:00:0{number}.250000Z",
        "attribute": attribute,
        "features": [float(number), -0.0, 1 / 3],
        "origin": "person",
        **more,
    }


def _export(loop: Loop, attribute: str, rows: list[dict[str, Any]]) -> Path:
    path = loop.folder / f"{attribute}.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    (pulled,) = pull_files(loop, [path]).files
    assert (pulled.error, pulled.rows_quarantined) == ("", 0)
    folder = loop.folder / "training_sets" / attribute
    export_training_set(loop, str(assemble_training_set(loop, attribute).version), folder)
    return folder


def _read(folder: Path) -> list[dict[str, Any]]:
    dataset = mlcroissant.Dataset(folder / "croissant.json")
    assert not dataset.metadata.issues.errors, dataset.metadata.issues.report()
    assert not dataset.metadata.issues.warnings, dataset.metadata.issues.report()
    return [
        {name.removeprefix("rows/"): _as_text(value) for name, value in record.items()}
        for record in dataset.records("rows")
    ]


def _as_text(value: object) -> object:
    return value.decode() if isinstance(value, bytes) else value


def test_the_reference_library_finds_nothing_wrong_and_reads_every_row(
    make_any_loop: Callable[..., Loop],
) -> None:
    loop = make_any_loop(_SETTINGS)
    context = {"light": "dusk", "tree_row": 3}
    rows = [
        _make_row(0, "obstacle", label="person", unit_id="cart-7", context=context, decided_by="ana"),
        _make_row(1, "obstacle", label="crate", media_uri="frames/1.jpg", decided_at="2026-05-05T06:00:00Z"),
        _make_row(2, "obstacle", label="person"),
    ]
    records = _read(_export(loop, "obstacle", rows))
    by_recording = {record["recording_id"]: record for record in records}
    assert len(records) == len(rows)
    for row in rows:
        record = by_recording[row["recording_id"]]
        for name in ("label", "origin", "attribute", "unit_id", "media_uri", "decided_by"):
            assert record[name] == row.get(name), name
        assert record["features"] == pytest.approx(row["features"], rel=1e-7)
        assert math.copysign(1, record["features"][1]) == -1
        assert record["observed_at"] == datetime.fromisoformat(row["observed_at"])
        assert (json.loads(record["context"]) if record["context"] else None) == row.get("context")
        assert (record["reason"], record["weight"]) == ("base", 1.0)


def test_numbers_are_read_as_numbers(make_file_loop: Callable[..., Loop]) -> None:
    rows = [_make_row(number, "distance", label=number + 0.5) for number in range(3)]
    records = _read(_export(make_file_loop(_SETTINGS), "distance", rows))
    assert sorted((record["label_value"], record["label"]) for record in records) == [
        (0.5, "0.5"),
        (1.5, "1.5"),
        (2.5, "2.5"),
    ]


def test_the_reference_library_would_find_a_file_that_is_not_the_one_described(
    make_file_loop: Callable[..., Loop],
) -> None:
    """Its own sum holds it to the file: the check above can fail."""
    rows = [_make_row(number, "obstacle", label="person") for number in range(3)]
    folder = _export(make_file_loop(_SETTINGS), "obstacle", rows)
    described = json.loads((folder / "croissant.json").read_text(encoding="utf-8"))
    described["recordSet"][0]["field"][0]["source"]["extract"]["column"] = "no such column"
    (folder / "croissant.json").write_text(json.dumps(described), encoding="utf-8")
    with pytest.raises(mlcroissant.GenerationError):
        _read(folder)
    del described["recordSet"][0]["field"][0]["dataType"], described["name"]
    (folder / "croissant.json").write_text(json.dumps(described), encoding="utf-8")
    with pytest.raises(mlcroissant.ValidationError):
        _read(folder)
