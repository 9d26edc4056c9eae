"""A case file that breaks a rule gives one line: file, key, what is wrong, what was expected."""

from pathlib import Path

import pytest

from tasks.errors import SettingsError
from tasks.read_settings import read_case, read_cases, read_settings

ORCHARD = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
critical = ["person"]
was = {"step_ladder" = "ladder"}

[attribute.ground]
labels = ["firm", "soft", "flooded"]

[attribute.row_width]
kind = "number"
unit = "m"
tolerance = 0.2
"""

CROUCHED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
"""

BAD_CASES = [
    ("", "case: is missing, and has no default"),
    (CROUCHED.replace("[members]", "[member]"), "member: unknown key; the nearest known one is `members`"),
    (CROUCHED.replace("where", "were"), "members.were: unknown key; the nearest known one is `where`"),
    (CROUCHED + 'path = "x"\n', "members.path: unknown key"),
    ('text = "x"\n' + CROUCHED, "text: unknown key"),
    (
        CROUCHED.replace("crouched-picker", "Crouched_Picker"),
        'case: is "Crouched_Picker"; expected a kebab-case name',
    ),
    (
        CROUCHED.replace("crouched-picker", "overall:obstacle"),
        'case: is "overall:obstacle"; expected a kebab-case name',
    ),
    (
        CROUCHED.replace('"obstacle"', '"obstacel"'),
        'attribute: no attribute "obstacel" in turnrow.toml; the nearest known one is `obstacle`',
    ),
    ('severity = "urgent"\n' + CROUCHED, 'severity: is "urgent"; expected "low", "medium" or "high"'),
    (
        CROUCHED.replace("\"predicted = 'crate' and truth = 'person'\"", '" "'),
        'members.where: is " "; expected a text that is not empty',
    ),
    (
        CROUCHED + "[scope]\n",
        "scope: is empty; expected where, similar_to or similarity_at_least, or no [scope] at all",
    ),
    (
        CROUCHED + '[scope]\nwhere = ""\n',
        "scope.where: is an empty text; expected an expression, or no such key",
    ),
    (
        CROUCHED + '[scope]\nsimilar_to = "member"\n',
        'scope.similar_to: is "member"; expected "members" or a list of sample_id',
    ),
    (
        CROUCHED + "[scope]\nsimilar_to = []\n",
        'scope.similar_to: is a list; expected "members" or a list of sample_id',
    ),
    (
        CROUCHED + '[scope]\nsimilar_to = ["7"]\n',
        'scope.similar_to #1: is "7"; expected a sample_id: 32 hex digits',
    ),
    (
        CROUCHED + "[scope]\nsimilarity_at_least = 80\n",
        "scope.similarity_at_least: is 80; expected a number at least -1 and at most 1",
    ),
    (CROUCHED + "[holdout]\nsize = 0\n", "holdout.size: is 0; expected a whole number at least 1"),
    (
        CROUCHED + '[holdout]\ntruth = "persons"\n',
        'holdout.truth: "persons" is no label of obstacle; the nearest known one is `person`',
    ),
    (
        CROUCHED + '[holdout]\ntruth = "step_ladder"\n',
        'holdout.truth: "step_ladder" is an old label; it is now `ladder`',
    ),
    (
        CROUCHED.replace('"obstacle"', '"row_width"') + '[holdout]\ntruth = "person"\n',
        'holdout.truth: is "person"; row_width is a number and has no classes, leave it out',
    ),
    (
        CROUCHED + "[mine]\nlook_alikes = 1.3\n",
        "mine.look_alikes: is 1.3; expected a number at least 0 and at most 1",
    ),
    (CROUCHED + "[mine]\nbudget = -1\n", "mine.budget: is -1; expected a whole number at least 0"),
    (
        CROUCHED + "[gate]\naccuracy_at_least = 90\n",
        "gate.accuracy_at_least: is 90; expected a number at least 0 and at most 1",
    ),
    (
        CROUCHED + "[gate]\nlooks_at_most = 0\n",
        "gate.looks_at_most: is 0; expected a whole number at least 1",
    ),
    (CROUCHED.replace('case = "', "case = "), "is not valid TOML: Invalid value (at line 2, column 8)"),
]


def write_loop(folder: Path, settings: str, **cases: str) -> Path:
    (folder / "cases").mkdir()
    (folder / "turnrow.toml").write_text(settings, encoding="utf-8")
    for name, text in cases.items():
        (folder / "cases" / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(("text", "message"), BAD_CASES)
def test_bad_case_is_named_in_one_line(tmp_path: Path, text: str, message: str) -> None:
    loop = write_loop(tmp_path, ORCHARD, odd=text)
    path = loop / "cases" / "odd.toml"
    with pytest.raises(SettingsError) as raised:
        read_case(path, read_settings(loop))
    assert str(raised.value).startswith(f"{path}: {message}")
    assert "\n" not in str(raised.value)


def test_one_bad_case_file_does_not_stop_the_others(tmp_path: Path) -> None:
    loop = write_loop(
        tmp_path,
        ORCHARD,
        a_broken="case = ",
        b_crouched=CROUCHED,
        c_same_name=CROUCHED,
        d_soft=CROUCHED.replace("crouched-picker", "a-soft-strip").replace('"obstacle"', '"ground"'),
    )
    (loop / "cases" / ".b_crouched.toml").write_text("left by an editor")
    (loop / "cases" / "e_folder.toml").mkdir()
    cases, errors = read_cases(loop, read_settings(loop))
    assert [(case.case, case.path.name) for case in cases] == [
        ("a-soft-strip", "d_soft.toml"),
        ("crouched-picker", "b_crouched.toml"),
    ]
    assert cases[1].text == CROUCHED
    assert [str(error).removeprefix(f"{loop}/cases/") for error in errors] == [
        "a_broken.toml: is not valid TOML: Invalid value (at the end of the file, line 1)",
        "c_same_name.toml: case: crouched-picker is the case of b_crouched.toml already",
        "e_folder.toml: cannot be read: Is a directory",
    ]


def test_a_loop_without_a_cases_folder_has_no_cases(tmp_path: Path) -> None:
    (tmp_path / "turnrow.toml").write_text(ORCHARD)
    assert read_cases(tmp_path, read_settings(tmp_path)) == ([], [])


def test_a_case_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    loop = write_loop(tmp_path, ORCHARD)
    with pytest.raises(SettingsError, match=r"away\.toml: there is no such file"):
        read_case(loop / "away.toml", read_settings(loop))


@pytest.mark.parametrize(
    ("scope", "expected"),
    [
        ("", ("", "members", 0.8)),
        ("[scope]\nsimilarity_at_least = -1\n", ("", "members", -1.0)),
        ('[scope]\nwhere = "true"\n', ("true", "", 0.8)),
        ('[scope]\nwhere = "true"\nsimilarity_at_least = 0.5\n', ("true", "members", 0.5)),
        (f'[scope]\nsimilar_to = ["{"0a" * 16}"]\n', ("", ("0a" * 16,), 0.8)),
    ],
)
def test_likeness_counts_where_it_is_asked_for_or_nothing_else_is(
    tmp_path: Path, scope: str, expected: tuple[object, ...]
) -> None:
    loop = write_loop(tmp_path, ORCHARD, crouched=CROUCHED + scope)
    used = read_case(loop / "cases" / "crouched.toml", read_settings(loop)).scope_in_use
    assert (used.where, used.similar_to, used.similarity_at_least) == expected
