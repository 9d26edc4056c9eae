"""A training set given out as a folder: the same bytes every time, whole or said to be not, and never a half."""

import hashlib
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.parquet as pq
import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.erase_recording import erase_recording
from tasks.errors import InputError, NotYetError, UnknownNameError, WarehouseError
from tasks.export_training_set import ExportedSet, export_training_set
from tasks.import_model import import_model
from tasks.pull_logs import pull_files

NAMES = ["SHA256SUMS", "croissant.json", "datasheet.md", "rows.parquet"]
NOT_AWAY = "\n[[restriction]]\nwhere = \"unit_id = 'cart-7'\"\nnever = ['export']\n"


def read(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with its bytes."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def fill(orchard: Any, field: Any) -> tuple[str, list[Any]]:
    """A version of 12 rows by file, one with a feature of -0, two of a cart on loan."""
    rows = [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 4, "base")]
    rows[0]["features"][4] = -0.0
    rows[1]["media_uri"] = "frames/1.jpg"
    for row in rows[:2]:
        row["unit_id"] = "cart-7"
    orchard.pull([row | {"decided_by": "ana"} for row in field.label(rows)])
    return str(orchard.assemble().version), rows


def export(orchard: Any, version: str, name: str = "out", **more: Any) -> ExportedSet:
    return export_training_set(orchard.loop, version, orchard.loop.folder / name, **more)


def test_what_is_exported_is_the_version_and_sums_hold(any_orchard: Any, field: Any) -> None:
    """Every row with its content as it was pulled, on a file and on a lake; `sha256sum` finds the sums right."""
    version, rows = fill(any_orchard, field)
    done = export(any_orchard, version)
    folder = any_orchard.loop.folder / "out"
    assert sorted(read(folder)) == NAMES
    assert (done.row_count, done.is_whole, done.is_new) == (12, True, True)
    assert done.digest == any_orchard.number("select digest from training_set")
    subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=folder, check=True, capture_output=True)

    table = pq.read_table(folder / "rows.parquet").to_pylist()
    assert [row["sample_id"] for row in table] == sorted(row["sample_id"] for row in table)
    given = {row["recording_id"]: row for row in table}
    assert set(given) == {row["recording_id"] for row in rows}
    for row in rows:
        got = given[row["recording_id"]]
        assert [f"{value:+.4f}" for value in got["features"]] == [f"{value:+.4f}" for value in row["features"]]
        assert (got["label"], got["origin"], got["decided_by"]) == (field.tell(row), "person", "ana")
        assert (got["unit_id"], got["media_uri"]) == (row.get("unit_id"), row.get("media_uri"))
        assert json.loads(got["context"]) == row["context"]
        assert (got["reason"], got["weight"], got["fix_id"]) == ("base", 1.0, None)
        assert got["observed_at"].isoformat() == row["observed_at"]


def test_it_is_the_same_bytes_each_time_and_noted_once(orchard: Any, field: Any) -> None:
    """Also after further pulls and other versions; into its own folder again it changes nothing."""
    version, rows = fill(orchard, field)
    export(orchard, version)
    first = read(orchard.loop.folder / "out")
    orchard.pull(field.label(field.sights("person", 3, "later")))
    orchard.pull(field.label(rows[3:4], "crate"))
    orchard.assemble()
    assert export(orchard, version).is_new is False
    export(orchard, version, "again")
    assert read(orchard.loop.folder / "again") == first == read(orchard.loop.folder / "out")
    assert orchard.ask("select version, folder, rows_withheld from exported_set order by folder") == [
        (version, "again", 0),
        (version, "out", 0),
    ]


def test_more_rows_than_a_slice_are_all_there_and_counted_once(orchard: Any) -> None:
    """Slices bound the memory; where one ends is nobody's business but the file's row groups'."""
    count = 50_003
    orchard.configure('[attribute.obstacle]\nlabels = ["person", "crate"]\n[checks]\nlook_for_suspects = false\n')
    path = orchard.loop.folder / "many.parquet"
    duckdb.sql(
        "select 'run-' || (i // 100) as recording_id, 'o' || i as object_id, timestamptz '2026-05-04 06:00:00+00' "
        "as observed_at, 'obstacle' as attribute, [i / 7, -i, 1] as features, 'person' as origin, "
        f"case when i % 3 = 0 then 'crate' else 'person' end as label from range({count}) as r(i)"
    ).write_parquet(str(path))
    pull_files(orchard.loop, [path])
    done = export(orchard, str(orchard.assemble().version))
    assert (done.row_count, done.is_whole) == (count, True)
    file = pq.ParquetFile(orchard.loop.folder / "out" / "rows.parquet")
    assert [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)] == [50_000, 3]
    assert len(set(file.read(["sample_id"]).column(0).to_pylist())) == count
    sheet = (orchard.loop.folder / "out" / "datasheet.md").read_text()
    assert "50,003 rows from 50,003 objects in 501 recordings (501 groups" in sheet
    assert "| person | 33,335 | 66.7% | 33,335 |" in sheet


def test_restricted_rows_are_kept_back_or_left_out_and_said_so(orchard: Any, field: Any) -> None:
    """By the restriction of today, though the version is older; the digest is that of what was given."""
    version, _ = fill(orchard, field)
    orchard.configure(field.settings + NOT_AWAY)
    with pytest.raises(
        NotYetError,
        match=r"exported whole: 2 rows forbidden by a \[\[restriction\]\] \(.*cart-7.*--without",
    ):
        export(orchard, version)
    assert not (orchard.loop.folder / "out").exists()
    done = export(orchard, version, without_restricted=True)
    assert (done.row_count, done.is_whole) == (10, False)
    assert [part.row_count for part in done.withheld] == [2]
    assert done.digest != orchard.number("select digest from training_set")
    files = read(orchard.loop.folder / "out")
    table = pq.read_table(orchard.loop.folder / "out" / "rows.parquet")
    assert "cart-7" not in table.column("unit_id").to_pylist()
    assert not any(b"cart-7" in content for content in files.values())
    assert b"Not the whole version" in files["datasheet.md"]
    assert json.loads(files["croissant.json"])["version"].endswith("+rows-left-out")
    orchard.configure(field.settings + NOT_AWAY.replace("unit_id = 'cart-7'", "true"))
    with pytest.raises(NotYetError, match="none of its rows may be exported"):
        export(orchard, version, "none", without_restricted=True)
    assert not (orchard.loop.folder / "none").exists()


def test_a_first_set_claims_no_failure_case_and_no_doubted_rows(orchard: Any, field: Any) -> None:
    """And what a check of the whole set found is no number of samples."""
    version, _ = fill(orchard, field)
    export(orchard, version)
    files = read(orchard.loop.folder / "out")
    sheet, described = files["datasheet.md"].decode(), json.loads(files["croissant.json"])
    assert "It holds base rows alone; none is about a failure case.\n" in sheet
    assert "whether they are a fair picture of the field the warehouse does not know." in sheet
    assert "base rows alone; whether" in described["rai:dataCollection"]
    for text in (sheet, described["rai:dataCollection"]):
        assert "these failure cases" not in text and "that a failure case asked for" not in text
    assert "above all, `person` must not be missed" in sheet
    assert "whoever holds a copy must be told" in described["rai:dataReleaseMaintenancePlan"]
    found = {line.split(" | ")[0].strip("| "): line.split(" | ")[-1].strip("| ") for line in sheet.splitlines()}
    named = dict(orchard.ask("select check_name, count(*) from check_failure group by all"))
    failed = [name for (name,) in orchard.ask("select check_name from quality_check where not passed")]
    assert {found[name.replace("_", "\\_")] for name in failed if name not in named} == {""}
    assert all(found[name.replace("_", "\\_")] == str(count) for name, count in named.items())
    assert named.keys() < set(failed)


def test_a_set_with_a_failure_case_says_what_it_was_made_for(orchard: Any, field: Any) -> None:
    case = orchard.case()
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    orchard.pull(field.label([row for kind in ("person", "crate") for row in field.sights(kind, 4, "base")]))
    crouched = field.sights("crouched", 2, "dusk")
    orchard.pull(field.predict(crouched))
    orchard.pull(field.label(crouched))
    orchard.flag(case)
    orchard.answer()
    export(orchard, str(orchard.assemble().version))
    files = read(orchard.loop.folder / "out")
    sheet = files["datasheet.md"].decode()
    assert "beside its base rows it holds rows of these failure cases.\n\n| failure case |" in sheet
    assert "| crouched-picker | high |" in sheet
    assert "doubted or mined: so the set is no random picture" in sheet
    assert "that a failure case asked for" in json.loads(files["croissant.json"])["rai:dataCollection"]


def test_rows_held_out_since_are_not_given_away(orchard: Any, field: Any) -> None:
    """A test that others were handed with its truth is none any more."""
    version, rows = fill(orchard, field)
    orchard.pull(field.label(rows[3:4], "crate"))
    orchard.hold(rows[2:3])
    with pytest.raises(NotYetError, match="1 row of a group that is kept for a hold-out"):
        export(orchard, version)
    done = export(orchard, version, without_restricted=True)
    assert [(part.why, part.row_count) for part in done.withheld] == [("reserved", 1)]


def test_an_erased_recording_is_missing_from_an_export_made_later(orchard: Any, field: Any) -> None:
    version, rows = fill(orchard, field)
    erase_recording(orchard.loop, rows[2]["recording_id"])
    done = export(orchard, version)
    assert [(part.why, part.row_count) for part in done.withheld] == [("erased", 1)]
    files = read(orchard.loop.folder / "out")
    assert not any(rows[2]["recording_id"].encode() in content for content in files.values())
    assert b"Erased since it was made: 1 row, which is not in this export" in files["datasheet.md"]


NO_CRATES = """
[[check]]
name = "no_crates"
attribute = "obstacle"
requirement = "must"
where = "label = 'crate'"
"""


def test_a_failed_version_is_given_out_only_on_purpose_and_marked(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + NO_CRATES)
    version, _ = fill(orchard, field)
    assert orchard.number("select state from training_set") == "failed"
    with pytest.raises(NotYetError, match=r"failed its checks.*--failed-too"):
        export(orchard, version)
    assert export(orchard, version, failed_too=True).state == "failed"
    files = read(orchard.loop.folder / "out")
    told = "This version FAILED its checks (no_crates); do not train on it."
    assert f"> **{told}**" in files["datasheet.md"].decode()
    assert told in json.loads(files["croissant.json"])["description"]


def test_a_set_that_was_tampered_with_is_not_given_out(orchard: Any, field: Any) -> None:
    """What was written is compared with what was assembled."""
    version, rows = fill(orchard, field)
    name = rows[5]["recording_id"]
    orchard.tamper(
        "update sample_vector set vector = list_transform(vector, lambda x: x + 1) "
        f"where sample_id = (select sample_id from sample where recording_id = '{name}')"
    )
    with pytest.raises(WarehouseError, match=rf"rows are not what they were.*turnrow verify {version}"):
        export(orchard, version)
    orchard.tamper("delete from label_revision where label = 'crate'")
    with pytest.raises(WarehouseError, match="4 of its rows have lost their sample, label or features"):
        export(orchard, version)
    assert not (orchard.loop.folder / "out").exists()
    assert not list(orchard.loop.folder.glob(".out*"))
    assert orchard.number("select count(*) from exported_set") == 0


def test_no_folder_of_anybodys_is_written_over(orchard: Any, field: Any) -> None:
    version, _ = fill(orchard, field)
    folder = orchard.loop.folder
    (folder / "mine").mkdir()
    (folder / "mine" / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="mine: is not empty"):
        export(orchard, version, "mine")
    export(orchard, version)
    (folder / "out" / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="out: is not empty"):
        export(orchard, version)
    assert (folder / "out" / "notes.txt").read_text() == "mine"
    (folder / "out" / "notes.txt").unlink()
    (folder / "out" / "datasheet.md").write_text("answered")
    with pytest.raises(InputError, match="out: is not empty"):
        export(orchard, version)
    assert (folder / "out" / "datasheet.md").read_text() == "answered"
    (folder / "a-file").write_text("mine")
    for name, told in (
        ("a-file", "is a file"),
        ("no/where", "the folder .* is not there; make it first"),
        ("inbox/out", "lies in the inbox"),
    ):
        with pytest.raises(InputError, match=told):
            export(orchard, version, name)
    with pytest.raises(UnknownNameError, match="obstacle-0009: no such training set"):
        export(orchard, "obstacle-0009")


def test_what_a_killed_export_left_does_not_hinder_the_next(orchard: Any, field: Any) -> None:
    """Killed while it wrote, and killed between the note and the move: then the noted folder is not there yet."""
    version, _ = fill(orchard, field)
    left = orchard.loop.folder / ".out.part"
    left.mkdir()
    (left / "rows.parquet").write_bytes(b"half")
    export(orchard, version)
    shutil.rmtree(orchard.loop.folder / "out")
    done = export(orchard, version)
    assert done.is_new
    assert orchard.number("select count(*) from exported_set") == 1
    sums = {
        name: hashlib.sha256(content).hexdigest()
        for name, content in read(orchard.loop.folder / "out").items()
        if name != "SHA256SUMS"
    }
    assert sums == done.files


NUMBER = '[attribute.distance]\nkind = "number"\nunit = "m"\ntolerance = 0.2\nrules = ["label_disagrees"]\n'


def test_numbers_and_fixes_are_exported_as_what_they_are(orchard: Any, field: Any) -> None:
    """A number's label stands as a number and as its text; a fixed row names its question, people and case."""
    orchard.configure(field.settings + NUMBER)
    rows = [row | {"attribute": "distance"} for row in field.sights("crate", 3, "far")]
    orchard.pull([row | {"label": 2.5 + n, "origin": "person"} for n, row in enumerate(rows)])
    version = assemble_training_set(orchard.loop, "distance").version
    export(orchard, str(version), "numbers")
    table = pq.read_table(orchard.loop.folder / "numbers" / "rows.parquet").to_pylist()
    assert sorted((row["label"], row["label_value"]) for row in table) == [
        ("2.5", 2.5),
        ("3.5", 3.5),
        ("4.5", 4.5),
    ]
    sheet = (orchard.loop.folder / "numbers" / "datasheet.md").read_text()
    assert "(a number, in m)" in sheet
    assert "from 2.5 to 4.5, its median 3.5" in sheet
