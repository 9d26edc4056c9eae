"""What `erase` promises: nothing of a recording is left that a decoding scan could find, and it stays out."""

import gzip
import hashlib
import importlib.util
import json
import os
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.check_setup import check_setup
from tasks.check_tombstones import hash_name, use_key
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.erase_recording import ErasureSummary, erase_recording
from tasks.errors import BusyWarehouseError, UnknownNameError, WarehouseError
from tasks.export_fixes import QueueFilter, export_fixes
from tasks.export_training_set import export_training_set
from tasks.find_mentions import make_mention
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import import_answers
from tasks.keep_answers import hold_annotator
from tasks.list_sums import read_sums
from tasks.locate_warehouse import find_location
from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_settings
from tasks.settle_fixes import settle_fixes
from tasks.verify_training_set import verify_training_set
from tasks.warehouse import open_warehouse

Row = dict[str, Any]
MakeLoop = Callable[..., Loop]
ReadRows = Callable[..., list[tuple[Any, ...]]]

NAME = "planted-run-7731"
TEXT = "a zebra beside the barn"
NUMBERS = tuple(7731.0625 + number / 128 for number in range(64))
SETTINGS = """
[pull]
predictions = ["inbox/predictions/*"]
[attribute.obstacle]
labels = ["person", "crate"]
answers_needed = 1
[attribute.ground]
labels = ["firm", "soft"]
answers_needed = 1
"""
LATER = "inbox/predictions/later.jsonl"


def _load_scanner() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "scan_everything", Path(__file__).with_name("scan_everything.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["scan_everything"] = module
    spec.loader.exec_module(module)
    return module


scanner = _load_scanner()
PLANTED = scanner.Planted((NAME, TEXT), NUMBERS)


def make_row(recording: str, number: int, attribute: str, *, is_labelled: bool = True) -> Row:
    """Return an invented prediction with 64 features; the planted recording's are those that are looked for."""
    is_planted = recording == NAME
    values = list(NUMBERS) if is_planted else [float((number * 37 + place * 11) % 97) for place in range(64)]
    seen = {"reference_label": "person" if attribute == "obstacle" else "soft", "reference_origin": "person"}
    doubt = {"crate": 0.51, "person": 0.49} if attribute == "obstacle" else {"firm": 0.51, "soft": 0.49}
    return {
        "recording_id": recording,
        "object_id": f"track-{number % 2}",
        "observed_at": f"2026-05-01T06:{number:02d}:00Z",
        "attribute": attribute,
        "model_version": "m1",
        "predicted": next(iter(doubt)),
        "confidence": 0.51,
        "scores": doubt,
        "features": values,
        "context": {"remark": TEXT if is_planted else "nothing", "light": "dusk"},
        "media_uri": f"pictures/{recording}/{number}.png",
        **(seen if is_labelled else {}),
    }


def make_rows() -> list[Row]:
    """Return what ten recordings hold of both attributes: five samples of each, two of them without a label."""
    names = [*(f"run-{number}" for number in range(9)), NAME]
    return [
        make_row(name, 5 * place + number, attribute, is_labelled=number < 3)
        for place, name in enumerate(names)
        for number in range(5)
        for attribute in ("obstacle", "ground")
    ]


@dataclass(frozen=True)
class Scene:
    """A loop whose every corner holds something of the planted recording; `versions` by attribute."""

    loop: Loop
    versions: dict[str, str]
    holdout_id: str

    def erase(self, **more: Any) -> ErasureSummary:
        return erase_recording(self.loop, NAME, **more)

    def scan(self) -> set[str]:
        found: set[str] = scanner.scan_everything(self.loop, PLANTED)
        return found


@pytest.fixture(scope="module")
def built_scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """Return a scene on a DuckDB file that tests copy; its key stands in the settings."""
    folder = tmp_path_factory.mktemp("scene")
    (folder / "turnrow.toml").write_text('[erase]\nkey = "the same in every copy"\n' + SETTINGS, encoding="utf-8")
    loop = Loop(folder, read_settings(folder))
    make_loop(loop)
    return make_scene(loop)


def copy_scene(scene: Scene, folder: Path) -> Scene:
    shutil.copytree(scene.loop.folder, folder)
    return replace(scene, loop=replace(scene.loop, folder=folder))


@pytest.fixture
def scene(built_scene: Scene, tmp_path: Path) -> Scene:
    """Return a scene of the test's own, on a DuckDB file."""
    return copy_scene(built_scene, tmp_path / "loop")


def make_scene(loop: Loop) -> Scene:
    """Return everything that a round of the loop leaves, with the planted recording in it."""
    inbox = loop.folder / "inbox" / "predictions"
    rows = make_rows()
    texts: dict[str, list[Any]] = {n: [json.dumps(row[n]) for row in rows] for n in ("scores", "context")}
    columns = {name: texts.get(name) or [row.get(name) for row in rows] for name in rows[0]}
    pq.write_table(pa.table(columns), inbox / "log.parquet", compression="zstd")
    broken = [make_row(NAME, 50, "obstacle") | {"confidence": 9}, make_row("run-1", 51, "obstacle")]
    lines = [json.dumps(row) for row in broken] + [f'{{"recording_id": "{NAME}", "object_id": "tr', "no json"]
    (inbox / f"drive-{NAME}.jsonl.gz").write_bytes(gzip.compress("".join(f"{line}\n" for line in lines).encode()))
    assert not pull_files(loop).failed
    holdout_id = _draw(loop, rows)
    _answer(loop)
    versions = {name: assemble_training_set(loop, name).version for name in ("obstacle", "ground")}
    assert all(versions.values())
    _judge(loop, str(versions["obstacle"]), holdout_id)
    _write_files(loop, str(versions["obstacle"]))
    return Scene(loop, {name: str(version) for name, version in versions.items()}, holdout_id)


def _draw(loop: Loop, rows: list[Row]) -> str:
    """Freeze a hold-out of the ground: of the planted recording and two others."""
    listed = [
        {name: row[name] for name in ("recording_id", "object_id", "observed_at")}
        for row in rows
        if row["attribute"] == "ground" and row["recording_id"] in (NAME, "run-0", "run-1") and len(row) > 11
    ]
    path = loop.folder / "evaluation.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in listed), encoding="utf-8")
    target = HoldoutTarget(loop.settings.attribute["ground"], None)
    return str(draw_holdout(loop, target, listed=path).holdout_id)


def _answer(loop: Loop) -> None:
    """Flag, queue, hand out, answer about half, with notes, and settle."""
    flag_mispredictions(loop)
    queue_doubted(loop)
    export_fixes(loop, loop.folder / "questions.csv", QueueFilter(), is_open=False)
    export_fixes(loop, loop.folder / "questions.parquet", QueueFilter(), is_open=False)
    with open_warehouse(loop, write=False) as warehouse:
        fixes = warehouse.connection.execute(
            "select fix_id, recording_id, attribute from open_fix "
            "inner join known_sample using (sample_id, attribute) order by fix_id"
        ).fetchall()
    own = [fix for fix in fixes if fix[1] == NAME]
    assert len(own) >= 2, "one is left open, others are answered"
    told = [*own[1:], *[fix for fix in fixes if fix[1] != NAME][:4]]
    answers = [
        {
            "fix_id": fix_id,
            "annotator": "ana",
            "answer": "person" if attribute == "obstacle" else "soft",
            "note": TEXT if recording == NAME else f"as in {NAME}, I think",
        }
        for fix_id, recording, attribute in told
    ]
    answers.append(answers[0] | {"annotator": "bob", "answer": "zebra"})  # refused: a foreign label, with the note
    path = loop.folder / "inbox" / "answers" / "ana-20260501T120000Z.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in answers), encoding="utf-8")
    import_answers(loop, path)
    settle_fixes(loop)


def _judge(loop: Loop, version: str, holdout_id: str) -> None:
    """Write what training would: a model on the version, one that started from it, figures and texts."""
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection

        def insert(known_at: object) -> None:
            for model, parent, made_of in (("m1", None, version), ("m2", "m1", None), ("m3", None, None)):
                connection.execute(
                    "insert into model values ($model, 'obstacle', 'candidate', $parent, $version, 'builtin:mlp', "
                    "'{}', 'models/' || $model, null, 1, $known_at)",
                    {"model": model, "parent": parent, "version": made_of, "known_at": known_at},
                )
            connection.execute(
                "insert into holdout_prediction select 'm1', holdout_id, sample_id, 'firm', null, 0.5 "
                "from holdout_member where holdout_id = $holdout",
                {"holdout": holdout_id},
            )
            for name in (f"recording_id={NAME}", "recording_id=run-0"):
                connection.execute(
                    "insert into evaluation values ('m1', $holdout, $slice, 'accuracy', 0.5, 0, 1, 3, $known_at)",
                    {"holdout": holdout_id, "slice": name, "known_at": known_at},
                )
            connection.execute(
                "insert into sign_off values ('m1', 'obstacle', 'refuse', false, 'rosa', $note, $known_at, "
                "'rosa', 'cart-7')",
                {"note": f"worse on {NAME} than elsewhere", "known_at": known_at},
            )
            connection.execute(
                "insert into check_failure select $version, 'suspected_labels', sample_id from sample "
                "where recording_id = $name",
                {"version": version, "name": NAME},
            )

        warehouse.write(insert)


def _write_files(loop: Loop, version: str) -> None:
    """Write an exported set, a report, what a stopped command left, and a text of the user's own."""
    export_training_set(loop, version, loop.folder / "training_sets" / version)
    folder = loop.folder / "training_sets" / "by-hand"
    folder.mkdir(parents=True)
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(
            "select m.sample_id, s.recording_id, m.label, v.vector as features from training_set_member as m "
            "inner join sample as s using (sample_id) inner join sample_vector as v using (sample_id) "
            "where m.version = $version order by all",
            {"version": version},
        ).to_arrow_table()
    pq.write_table(rows, folder / "rows.parquet", compression="zstd")
    digest = hashlib.sha256((folder / "rows.parquet").read_bytes()).hexdigest()
    described = {"distribution": [{"contentUrl": "rows.parquet", "sha256": digest, "contentSize": "1 B"}]}
    (folder / "croissant.json").write_text(json.dumps(described), encoding="utf-8")
    (folder / "datasheet.md").write_text(f"# Rows\n\nrecordings such as {NAME}\n", encoding="utf-8")
    names = ("croissant.json", "datasheet.md", "rows.parquet")
    sums = [f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}\n" for name in names]
    (folder / "SHA256SUMS").write_text("".join(sums), encoding="utf-8")
    reports = loop.folder / "reports"
    (reports / "m1.html").write_text(f"<p>worst of all: {NAME}</p>", encoding="utf-8")
    told = {"worst": [{"recording_id": NAME, "features": list(NUMBERS)}, {"recording_id": "run-0"}]}
    (reports / "m1.json").write_text(json.dumps(told), encoding="utf-8")
    shutil.copy(folder / "rows.parquet", loop.folder / ".questions.parquet.part")


def _is_of_source(place: str) -> bool:
    return "inbox/predictions/" in place


def test_what_was_found_everywhere_is_found_nowhere(make_any_loop: MakeLoop, read_rows: ReadRows) -> None:
    """A decoding scan finds the planted text and numbers in every place before, in the sources only after."""
    scene = make_scene(make_any_loop(SETTINGS))
    loop, location = scene.loop, find_location(scene.loop)
    if location.data_path:
        vectors = next(Path(location.data_path).rglob("sample_vector/*.parquet"))
        shutil.copy(vectors, vectors.with_name("left-by-a-killed-writer.parquet"))
    before = scene.scan()
    assert {
        "table sample.context",
        "table sample_vector.vector",
        "table quarantined_row.raw",
        "table fix_answer.note",
        "table pull_batch.source_uri",
        "table seen_file.path",
        "table evaluation.slice",
        "table holdout_member.group_id",
        "table holdout_reserved.group_id",
        "table training_set_member.group_id",
        "table sign_off.note",
        f"file inbox/predictions/drive-{NAME}.jsonl.gz",
        "file inbox/predictions/log.parquet",
        "file inbox/answers/ana-20260501T120000Z.jsonl",
        "file questions.csv",
        "file questions.parquet",
        "file evaluation.jsonl",
        "file .questions.parquet.part",
        "file reports/m1.html",
        "file reports/m1.json",
        f"file training_sets/{scene.versions['obstacle']}/rows.parquet",
        "file training_sets/by-hand/rows.parquet",
        "file training_sets/by-hand/datasheet.md",
    } <= before
    if location.data_path:
        assert {"snapshot sample.recording_id", "data file of sample_vector"} <= before
        assert any(place.startswith("catalogue ducklake_inlined") for place in before), before
        assert any(place.startswith("catalogue ducklake_table_column_stats") for place in before), before

    summary = scene.erase()
    after = scene.scan()
    assert {place for place in after if not _is_of_source(place)} == set()
    assert after, "the sources still hold it"
    assert (summary.is_new, summary.is_rewritten, summary.problems) == (True, True, ())
    assert {file.path for file in summary.files if file.done == "left"} == {
        "inbox/predictions/log.parquet",
        f"inbox/predictions/drive-{NAME}.jsonl.gz",
    }

    again = scene.erase(with_sources=True)
    assert (again.is_new, again.tables) == (False, ())
    assert scene.scan() == set()
    assert pq.read_table(loop.folder / "inbox/predictions/log.parquet").num_rows == 90
    pulled = pull_files(loop)
    assert [file.is_known for file in pulled.files] == [True, True], "rewritten sources are no news"
    assert read_rows(loop, "select count(*) from sample")[0][0] == 91


def test_what_was_made_of_it_is_named_and_the_rest_verifies(scene: Scene, read_rows: ReadRows) -> None:
    loop = scene.loop
    before = read_rows(loop, "select known_at from training_set order by known_at desc limit 1")[0][0]
    rows = "select sample_id, label, revision_id, weight, reason from training_set_member where sample_id not in "
    rows += "(select sample_id from sample where recording_id = $name) order by all"
    others = read_rows(loop, rows, name=NAME)
    labels = "select sample_id, label from current_label where sample_id not in "
    labels += "(select sample_id from sample where recording_id = $name) order by all"
    standing = read_rows(loop, labels, name=NAME)
    assert verify_training_set(loop, scene.versions["ground"]).is_equal
    summary = scene.erase()

    assert summary.versions == {
        scene.versions["obstacle"]: "4 of its rows were of a recording that was erased since"
    }
    assert [model["model_version"] for model in summary.models] == ["m1", "m2"], "m3 never saw it"
    assert [(h["holdout_id"], h["members_left"]) for h in summary.holdouts] == [(scene.holdout_id, 6)]
    assert read_rows(loop, "select versions, models, holdouts from erasure") == [
        ([scene.versions["obstacle"]], ["m1", "m2"], [scene.holdout_id])
    ]
    assert verify_training_set(loop, scene.versions["ground"]).is_equal
    assert not verify_training_set(loop, scene.versions["obstacle"]).is_equal
    assert [row for row in read_rows(loop, rows, name=NAME) if row[1] is not None] == others
    trimmed = (
        "select group_id, label, fix_id, case_name, case_names, prediction_id, revision_id is not null, reason "
    )
    trimmed += "from training_set_member where label is null"
    assert read_rows(loop, trimmed) == [("", None, None, None, None, None, True, "base")] * 4
    lineage = (
        "select recording_id, label, revision_id is not null, reason from training_set_lineage where label is null"
    )
    assert read_rows(loop, lineage) == [(None, None, True, "base")] * 4
    assert read_rows(loop, labels, name=NAME) == standing
    assert read_rows(loop, "select distinct group_id from holdout_reserved order by all") == [
        ("run-0",),
        ("run-1",),
    ]
    assert read_rows(loop, "select slice from evaluation") == [("recording_id=run-0",)]
    kept = "select count(*) from training_set_member where version = $version and label is not null"
    back = assemble_training_set(loop, "obstacle", as_of=before, is_dry_run=True)
    assert back.row_count == read_rows(loop, kept, version=scene.versions["obstacle"])[0][0]


def test_a_dry_run_tells_what_a_real_one_does_and_writes_nothing(scene: Scene) -> None:
    before = _hash_all(scene.loop.folder)
    told = scene.erase(is_dry_run=True)
    assert _hash_all(scene.loop.folder) == before
    done = scene.erase()
    assert (told.tables, told.versions, told.models, told.holdouts) == (
        done.tables,
        done.versions,
        done.models,
        done.holdouts,
    )
    assert [(file.path, file.done, file.rows) for file in told.files] == [
        (file.path, file.done, file.rows) for file in done.files
    ]
    assert {change.table: (change.deleted, change.changed) for change in told.tables}["sample"] == (10, 0)


def _hash_all(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def put_later(loop: Loop, rows: list[Row], *lines: str) -> Path:
    path = loop.folder / LATER
    path.write_text("".join(f"{line}\n" for line in [*map(json.dumps, rows), *lines]), encoding="utf-8")
    return path


@pytest.fixture
def small_loop(make_any_loop: MakeLoop) -> Loop:
    """Return a loop of two recordings with three samples each, on a file and on a lake."""
    return put_small(make_any_loop(SETTINGS))


def put_small(loop: Loop) -> Loop:
    rows = [make_row(name, number, "obstacle") for name in (NAME, "run-1") for number in range(3)]
    assert not pull_files(loop, [put_later(loop, rows)]).failed
    return loop


def test_later_rows_of_it_are_refused_without_their_content(small_loop: Loop, read_rows: ReadRows) -> None:
    """Also rows that are broken, lie in a track that was never seen, or cannot be read as rows at all."""
    erase_recording(small_loop, NAME)
    rows = [
        make_row(NAME, 0, "obstacle"),
        make_row(NAME, 40, "obstacle") | {"object_id": "new", "confidence": 9},
        make_row("run-1", 41, "obstacle"),
        make_row("run-1", 42, "obstacle") | {"confidence": 9},
    ]
    put_later(small_loop, rows, f'{{"recording_id": "{NAME}", "object_id": "tr', "no json")
    (file,) = pull_files(small_loop).files
    assert (file.rows_read, file.rows_kept, file.rows_quarantined) == (6, 1, 5)
    refused = read_rows(small_loop, "select row_number, reason, raw from quarantined_row order by row_number")
    assert [(number, reason, raw) for number, reason, raw in refused if reason == "erased"] == [
        (1, "erased", ""),
        (2, "erased", ""),
        (5, "erased", ""),
    ]
    assert [(number, bool(raw)) for number, reason, raw in refused if reason != "erased"] == [(4, True), (6, True)]
    (small_loop.folder / LATER).unlink()
    assert scanner.scan_everything(small_loop, PLANTED) == set()


def test_an_object_goes_and_the_rest_of_its_recording_stays(make_file_loop: MakeLoop, read_rows: ReadRows) -> None:
    loop = put_small(make_file_loop(SETTINGS))
    summary = erase_recording(loop, NAME, "track-0", with_sources=True)
    left = "select recording_id, object_id, count(*) from sample group by all order by all"
    expected = [(NAME, "track-1", 1), ("run-1", "track-0", 2), ("run-1", "track-1", 1)]
    assert read_rows(loop, left) == expected
    assert [(file.path, file.done, file.rows) for file in summary.files] == [(LATER, "rewritten", 2)]
    put_later(loop, [make_row(NAME, number, "obstacle") for number in range(6)])
    (file,) = pull_files(loop).files
    assert file.rows_quarantined == 3
    assert read_rows(loop, left)[0] == (NAME, "track-1", 3)
    assert read_rows(loop, "select distinct reason, raw from quarantined_row") == [("erased", "")]
    assert read_rows(loop, "select scope from erasure") == [("object",)]


def test_late_answers_are_refused_as_unknown_and_no_note_is_kept(
    make_file_loop: MakeLoop, read_rows: ReadRows
) -> None:
    loop = make_file_loop(SETTINGS)
    names = (NAME, "run-1")
    pull_files(loop, [put_later(loop, [make_row(name, 1, "obstacle", is_labelled=False) for name in names])])
    flag_mispredictions(loop)
    queue_doubted(loop)
    fixes: dict[str, str] = dict(
        read_rows(loop, "select recording_id, fix_id from open_fix inner join known_sample using (sample_id)")
    )
    erase_recording(loop, NAME)
    answers = [
        {"fix_id": fix_id, "annotator": "ana", "answer": "person", "note": TEXT}
        for fix_id in (fixes[NAME], fixes["run-1"], "0" * 32)
    ]
    path = loop.folder / "answers.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in answers), encoding="utf-8")
    summary = import_answers(loop, path)
    assert (summary.rows_kept, [number for number, _ in summary.refused]) == (1, [1, 3])
    assert all("fix_id is not known here" in reason for _, reason in summary.refused)
    refused = read_rows(loop, "select row_number, raw <> '' from quarantined_row order by row_number")
    assert refused == [(1, False), (3, True)], "an unknown fix that was none of it is kept as it came"


def test_what_killed_commands_left_is_deleted_or_told(make_file_loop: MakeLoop) -> None:
    loop = put_small(make_file_loop(SETTINGS))
    spill = loop.folder / ".spill"
    spill.mkdir()
    for name, days in (("old.tmp", 2), ("new.tmp", 0)):
        (spill / name).write_text(NAME, encoding="utf-8")
        os.utime(spill / name, (time.time() - days * 86_400,) * 2)
    told = erase_recording(loop, NAME).told
    assert [path.name for path in spill.iterdir()] == ["new.tmp"]
    assert any("new.tmp: a spill file" in text for text in told), told


def test_erasing_what_is_unknown_changes_nothing(make_file_loop: MakeLoop) -> None:
    loop = put_small(make_file_loop(SETTINGS))
    before = _hash_all(loop.folder)
    with pytest.raises(UnknownNameError, match="nothing was erased") as caught:
        erase_recording(loop, "planted-run-773")
    assert NAME not in str(caught.value), "other names are not told"
    locks = {".erase.lock": "", ".erase.turn.lock": ""}
    assert {**_hash_all(loop.folder), **locks} == {**before, **locks}


def test_the_key_is_the_folders_own_or_the_settings_and_must_be_the_same_everywhere(
    make_file_loop: MakeLoop,
) -> None:
    loop = put_small(make_file_loop(SETTINGS))
    erase_recording(loop, NAME)
    key = loop.folder / ".erase_key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    kept = key.read_text(encoding="ascii")
    key.unlink()
    put_later(loop, [make_row(NAME, 0, "obstacle")])
    with pytest.raises(WarehouseError, match="has 1 erasure, and this loop has no key"):
        pull_files(loop)
    with pytest.raises(WarehouseError, match="no key"):
        erase_recording(loop, "run-1")
    key.write_text("another key of enough letters\n", encoding="ascii")
    with pytest.raises(WarehouseError, match="made with another key"):
        pull_files(loop)
    key.write_text(kept, encoding="ascii")
    assert pull_files(loop).files[0].rows_quarantined == 1
    assert _count_samples(loop) == 3


def _count_samples(loop: Loop) -> int:
    with open_warehouse(loop, write=False) as warehouse:
        row = warehouse.connection.execute("select count(*) from sample").fetchone()
    assert row is not None
    return int(row[0])


def read_state(loop: Loop) -> dict[str, object]:
    """Return all that an erasure leaves, times and run ids aside: every table, and every file by its content."""
    state: dict[str, object] = {
        name: digest
        for name, digest in _hash_all(loop.folder).items()
        if not name.startswith("warehouse.duckdb") and not name.endswith(".lock") and "lake_data" not in name
    }
    aside = ("known_at", "run_id", "started_at", "ended_at", "modified_ns", "done_until")
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        tables = connection.execute("select table_name from duckdb_tables() where database_name = 'wh'").fetchall()
        for (table,) in tables:
            columns = [str(row[0]) for row in connection.execute(f"describe {table}").fetchall()]
            kept = ", ".join(column for column in columns if column not in aside)
            if kept:
                state[f"table {table}"] = connection.execute(f"select {kept} from {table} order by all").fetchall()
    return state


@pytest.mark.slow
def test_killed_at_any_moment_it_is_finished_by_erasing_again(built_scene: Scene, tmp_path: Path) -> None:
    command = [str(Path(sys.executable).with_name("turnrow")), "erase", NAME, "--sources", "--at"]

    def copy(name: str) -> Loop:
        return copy_scene(built_scene, tmp_path / name).loop

    undisturbed = copy("undisturbed")
    started = time.monotonic()
    subprocess.run([*command, str(undisturbed.folder)], check=True, capture_output=True)
    whole = time.monotonic() - started
    expected = read_state(undisturbed)
    stopped = 0
    draw = random.Random(7)
    for number in range(5):
        loop = copy(f"killed-{number}")
        process = subprocess.Popen(
            [*command, str(loop.folder)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        time.sleep(whole * draw.uniform(0.3, 1.0))
        process.kill()
        stopped += process.wait() == -signal.SIGKILL
        again = subprocess.run([*command, str(loop.folder)], check=False, capture_output=True, text=True)
        assert again.returncode == 0, again.stderr
        assert read_state(loop) == expected
        shutil.rmtree(loop.folder)
    assert stopped >= 3, "the kills came too late to say anything"


@pytest.mark.full
def test_killed_on_a_lake_it_is_finished_by_erasing_again(make_lake_loop: MakeLoop) -> None:
    scene = make_scene(make_lake_loop(SETTINGS))
    command = [str(Path(sys.executable).with_name("turnrow")), "erase", NAME, "--sources", "--at"]
    for share in (1.5, 3, 4, 5, 6, 8):
        process = subprocess.Popen(
            [*command, str(scene.loop.folder)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        time.sleep(share)
        process.kill()
        process.wait()
    again = subprocess.run([*command, str(scene.loop.folder)], check=False, capture_output=True, text=True)
    assert again.returncode == 0, again.stderr
    with open_warehouse(scene.loop, write=False) as warehouse:
        assert warehouse.connection.execute("select count(*) from pending_erasure").fetchone() == (0,)
        assert warehouse.connection.execute("select count(*) from erasure").fetchone() == (1,)
    assert scene.scan() == set()


def test_what_a_file_keeps_it_keeps_as_it_was(make_file_loop: MakeLoop) -> None:
    """Every format comes back: other lines to the byte, Parquet with its schema, metadata and compression."""
    loop = put_small(make_file_loop(SETTINGS))
    (loop.folder / LATER).unlink()
    head = "recording_id;object_id;note\r\n"
    other = 'run-1;o;"two\r\nlines, ""quoted"""\r\n' + "planted-run-77312;o;x\r\n"
    inbox = loop.folder / "inbox" / "predictions"
    own = f"{NAME};o;{TEXT}\r\n"
    (inbox / "a.csv").write_text(head + own + other + own, encoding="utf-8", newline="")
    (inbox / "b.csv.gz").write_bytes(gzip.compress((head + own + other).encode()))
    line = json.dumps({"recording_id": "run-1", "x": [1, 2]}) + "\n"
    with pa.output_stream(str(inbox / "c.jsonl.zst"), compression="zstd") as written:
        written.write((json.dumps({"recording_id": NAME}) + "\n\nno json\n" + line).encode())
    columns = {"recording_id": pa.array(["run-1", NAME]).dictionary_encode(), "n": pa.array([1, 2], pa.int8())}
    table = pa.table(columns).replace_schema_metadata({"made": "by hand"})
    pq.write_table(table, inbox / "d.parquet", compression="snappy")
    summary = erase_recording(loop, NAME, with_sources=True)
    assert not summary.problems
    assert (inbox / "a.csv").read_bytes().decode() == head + other
    assert gzip.decompress((inbox / "b.csv.gz").read_bytes()).decode() == head + other
    assert pa.input_stream(str(inbox / "c.jsonl.zst"), compression="zstd").read() == f"\nno json\n{line}".encode()
    assert pq.read_table(inbox / "d.parquet").equals(table.slice(0, 1), check_metadata=True)
    assert pq.ParquetFile(inbox / "d.parquet").metadata.row_group(0).column(0).compression == "SNAPPY"


@pytest.mark.parametrize("name", ["", "by-hand"])
def test_an_exported_folder_gets_new_sums(scene: Scene, name: str) -> None:
    """One that the warehouse knows is exported again, any other is rewritten."""
    folder = scene.loop.folder / "training_sets" / (name or scene.versions["obstacle"])
    count = pq.read_table(folder / "rows.parquet").num_rows
    assert scene.erase().problems == ()
    assert pq.read_table(folder / "rows.parquet").num_rows == count - 4
    assert "erased" in (folder / "datasheet.md").read_text(encoding="utf-8")
    lines = (folder / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    listed = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    present = {name: digest for name, digest in _hash_all(folder).items() if name != "SHA256SUMS"}
    assert listed == present
    (described,) = json.loads((folder / "croissant.json").read_text())["distribution"]
    assert described["sha256"] == listed["rows.parquet"]
    assert described["contentSize"] == f"{(folder / 'rows.parquet').stat().st_size} B"
    with open_warehouse(scene.loop, write=False) as warehouse:
        noted = warehouse.connection.execute("select folder, files from exported_set").fetchall()
    sums = scene.loop.folder / "training_sets" / scene.versions["obstacle"] / "SHA256SUMS"
    assert [(folder, json.loads(files)) for folder, files in noted] == [
        (f"training_sets/{scene.versions['obstacle']}", read_sums(sums))
    ]
    report = scene.loop.folder / "reports"
    assert json.loads((report / "m1.json").read_text()) == {"worst": [{"recording_id": "run-0"}]}
    assert not (report / "m1.html").exists()


def test_exports_elsewhere_are_rewritten_and_those_moved_away_are_told(scene: Scene, tmp_path: Path) -> None:
    folders = [tmp_path / name for name in ("handed", "moved")]
    for folder in folders:
        export_training_set(scene.loop, scene.versions["obstacle"], folder)
    away = folders[1].rename(tmp_path / "away")
    rows = [
        dict(row) for row in pq.read_table(folders[0] / "rows.parquet").to_pylist() if row["recording_id"] != NAME
    ]
    summary = scene.erase()
    assert pq.read_table(folders[0] / "rows.parquet").to_pylist() == rows
    assert read_sums(folders[0] / "SHA256SUMS").keys() == {"croissant.json", "datasheet.md", "rows.parquet"}
    assert summary.unreachable == (str(folders[1]),)
    assert pq.read_table(away / "rows.parquet").num_rows == len(rows) + 4


def test_an_open_answer_page_is_not_written_under(scene: Scene, read_rows: ReadRows) -> None:
    """Its file is told as a problem, the erasure stays pending, and erasing again finishes it."""
    with hold_annotator(scene.loop.folder / "inbox" / "answers", "ana"):
        summary = scene.erase()
        assert len(summary.problems) == 1
        assert "an answer page is writing to it" in summary.problems[0]
        assert not summary.is_rewritten
    assert read_rows(scene.loop, "select count(*) from pending_erasure") == [(1,)]
    stopped = [finding for finding in check_setup(scene.loop, [], []) if finding.where == "erasures"]
    assert [(finding.level, "was stopped" in finding.what) for finding in stopped] == [("wrong", True)]
    summary = scene.erase()
    assert (summary.problems, summary.is_rewritten) == ((), True)
    assert {place for place in scene.scan() if not _is_of_source(place)} == set()


def test_a_step_that_was_prepared_before_an_erasure_writes_nothing_after_it(make_lake_loop: MakeLoop) -> None:
    """The erasure waits for its old snapshot in vain, says so, and can be finished later."""
    loop = put_small(make_lake_loop(SETTINGS))
    hasty = replace(loop.settings, warehouse=replace(loop.settings.warehouse, wait_seconds=1))
    with open_warehouse(loop, write=True) as warehouse:
        warehouse.connection.execute("create temp table staged as select sample_id from sample")
        with (
            ThreadPoolExecutor(1) as other,
            pytest.raises(BusyWarehouseError, match="Tables and files are cleaned already"),
        ):
            other.submit(erase_recording, replace(loop, settings=hasty), NAME).result()
        with pytest.raises(WarehouseError, match="erased while this step was at work: run it again"):
            warehouse.write(
                lambda _: warehouse.connection.execute("insert into check_failure select 'v', 'c', * from staged")
            )
    with open_warehouse(loop, write=False) as warehouse:
        assert warehouse.connection.execute("select count(*) from check_failure").fetchone() == (0,)


@pytest.mark.parametrize(
    ("name", "text", "cut"),
    [
        ("run-17", "as in run-17, I think", "as in _erased_, I think"),
        ("run-17", "run-170 and xrun-17", "run-170 and xrun-17"),
        ("run-17", "inbox/run-17_b.parquet, run-17.", "inbox/_erased__b.parquet, _erased_."),
        ("crate", "a crate", "a crate"),
        ("crate", '{"where": "crate"}', '{"where": "_erased_"}'),
        ("12", "12 of 12", "12 of 12"),
        ("12", "12", "_erased_"),
        ("früh-7", "fru\u0308h-7 fr\\u00fch-7 fr%C3%BCh-7", "_erased_ _erased_ _erased_"),
        ("a&b-77", "<p>a&amp;b-77</p>", "<p>_erased_</p>"),
    ],
)
def test_a_name_is_cut_out_of_a_text_as_a_whole(name: str, text: str, cut: str) -> None:
    assert make_mention(name, None).cut(text) == cut


def test_an_objects_name_is_cut_only_where_its_recording_is_named() -> None:
    mention = make_mention("run-17", "track-3")
    assert mention.cut("track-3 is far") == "track-3 is far"
    assert mention.cut("track-3 of run-17") == "_erased_ of run-17"


def test_the_hash_in_sql_is_the_published_one(make_file_loop: MakeLoop) -> None:
    """HMAC-SHA-256 as RFC 4231 has it (test cases 1, 2 and 6), in SQL as in Python."""
    cases = [
        (b"\x0b" * 20, "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (
            b"Jefe",
            "what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
        (
            b"\xaa" * 131,
            "Test Using Larger Than Block-Size Key - Hash Key First",
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        ),
    ]
    with open_warehouse(make_file_loop(SETTINGS), write=False) as warehouse:
        for key, text, expected in cases:
            use_key(warehouse.connection, key)
            row = warehouse.connection.execute("select keyed_hash($text)", {"text": text}).fetchone()
            assert row == (expected,)
            row = warehouse.connection.execute("select object_hash('run-1', 'ü')").fetchone()
            assert row == (hash_name(key, "object", "run-1", "ü"),)


@pytest.mark.full
@pytest.mark.parametrize("catalogue", ["lake.ducklake", "lake.sqlite"])
def test_a_lake_whose_catalogue_is_a_file_keeps_nothing_either(make_file_loop: MakeLoop, catalogue: str) -> None:
    head = f'[warehouse]\nlocation = "ducklake:{catalogue}"\n'
    loop = put_small(make_file_loop(head + SETTINGS))
    assert "snapshot sample.recording_id" in scanner.scan_everything(loop, PLANTED)
    assert erase_recording(loop, NAME, with_sources=True).is_rewritten
    assert scanner.scan_everything(loop, PLANTED) == set()


def test_a_version_that_was_kept_away_from_an_erased_sample_cannot_be_rebuilt(
    make_file_loop: MakeLoop, read_rows: ReadRows
) -> None:
    """Its rows are none of the recording's, but what was left out as too near to it would come in today."""
    loop = make_file_loop(SETTINGS)
    rows = [make_row("run-1", number, "obstacle") for number in range(4)]
    near = make_row("run-2", 7, "obstacle") | {"features": [value + 0.001 for value in NUMBERS]}
    held = make_row(NAME, 8, "obstacle")
    assert not pull_files(loop, [put_later(loop, [*rows, near, held])]).failed
    path = loop.folder / "evaluation.jsonl"
    path.write_text(json.dumps({name: held[name] for name in ("recording_id", "object_id", "observed_at")}) + "\n")
    draw_holdout(loop, HoldoutTarget(loop.settings.attribute["obstacle"], None), listed=path)
    version = str(assemble_training_set(loop, "obstacle").version)
    assert verify_training_set(loop, version).is_equal
    summary = erase_recording(loop, NAME)
    assert list(summary.versions) == [version]
    assert "near to hold-out samples" in summary.versions[version]
    assert not verify_training_set(loop, version).is_equal
    assert summary.models == ()
    assert [holdout["members_left"] for holdout in summary.holdouts] == [0]
    assert read_rows(loop, "select count(*) from holdout_reserved") == [(0,)]
