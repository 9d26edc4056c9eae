"""`export` and `import-set` as commands: what people read, what scripts get, and how they end."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flows.cli import main
from tasks.loop import Loop

SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate"]
"""
Run = Callable[..., tuple[int, str, str]]


def put_labels(loop: Loop, count: int = 8) -> Path:
    """Write an invented label file: one row of another attribute, one without a label that is allowed."""
    labels = ["person", "crate"] * (count // 2 - 1) + ["horse", "person"]
    rows: list[dict[str, Any]] = [
        {
            "recording_id": f"drive-{number}",
            "object_id": "o1",
            "observed_at": "2026-05-01T20:00:00Z",
            "attribute": "obstacle",
            "features": [float(number), 1.0],
            "label": label,
            "origin": "person",
        }
        for number, label in enumerate(labels)
    ]
    path = loop.folder / "labels.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


@pytest.fixture
def scene(make_file_loop: Callable[..., Loop], capsys: pytest.CaptureFixture[str]) -> tuple[Loop, Run]:
    """A loop, and commands run on it."""
    loop = make_file_loop(SETTINGS)

    def run(*argv: str) -> tuple[int, str, str]:
        code = main([*argv, "--at", str(loop.folder)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return loop, run


def test_a_set_goes_in_by_a_file_and_out_by_a_folder(scene: tuple[Loop, Run], tmp_path: Path) -> None:
    loop, run = scene
    labels = put_labels(loop)
    code, out, err = run("import-set", "obstacle", str(labels))
    assert (code, err) == (0, ""), out
    version = out.split(":")[0]
    assert out.splitlines()[0] == f"{version}: passed"
    assert "  7 rows of 8 read, all base rows" in out
    assert "  1 refused: " in out
    assert "one_row_a_sample" in out

    code, out, err = run("export", version, str(tmp_path / "out"))
    assert (code, err) == (0, ""), out
    assert out.splitlines()[0] == f"{version} exported to {tmp_path / 'out'}"
    assert "  7 rows, all its rows; digest " in out
    assert "OPEN in datasheet.md" in out.splitlines()[-1]
    code, out, _ = run("export", version, str(tmp_path / "out"))
    assert code == 0
    assert out.splitlines()[0].endswith(" already, byte for byte")
    code, out, _ = run("import-set", "obstacle", str(labels))
    assert code == 0
    assert out.splitlines()[0] == f"{version}: passed, as before"


def test_scripts_get_every_count(scene: tuple[Loop, Run], tmp_path: Path) -> None:
    loop, run = scene
    taken = json.loads(run("import-set", "obstacle", str(put_labels(loop)), "--json")[1])
    assert (taken["rows_read"], taken["row_count"], sum(taken["refused"].values())) == (8, 7, 1)
    given = json.loads(run("export", taken["version"], str(tmp_path / "out"), "--json")[1])
    assert (given["row_count"], given["is_whole"], given["withheld"]) == (7, True, [])
    assert given["folder"] == str(tmp_path / "out")
    assert sorted(given["files"]) == ["croissant.json", "datasheet.md", "rows.parquet"]


@pytest.mark.parametrize(
    ("argv", "code", "told"),
    [
        (["export", "obstacle-0009", "out"], 1, "obstacle-0009: no such training set"),
        (["import-set", "obstacle", "no.csv"], 1, "no.csv"),
        (["import-set", "terrain", "no.csv"], 1, "terrain"),
    ],
)
def test_what_cannot_be_done_ends_with_one_line(
    scene: tuple[Loop, Run], argv: list[str], code: int, told: str
) -> None:
    _, run = scene
    ended, out, err = run(*argv)
    assert (ended, out) == (code, "")
    assert told in err
    assert len(err.splitlines()) == 1


def test_a_restricted_set_ends_with_3_and_names_the_option(scene: tuple[Loop, Run], tmp_path: Path) -> None:
    loop, run = scene
    version = json.loads(run("import-set", "obstacle", str(put_labels(loop)), "--json")[1])["version"]
    text = SETTINGS + "[[restriction]]\nwhere = \"recording_id = 'drive-0'\"\nnever = ['export']\n"
    (loop.folder / "turnrow.toml").write_text(text, encoding="utf-8")
    code, out, err = run("export", version, str(tmp_path / "out"))
    assert (code, out) == (3, "")
    assert "1 row forbidden by a [[restriction]]" in err
    assert "--without-restricted" in err
    code, out, _ = run("export", version, str(tmp_path / "out"), "--without-restricted")
    assert code == 0
    assert "not whole" in out
    assert "  1 row left out, forbidden by a [[restriction]] (" in out
