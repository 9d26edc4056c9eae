"""`queue export` says for whom it wrote, until when, and what others have out."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from flows.cli import main

if TYPE_CHECKING:
    from tests.flows.conftest import AskOrchard


def test_an_export_for_somebody_is_kept_from_others(
    ask_orchard: "AskOrchard", tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    loop = ask_orchard(obstacles=3, grounds=0)
    at = ["--at", str(loop.folder)]
    file = str(tmp_path / "o.csv")
    assert main(["queue", "export", file, "--annotator", "ada", *at]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == f"3 label fixes written to {file}, blind"
    assert out[1].startswith("ada has them until 20")
    assert len(out) == 2
    assert main(["queue", "export", file, "--annotator", "ben", "--json", *at]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["fixes"], told["annotator"]) == (0, "ben"), "one answer is enough here"
    assert [(held["holder"], held["questions"]) for held in told["held_by_others"]] == [("ada", 3)]
    assert main(["queue", "export", file, *at]) == 0
    assert "3 label fixes are out with ada until 20" in capsys.readouterr().out
