"""An erasure and folders that sets were exported to: none is missed, and nobody else's work is lost by it."""

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from tasks.erase_recording import ErasureSummary, erase_recording
from tasks.errors import InputError
from tasks.export_training_set import export_training_set
from tasks.list_sums import SUMS, read_sums

KINDS = ("person", "crate", "foliage")
GONE = "base-person-000"
EXPORT_UNTIL_STOPPED = """
import os, signal, sys, threading, time
from datetime import UTC, datetime
from pathlib import Path
from tasks.export_training_set import export_training_set
from tasks.loop import Loop
from tasks.read_settings import read_settings

folder, version, target = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])

def stop():
    while not list(target.parent.glob(f".{target.name}.*.part/rows.parquet")):
        time.sleep(0.001)
    os.kill(os.getpid(), signal.SIGKILL)

threading.Thread(target=stop, daemon=True).start()
while True:
    export_training_set(Loop(folder, read_settings(folder)), version, target)
    __import__("shutil").rmtree(target)
"""


def fill(orchard: Any, field: Any, count: int = 4) -> str:
    rows = [row for kind in KINDS for row in field.sights(kind, count, "base")]
    orchard.pull(field.label(rows))
    return str(orchard.assemble().version)


def erase(orchard: Any, name: str = GONE) -> ErasureSummary:
    return erase_recording(orchard.loop, name)


def list_recordings(folder: Path) -> set[str]:
    return set(pq.read_table(folder / "rows.parquet").column("recording_id").to_pylist())


def test_a_folder_that_another_loop_filled_since_keeps_its_set(
    make_orchard: Any, field: Any, tmp_path: Path
) -> None:
    """Only rows of the recording go out of it: it may have been copied from here."""
    first, second = make_orchard(name="first"), make_orchard(name="second")
    version, other = fill(first, field), fill(second, field, count=6)
    export_training_set(first.loop, version, tmp_path / "out")
    shutil.rmtree(tmp_path / "out")
    export_training_set(second.loop, other, tmp_path / "out")
    done = erase(first)
    assert any("no longer what was exported" in problem for problem in done.told)
    assert len(list_recordings(tmp_path / "out")) == 17
    assert f"training set {other}" in (tmp_path / "out" / "datasheet.md").read_text()
    subprocess.run(["sha256sum", "-c", SUMS], cwd=tmp_path / "out", check=True, capture_output=True)


def test_what_people_wrote_into_a_datasheet_stays_and_they_are_told_to_look(orchard: Any, field: Any) -> None:
    folder = orchard.loop.folder / "out"
    export_training_set(orchard.loop, fill(orchard, field), folder)
    sheet = folder / "datasheet.md"
    sheet.write_text(sheet.read_text().replace("- **OPEN** What is rare", "- Nothing is rare. What is rare"))
    done = erase(orchard)
    assert "Nothing is rare" in sheet.read_text()
    assert any("datasheet.md: people have written into it, so it stays" in problem for problem in done.told)
    assert GONE not in list_recordings(folder)
    subprocess.run(["sha256sum", "-c", SUMS], cwd=folder, check=True, capture_output=True)


def test_descriptions_of_a_set_that_has_no_row_left_go(orchard: Any, field: Any) -> None:
    """They told of machines, times and contexts of rows that are erased."""
    rows = [field.sight(kind, GONE, str(n), unit_id="cart-99") for n, kind in enumerate(KINDS)]
    orchard.pull([row | {"label": kind, "origin": "person"} for row, kind in zip(rows, KINDS, strict=True)])
    folder = orchard.loop.folder / "out"
    export_training_set(orchard.loop, str(orchard.assemble().version), folder, failed_too=True)
    done = erase(orchard)
    assert sorted(path.name for path in folder.iterdir()) == [SUMS, "rows.parquet"]
    assert list_recordings(folder) == set()
    assert list(read_sums(folder / SUMS)) == ["rows.parquet"]
    assert any("cannot be exported any more" in problem for problem in done.told)


def test_what_a_killed_export_left_outside_the_loop_is_found(orchard: Any, field: Any, tmp_path: Path) -> None:
    """kill -9 once the rows lie there: the folder was noted before the first byte."""
    version = fill(orchard, field)
    (tmp_path / "away").mkdir()
    target = tmp_path / "away" / "out"
    command = [sys.executable, "-c", EXPORT_UNTIL_STOPPED, str(orchard.loop.folder), version, str(target)]
    ended = subprocess.run(command, check=False, env=os.environ | {"PYTHONPATH": str(Path.cwd())})
    assert ended.returncode == -signal.SIGKILL
    (left,) = target.parent.glob(".out.*.part")
    erase(orchard)
    assert not left.exists()
    export_training_set(orchard.loop, version, target)
    assert GONE not in list_recordings(target)


def test_a_hidden_folder_of_anybodys_beside_the_target_is_left_alone(orchard: Any, field: Any) -> None:
    version = fill(orchard, field)
    for name in (".out.part", ".out.renewed"):
        (orchard.loop.folder / name).mkdir()
        (orchard.loop.folder / name / "precious.txt").write_text("mine")
    export_training_set(orchard.loop, version, orchard.loop.folder / "out")
    erase(orchard)
    for name in (".out.part", ".out.renewed"):
        assert (orchard.loop.folder / name / "precious.txt").read_text() == "mine"
    assert orchard.ask("select folder from exported_set") == [("out",)]


def test_exports_at_once_into_one_folder_give_one_whole_set(orchard: Any, field: Any) -> None:
    """Two processes, two versions: one ends with its set, the other is told; what is noted is what is there."""
    version = fill(orchard, field)
    orchard.pull(field.label(field.sights("person", 3, "more")))
    other = str(orchard.assemble().version)
    command = (
        "import sys; from pathlib import Path; from tasks.loop import Loop; from tasks.read_settings import *;"
        "from tasks.export_training_set import *; folder = Path(sys.argv[1]);"
        "export_training_set(Loop(folder, read_settings(folder)), sys.argv[2], folder / 'out')"
    )
    started = [
        subprocess.Popen(
            [sys.executable, "-c", command, str(orchard.loop.folder), name],
            env=os.environ | {"PYTHONPATH": str(Path.cwd())},
            stderr=subprocess.PIPE,
            text=True,
        )
        for name in (version, other)
    ]
    told = [process.communicate()[1] for process in started]
    (won,) = [n for n, process in enumerate(started) if process.returncode == 0]
    assert told[1 - won].splitlines()[-1].startswith("tasks.errors.InputError: ")
    folder = orchard.loop.folder / "out"
    ((noted, files),) = orchard.ask("select version, files from exported_set")
    assert noted == (version, other)[won]
    assert json.loads(files) == read_sums(folder / SUMS)
    subprocess.run(["sha256sum", "-c", SUMS], cwd=folder, check=True, capture_output=True)
    assert not list(folder.parent.glob(".out*"))


def test_a_link_is_no_folder_to_export_to(orchard: Any, field: Any, tmp_path: Path) -> None:
    version = fill(orchard, field)
    (orchard.loop.folder / "out").symlink_to(tmp_path)
    with pytest.raises(InputError, match="out: is a link"):
        export_training_set(orchard.loop, version, orchard.loop.folder / "out")
    assert orchard.number("select count(*) from exported_set") == 0


def test_what_a_link_leads_to_is_cleaned_and_the_link_stays(orchard: Any, field: Any, tmp_path: Path) -> None:
    """The warehouse, a label file of the inbox, and a folder of reports, each moved away and linked to."""
    fill(orchard, field)
    loop = orchard.loop
    real = {"warehouse.duckdb": "w.duckdb", "reports": "reports", "inbox/labels": "labels"}
    rows = field.label(field.sights("person", 1, "base"))
    (loop.folder / "inbox" / "labels" / "a.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    (loop.folder / "reports").mkdir(exist_ok=True)
    (loop.folder / "reports" / "m1.html").write_text(f"<p>{GONE}</p>")
    for name, place in real.items():
        (loop.folder / name).rename(tmp_path / place)
        (loop.folder / name).symlink_to(tmp_path / place)
    done = erase_recording(loop, GONE, with_sources=True)
    assert done.is_rewritten
    for name in real:
        assert (loop.folder / name).is_symlink(), name
    assert GONE.encode() not in (tmp_path / "w.duckdb").read_bytes()
    assert not (tmp_path / "reports" / "m1.html").exists()
    assert all(GONE not in path.read_text() for path in (tmp_path / "labels").iterdir())


def test_a_file_of_anybodys_that_is_no_table_does_not_keep_the_storage_as_it_was(orchard: Any, field: Any) -> None:
    fill(orchard, field)
    (orchard.loop.folder / "editor.json").write_text('// of an editor\n{"a": 1,}')
    (orchard.loop.folder / "notes.json").write_text(f"// no JSON either\n{GONE} was dull")
    done = erase(orchard)
    assert (done.is_rewritten, done.problems) == (True, ())
    assert [(file.path, file.done) for file in done.files if file.path.endswith(".json")] == [
        ("notes.json", "left")
    ]
    assert orchard.number("select count(*) from pending_erasure") == 0


def test_a_name_of_digits_alone_is_cut_out_of_what_a_check_said(orchard: Any, field: Any) -> None:
    rows = [field.sight("person", "20260504", str(n), minute=n) for n in range(6)]
    orchard.pull([row | {"label": "person", "origin": "person"} for row in rows])
    fill(orchard, field)
    assert orchard.number("select count(*) from quality_check where observed like '%20260504%'") == 1
    erase(orchard, "20260504")
    assert orchard.number("select count(*) from quality_check where observed like '%20260504%'") == 0
