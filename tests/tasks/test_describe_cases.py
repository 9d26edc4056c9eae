"""One case in full, what an edited file would change, and a state that a person sets."""

import json
from pathlib import Path
from typing import Any

import pytest

from schemas.case_file import FailureCase
from schemas.tables import FACTS
from tasks.describe_cases import describe_case, set_case_state, try_case
from tasks.errors import ExpressionError, InputError, SettingsError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.pull_logs import pull_files
from tasks.read_settings import read_case
from tasks.warehouse import open_warehouse

CROUCHED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
where = "(context->>'light') = 'dusk'"
"""


def put_case(loop: Loop, text: str = CROUCHED, name: str = "cases/crouched-picker.toml") -> FailureCase:
    path = loop.folder / name
    path.write_text(text, encoding="utf-8")
    return read_case(path, loop.settings)


def put_log(loop: Loop, name: str, rows: list[dict[str, Any]]) -> None:
    path = loop.folder / "inbox" / name
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    assert [file.error for file in pull_files(loop, [path]).files] == [""]


def see(number: int, predicted: str, truth: str, light: str = "dusk") -> dict[str, Any]:
    """One invented prediction with the label that its log carries."""
    return {
        "recording_id": f"drive-{number}",
        "object_id": "o1",
        "observed_at": f"2026-05-01T20:0{number}:00Z",
        "attribute": "obstacle",
        "model_version": "m1",
        "predicted": predicted,
        "confidence": 0.9,
        "context": {"light": light},
        "reference_label": truth,
        "reference_origin": "person",
    }


def match(loop: Loop) -> FailureCase:
    """Three members at dusk, one at noon, a ladder that is a person, two right ones."""
    case = put_case(loop)
    rows = [see(n, "crate", "person") for n in range(3)]
    rows += [see(3, "crate", "person", "noon"), see(4, "ladder", "person"), see(5, "person", "person")]
    put_log(loop, "drive.jsonl", rows)
    flag_mispredictions(loop)
    assert match_cases(loop, [case]) == {"crouched-picker": 4}
    return case


def count_facts(loop: Loop) -> dict[str, int]:
    with open_warehouse(loop, write=False) as warehouse:
        counts = {}
        for table in FACTS:
            row = warehouse.connection.execute(f"select count(*) from {table}").fetchone()
            counts[table] = int(row[0]) if row else 0
        return counts


def test_a_trial_tells_what_would_come_and_go_and_writes_nothing(loop: Loop) -> None:
    match(loop)
    before = count_facts(loop)
    edited = CROUCHED.replace(
        "predicted = 'crate' and truth = 'person'",
        "predicted in ('crate', 'ladder') and truth = 'person' and (context->>'light') = 'dusk'",
    )
    put_case(loop, edited, "edited.toml")
    trial = try_case(loop, loop.folder / "edited.toml", "crouched-picker")
    assert (trial.members, trial.members_after, trial.gained, trial.lost, trial.lost_without_flag) == (
        4,
        4,
        1,
        1,
        0,
    )
    assert trial.scope_count == 5
    changes = [(row["change"], row["recording_id"], row["predicted"]) for row in trial.changes]
    assert changes == [("gained", "drive-4", "ladder"), ("lost", "drive-3", "crate")]
    assert count_facts(loop) == before


def test_a_trial_of_a_new_case_gains_all_its_members(file_loop: Loop) -> None:
    match(file_loop)
    put_case(file_loop, CROUCHED.replace("crouched-picker", "new-case"), "new.toml")
    trial = try_case(file_loop, file_loop.folder / "new.toml")
    assert (trial.case_name, trial.members, trial.gained, trial.lost) == ("new-case", 0, 4, 0)


def test_a_member_whose_flag_is_gone_is_told_apart(file_loop: Loop) -> None:
    match(file_loop)
    path = file_loop.folder / "inbox" / "labels.jsonl"
    sample = ("recording_id", "object_id", "observed_at", "attribute")
    label = {key: see(0, "crate", "person")[key] for key in sample}
    label |= {"label": "crate", "origin": "person", "decided_at": "2026-06-01T00:00:00Z"}
    path.write_text(json.dumps(label) + "\n", encoding="utf-8")
    pull_files(file_loop, [path])
    flag_mispredictions(file_loop)
    trial = try_case(file_loop, file_loop.folder / "cases" / "crouched-picker.toml")
    assert (trial.members, trial.members_after, trial.lost, trial.lost_without_flag) == (4, 3, 1, 1)


def test_likeness_that_cannot_be_measured_yet_says_why(file_loop: Loop) -> None:
    match(file_loop)
    put_case(
        file_loop,
        CROUCHED.replace("where = \"(context->>'light') = 'dusk'\"", 'similar_to = "members"'),
        "like.toml",
    )
    trial = try_case(file_loop, file_loop.folder / "like.toml")
    assert trial.scope_count is None
    assert trial.scope_note is not None
    assert "likeness cannot be measured" in trial.scope_note


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [
        (CROUCHED.replace("predicted =", "predicte ="), ExpressionError, "did you mean predicted"),
        (CROUCHED.replace("'obstacle'", "'x'").replace('"obstacle"', '"obstacl"'), SettingsError, "obstacl"),
        (CROUCHED.replace("(context->>'light')", "predicted"), ExpressionError, "names predicted"),
        (CROUCHED.replace("crouched-picker", "other"), InputError, "is about the case other, not crouched-picker"),
    ],
)
def test_an_edited_file_that_does_not_hold_is_refused(
    text: str, error: type[Exception], words: str, file_loop: Loop
) -> None:
    path = file_loop.folder / "edited.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(error, match=words):
        try_case(file_loop, path, "crouched-picker")


def test_a_case_in_full_adds_up(loop: Loop) -> None:
    described = describe_case(loop, match(loop))
    assert described.counts["flagged"] == 4
    assert [(row["found_by"], row["member_count"], row["flagged_count"]) for row in described.members] == [
        ("label_disagrees", 4, 4)
    ]
    assert [row["state"] for row in described.states] == ["open"]


def test_a_case_that_was_never_flagged_has_no_counts(file_loop: Loop) -> None:
    described = describe_case(file_loop, put_case(file_loop))
    assert (described.counts, described.members, described.states) == ({}, [], [])


def test_parking_twice_writes_one_state(loop: Loop) -> None:
    match(loop)
    first = set_case_state(loop, "crouched-picker", "park", "Ina")
    again = set_case_state(loop, "crouched-picker", "park", "Bo")
    assert (first["was"], again["was"], again["state"]) == ("open", "parked", "parked")
    assert count_facts(loop)["case_state"] == 2


def test_a_decision_needs_somebody_who_decides(file_loop: Loop) -> None:
    match(file_loop)
    with pytest.raises(InputError, match="say who decides"):
        set_case_state(file_loop, "crouched-picker", "park", "  ")
    assert count_facts(file_loop)["case_state"] == 1


def test_a_file_that_is_not_there_is_an_error(file_loop: Loop) -> None:
    with pytest.raises(SettingsError, match=r"nowhere\.toml"):
        try_case(file_loop, Path("nowhere.toml"))
