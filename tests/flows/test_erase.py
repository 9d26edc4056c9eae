"""`turnrow erase` on the command line: what it says, its exit codes, its JSON."""

import json
from pathlib import Path

import pytest

from flows.cli import main
from tasks.check_tombstones import KEY_FILE
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.warehouse import open_warehouse


def put_log(loop: Loop, *, name: str = "drive.jsonl") -> Path:
    """Write two invented drives of three samples each, one of them with a row that is refused."""
    rows = [
        {
            "recording_id": drive,
            "object_id": f"track-{number % 2}",
            "observed_at": f"2026-05-01T06:0{number}:00Z",
            "attribute": "obstacle",
            "model_version": "m1",
            "predicted": "crate",
            "confidence": 0.9,
            "features": [float(number), 1.0],
        }
        for drive in ("drive-17", "drive-18")
        for number in range(3)
    ]
    rows.append(rows[0] | {"confidence": 7})
    path = loop.folder / "inbox" / "predictions" / name
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


@pytest.fixture
def loop(file_loop: Loop) -> Loop:
    """Return a loop in which two drives were pulled."""
    assert not pull_files(file_loop, [put_log(file_loop)]).failed
    return file_loop


def run(loop: Loop, capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    code = main([*argv, "--at", str(loop.folder)])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_it_tells_what_went_and_what_is_left(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    code, told, problems = run(loop, capsys, "erase", "drive-17", "--dry-run")
    assert (code, problems) == (0, "")
    assert told.startswith("drive-17: nothing was written; this is what `erase` would take out\n")
    assert not (loop.folder / KEY_FILE).exists()

    code, done, problems = run(loop, capsys, "erase", "drive-17")
    assert (code, problems) == (0, "")
    lines = [" ".join(line.split()) if "  " in line.strip() else line for line in done.splitlines()]
    assert lines[0] == "drive-17: erased; rows of it that come later are refused as erased"
    assert "sample 3 0" in lines
    assert "quarantined_row 0 1" in lines
    assert "sources that still hold it (`--sources` rewrites them):" in lines
    assert "  inbox/predictions/drive.jsonl: 4 rows" in lines
    assert "weights of those named here may still carry the data" in done

    code, again, _ = run(loop, capsys, "erase", "drive-17")
    assert code == 0
    assert again.startswith("drive-17: was erased before; there is nothing new\n")
    code, again, _ = run(loop, capsys, "erase", "drive-17", "--sources")
    assert code == 0
    assert again.startswith("drive-17: was erased before; what was left is done now\n")
    assert "drive-17" not in (loop.folder / "inbox" / "predictions" / "drive.jsonl").read_text(encoding="utf-8")


def test_an_unknown_name_is_one_line_and_changes_nothing(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, problem = run(loop, capsys, "erase", "drive-1")
    assert (code, out) == (1, "")
    assert problem.startswith("turnrow: drive-1: neither the warehouse nor a file of the loop folder knows it")
    assert problem.count("\n") == 1
    assert "drive-17" not in problem
    code, out, problem = run(loop, capsys, "erase", "drive-17", "--object", "track-9")
    assert (code, out) == (1, "")
    assert "drive-17, object track-9: neither" in problem


def test_an_object_as_json(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(loop, capsys, "erase", "drive-17", "--object", "track-1", "--json")
    document = json.loads(out)
    assert code == 0
    assert (document["recording_id"], document["object_id"]) == ("drive-17", "track-1")
    assert {row["table"]: row["deleted"] for row in document["tables"]} == {
        "prediction": 1,
        "sample": 1,
        "sample_vector": 1,
    }
    assert document["files"] == [
        {"path": "inbox/predictions/drive.jsonl", "done": "left", "rows": 1, "texts": 0, "is_source": True}
    ]
    assert len(document["tombstone"]) == 64
    assert (document["versions"], document["models"], document["holdouts"]) == ({}, [], [])


def test_a_later_pull_says_how_many_rows_were_refused(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    run(loop, capsys, "erase", "drive-17")
    path = put_log(loop, name="again.jsonl")
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    code, out, _ = run(loop, capsys, "pull", str(path), "--json")
    (file,) = json.loads(out)["files"]
    assert (code, file["rows_quarantined"]) == (0, 4)
    with open_warehouse(loop, write=False) as warehouse:
        told = warehouse.connection.execute("select distinct reason, raw from quarantined_row").fetchall()
    assert told == [("erased", "")]
