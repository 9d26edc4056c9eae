"""What is wrong with a loop folder is found, each thing by its place, with what mends it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tasks.check_setup import check_setup
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.find_log_files import list_unmatched
from tasks.findings import WARNING, Finding
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.read_settings import read_cases

CROUCHED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
where = "(context->>'light') = 'dusk'"
"""
LABELS = '[attribute.obstacle]\nlabels = ["person", "crate"]\n'


def check(loop: Loop) -> list[Finding]:
    return check_setup(loop, *read_cases(loop.folder, loop.settings))


def put_case(loop: Loop, text: str = CROUCHED, name: str = "crouched-picker") -> None:
    (loop.folder / "cases" / f"{name}.toml").write_text(text, encoding="utf-8")


def find(findings: list[Finding], level: str) -> list[Finding]:
    return [finding for finding in findings if finding.level == level]


def test_a_sound_loop_has_nothing_wrong_on_any_warehouse(loop: Loop) -> None:
    put_case(loop)
    assert find(check(loop), "wrong") == []


@pytest.mark.parametrize(
    ("settings", "where", "words"),
    [
        (LABELS + 'group_by = "lower(no_such)"', "turnrow.toml, attribute.obstacle.group_by", "no column no_such"),
        (LABELS + 'slices = ["random()"]', "turnrow.toml, attribute.obstacle.slices", "random"),
        (LABELS + 'trainer = "no_such_module:train"', "attribute.obstacle.trainer", "no module 'no_such_module'"),
        (LABELS + 'trainer = "no-such-program --fast"', "attribute.obstacle.trainer", "no-such-program"),
        (LABELS + 'guideline = "guide.md"', "attribute.obstacle.guideline", "guide.md is not there"),
        (
            LABELS + '[[rule]]\nname = "slow"\nattribute = "obstacle"\nwhere = "predictd = \'crate\'"',
            "turnrow.toml, rule.slow.where",
            "did you mean predicted",
        ),
    ],
)
def test_a_bad_setting_is_wrong_by_its_key(
    settings: str, where: str, words: str, make_file_loop: Callable[[str], Loop]
) -> None:
    wrong = find(check(make_file_loop(settings)), "wrong")
    assert [finding.where for finding in wrong] == [where]
    assert words in wrong[0].what


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (CROUCHED.replace("predicted =", "predicte ="), "did you mean predicted"),
        (CROUCHED.replace("(context->>'light')", "predicted"), "scope.where: names predicted"),
        (CROUCHED.replace("[members]", "[member]"), "member"),
    ],
)
def test_a_bad_case_file_is_wrong_and_the_others_are_still_looked_at(
    text: str, words: str, file_loop: Loop
) -> None:
    put_case(file_loop)
    put_case(file_loop, text.replace("crouched-picker", "other"), "other")
    wrong = find(check(file_loop), "wrong")
    assert len(wrong) == 1
    assert "other.toml" in wrong[0].what
    assert words in wrong[0].what


def test_a_missing_warehouse_is_told_with_what_makes_one(file_loop: Loop) -> None:
    (file_loop.folder / "warehouse.duckdb").unlink()
    (wrong,) = find(check(file_loop), "wrong")
    assert (wrong.where, "turnrow init" in wrong.what) == ("warehouse", True)


def test_an_empty_guideline_is_wrong(make_file_loop: Callable[[str], Loop]) -> None:
    loop = make_file_loop(LABELS + 'guideline = "guide.md"')
    (loop.folder / "guide.md").write_text(" \n", encoding="utf-8")
    (wrong,) = find(check(loop), "wrong")
    assert wrong.what == "guide.md is empty"


def test_missing_holdouts_are_warned_of_and_small_ones_too(file_loop: Loop, tmp_path: Path) -> None:
    put_case(file_loop)
    missing = {finding.where for finding in find(check(file_loop), "warning")}
    assert {"hold-out overall:obstacle", "hold-out crouched-picker"} <= missing
    rows = [
        f"drive-{n},o1,2026-05-01T20:{n:02}:00Z,obstacle,{'person' if n % 2 else 'crate'},person"
        for n in range(20)
    ]
    path = tmp_path / "labels.csv"
    path.write_text("\n".join(["recording_id,object_id,observed_at,attribute,label,origin", *rows]))
    pull_files(file_loop, [path])
    draw_holdout(file_loop, HoldoutTarget(file_loop.settings.attribute["obstacle"], None), listed=path)
    told = [
        finding for finding in find(check(file_loop), "warning") if finding.where == "hold-out overall:obstacle"
    ]
    assert [finding.what.split(";")[0] for finding in told] == [
        "the whole: 20 members in 20 groups",
        "recall and precision of person: 10 members in 10 groups",
    ]
    assert all("such members, each of a group of its own, would do" in finding.mend for finding in told)


def test_checking_changes_nothing(file_loop: Loop) -> None:
    put_case(file_loop)
    path = file_loop.folder / "warehouse.duckdb"
    before = path.read_bytes()
    check(file_loop)
    assert path.read_bytes() == before


def test_a_misspelt_label_or_context_key_is_warned_of(file_loop: Loop) -> None:
    row = '{"recording_id": "r", "object_id": "o", "observed_at": "2026-05-01T06:00:00Z", "attribute": "obstacle"'
    log = file_loop.folder / "log.jsonl"
    log.write_text(
        row + ', "model_version": "m", "predicted": "crate", "confidence": 0.9, "context": {"light": 1}}\n'
    )
    pull_files(file_loop, [log])
    put_case(file_loop)
    assert [f for f in find(check(file_loop), "warning") if ".toml, " in f.where and "where" in f.where] == []
    wrong = CROUCHED.replace("= 'crate'", "in ('crat', 'step_ladder', 'animal')").replace(
        "->>'light'", "->>'ligth'"
    )
    put_case(file_loop, wrong)

    told = [(f.where, f.what, f.mend) for f in find(check(file_loop), "warning") if "where" in f.where]

    assert told == [
        (
            "crouched-picker.toml, members.where",
            "compares with 'crat', which is no label of obstacle",
            "spell it: the nearest known one is `crate`",
        ),
        (
            "crouched-picker.toml, scope.where",
            "reads 'ligth' of the context, which the latest samples of obstacle do not have",
            "spell it: the nearest known one is `light`",
        ),
    ]


def test_a_log_in_a_format_that_no_pattern_asks_for_is_named(file_loop: Loop) -> None:
    folder = file_loop.folder / "inbox" / "predictions"
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("notes.txt", ".part.csv", "read.parquet"):
        (folder / name).write_text("")
    assert list_unmatched(file_loop) == []
    for name in ("night.csv", "night.jsonl.gz"):
        (folder / name).write_text("")
    assert list_unmatched(file_loop) == ["inbox/predictions/night.csv", "inbox/predictions/night.jsonl.gz"]
    (found,) = [finding for finding in check_setup(file_loop, [], []) if finding.where == "inbox"]
    assert found.level == WARNING and " and 1 more are matched by no pattern" in found.what
