"""Every lineage question that the README shows is asked of the loop that it describes; the answers are its own."""

import json
import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flows.cli import main
from schemas.case_file import FailureCase
from tasks.ask_lineage import list_questions
from tasks.assemble_training_set import assemble_training_set
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.export_fixes import QueueFilter, list_fixes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_case
from tasks.retrain_model import retrain_model
from tasks.settle_fixes import settle_fixes
from tasks.sign_off import sign_off

README = Path(__file__).parents[2] / "README.md"
SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate"]
answers_needed = 2
rules = ["low_margin"]
[attribute.obstacle.trainer_settings]
hidden = [4]
epochs = 3
warm_epochs = 2
[assemble]
weights = {fixed = 2.0}
"""
CASE = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate'"
[scope]
where = "true"
"""


def _row(number: int, kind: str) -> dict[str, Any]:
    return {
        "recording_id": f"row-{number // 2}",
        "object_id": str(number % 2),
        "observed_at": f"2026-05-04T06:{number:02d}:00Z",
        "attribute": "obstacle",
        "features": [float(number), 1.0 if kind == "person" else -1.0, 0.5 * number],
    }


def _put(loop: Loop, name: str, rows: list[dict[str, Any]]) -> Path:
    path = loop.folder / "inbox" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


def _tell(number: int) -> str:
    return "person" if number % 4 < 2 else "crate"


@pytest.fixture
def loop(make_file_loop: Callable[..., Loop], capsys: pytest.CaptureFixture[str]) -> Loop:
    """A fair test, a base set of two files, a first model; a doubted log, two people's answers, a second model."""
    loop = make_file_loop(SETTINGS)
    for name, numbers, person in (("may", range(8), "ana"), ("june", range(8, 14), "ben")):
        decided = {"origin": "person", "decided_by": person, "decided_at": "2026-06-30T12:00:00Z"}
        rows = [{**_row(number, _tell(number)), "label": _tell(number), **decided} for number in numbers]
        pull_files(loop, [_put(loop, f"labels-{name}.jsonl", rows)])
    _draw(loop, (12, 13))
    assemble_training_set(loop, "obstacle")
    first = retrain_model(loop, "obstacle", []).model
    sign_off(loop, first, signed_by="A. Picker", decision="accept", note="a first model")
    doubted = {"model_version": first, "predicted": "crate", "confidence": 0.5}
    scores = {"scores": {"person": 0.5, "crate": 0.5}}
    rows = [{**_row(number, "person"), **doubted, **scores} for number in range(20, 24)]
    pull_files(loop, [_put(loop, "log-july.jsonl", rows)])
    path = loop.folder / "cases" / "crouched-picker.toml"
    path.write_text(CASE, encoding="utf-8")
    case = read_case(path, loop.settings)
    _work(loop, case)
    assemble_training_set(loop, "obstacle")
    retrain_model(loop, "obstacle", [case])
    capsys.readouterr()
    return loop


def _draw(loop: Loop, numbers: tuple[int, ...]) -> None:
    target = HoldoutTarget(loop.settings.attribute["obstacle"], None)
    listed = [{name: text for name, text in _row(n, "").items() if name != "features"} for n in numbers]
    draw_holdout(loop, target, listed=_put(loop, "fair-test.jsonl", listed))


def _work(loop: Loop, case: FailureCase) -> None:
    flag_mispredictions(loop)
    match_cases(loop, [case])
    queue_doubted(loop)
    answers = [
        {"fix_id": fix["fix_id"], "annotator": person, "answer": "person", "answered_at": "2026-07-05T08:00:00Z"}
        for fix in list_fixes(loop, QueueFilter())
        for person in ("ana", "ben")
    ]
    import_answers(loop, _put(loop, "answers-july.jsonl", answers))
    settle_fixes(loop)


def _read_session() -> list[tuple[str, str]]:
    """Return each command of the README's section and what stands below it."""
    section = README.read_text(encoding="utf-8").split("## Lineage, question by question")[1].split("\n## ")[0]
    found = re.findall(r"^    \$ (turnrow .*)\n((?:(?:    (?!\$).*)?\n)*)", section, re.MULTILINE)
    return [(command, _undent(text)) for command, text in found]


def _undent(text: str) -> str:
    return "\n".join(line[4:] for line in text.strip("\n").splitlines()).strip()


def test_each_prints_what_the_readme_prints(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    session = _read_session()
    assert len(session) > 5
    for command, expected in session:
        code = main([*shlex.split(command)[1:], "--at", str(loop.folder)])
        printed = capsys.readouterr()
        assert (code, printed.err) == (0, ""), command
        shown = "\n".join(line.rstrip() for line in printed.out.strip().splitlines())
        assert shown == "\n".join(line.rstrip() for line in expected.splitlines()), command


def test_the_readme_shows_every_question() -> None:
    asked = {word for command, _ in _read_session() for word in shlex.split(command)}
    assert {question.name for question in list_questions()} <= asked
