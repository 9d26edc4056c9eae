"""Answers are weighed by how right each person is known to be; answers under two guidelines never add up."""

import hashlib
from typing import TYPE_CHECKING

import pytest

from tasks.loop import Loop
from tasks.settle_fixes import settle_fixes

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import InsertRows, MakeId, ReadRows, WriteRows

SETTINGS = """
[answers]
settle_at = 0.9

[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder"]
critical = ["person"]
deciders = ["dora"]
guideline = "guideline.md"
answers_needed = 2
answers_at_most = 4
"""
LABELS = ("animal", "crate", "ladder")
OUTCOMES = (
    "select k.object_id, o.outcome, r.label, r.guideline_sha256 from label_fix f "
    "inner join known_sample k using (sample_id) left join fix_outcome o using (fix_id) "
    "left join label_revision r on r.fix_id = f.fix_id"
)


class Desk:
    """Questions by name, and answers to them."""

    def __init__(self, loop: Loop, write: "WriteRows", insert: "InsertRows", read: "ReadRows", name: "MakeId"):
        self.loop, self.write, self.insert, self.read, self.name = loop, write, insert, read, name
        self.sample: dict[str, str] = {}

    def ask(self, *names: str, predicted: str = "crate") -> None:
        rows = [{"recording_id": f"run-{n}", "object_id": n, "predicted": predicted} for n in names]
        self.sample |= dict(zip(names, self.write(self.loop, rows), strict=True))
        question = {"attribute": "obstacle", "attempt": 1, "reason": "flagged", "priority": 1.0}
        fixes = [{"fix_id": self.fix(n), "sample_id": self.sample[n], **question} for n in names]
        self.insert(self.loop, "label_fix", fixes)

    def fix(self, name: str) -> str:
        return self.name(self.sample[name], 1)

    def answer(self, name: str, text: str, guideline: str | None = None) -> None:
        fixed = {"fix_id": self.fix(name), "saw_prediction": False, "batch_id": "", "guideline_sha256": guideline}
        pairs = [pair.split() for pair in text.split(", ")]
        self.insert(self.loop, "fix_answer", [{**fixed, "annotator": who, "answer": what} for who, what in pairs])

    def learn(self, count: int) -> None:
        """Let all three answer `count` questions: ada and ben right, eve in four of ten."""
        names = [f"past-{number}" for number in range(count)]
        self.ask(*names)
        for number, name in enumerate(names):
            right = LABELS[number % 3]
            wrong = LABELS[(number + 1) % 3] if number % 5 < 3 else right
            self.answer(name, f"ada {right}, ben {right}, eve {wrong}")
        settle_fixes(self.loop)

    def settle(self) -> dict[str, tuple[str | None, str | None]]:
        settle_fixes(self.loop)
        rows = self.read(self.loop, OUTCOMES)
        return {name: (outcome, label) for name, outcome, label, _ in rows if not name.startswith("past")}


@pytest.fixture
def desk(
    make_file_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    read_rows: "ReadRows",
    make_id: "MakeId",
) -> Desk:
    return Desk(make_file_loop(SETTINGS), write_predictions, insert_rows, read_rows, make_id)


def test_a_careless_vote_does_not_hold_up_a_careful_one(desk: Desk) -> None:
    desk.learn(25)
    desk.ask("sure", "doubtful", "outvoted")
    desk.answer("sure", "ada crate, ben crate")
    desk.answer("doubtful", "eve crate, ada ladder")
    desk.answer("outvoted", "eve crate, ada ladder, ben ladder")

    assert desk.settle() == {
        "sure": ("settled", "crate"),
        "doubtful": ("settled", "ladder"),  # ada is always right, eve hardly more often than chance
        "outvoted": ("settled", "ladder"),
    }


def test_nobody_is_weighed_before_twenty_rated_answers(desk: Desk) -> None:
    desk.learn(19)
    desk.ask("doubtful", "agreed")
    desk.answer("doubtful", "eve crate, ada ladder")
    desk.answer("agreed", "eve crate, ada crate")

    assert desk.settle() == {"doubtful": (None, None), "agreed": ("settled", "crate")}


def test_one_unknown_voter_leaves_a_fix_to_plain_agreement(desk: Desk) -> None:
    desk.learn(25)
    desk.ask("doubtful")
    desk.answer("doubtful", "eve crate, ada ladder, cyd unsure")
    desk.ask("stranger")
    desk.answer("stranger", "eve crate, cyd ladder")

    assert desk.settle() == {"doubtful": ("settled", "ladder"), "stranger": (None, None)}


def test_a_critical_class_is_never_outvoted_by_weights(desk: Desk) -> None:
    desk.learn(25)
    desk.ask("critical", "decided")
    desk.answer("critical", "eve person, ada crate, ben crate")
    desk.answer("decided", "eve person, ada crate, dora crate")

    assert desk.settle() == {"critical": (None, None), "decided": ("settled", "crate")}


def test_known_items_tell_how_right_somebody_is_and_settle_nothing(
    desk: Desk, insert_rows: "InsertRows", read_rows: "ReadRows"
) -> None:
    desk.ask(*(f"known-{number}" for number in range(40)))
    known = []
    for number in range(40):
        name = f"known-{number}"
        known.append(
            {
                "fix_id": desk.name(desk.sample[name], 2),
                "sample_id": desk.sample[name],
                "attribute": "obstacle",
                "attempt": 2,
                "revision_id": "",
                "label": "crate",
            }
        )
    insert_rows(desk.loop, "known_item", known)
    fixed = {"saw_prediction": False, "batch_id": ""}
    answers = [
        {**fixed, "fix_id": item["fix_id"], "annotator": who, "answer": "crate" if who == "ada" else wrong}
        for number, item in enumerate(known)
        for who, wrong in (("ada", ""), ("eve", LABELS[number % 3]))
    ]
    insert_rows(desk.loop, "fix_answer", answers)
    desk.ask("doubtful")
    desk.answer("doubtful", "eve ladder, ada animal")

    outcomes = desk.settle()

    assert outcomes["doubtful"] == ("settled", "animal")
    assert {outcomes[f"known-{number}"] for number in range(40)} == {(None, None)}


def test_answers_on_reserved_groups_rate_nobody(desk: Desk, insert_rows: "InsertRows") -> None:
    desk.learn(25)
    groups = [{"attribute": "obstacle", "group_id": f"run-past-{number}"} for number in range(6)]
    insert_rows(desk.loop, "holdout_reserved", [{**group, "case_name": "overall:obstacle"} for group in groups])
    desk.ask("doubtful")
    desk.answer("doubtful", "eve crate, ada ladder")

    assert desk.settle() == {"doubtful": (None, None)}  # 19 rated answers are left


def test_answers_under_different_guidelines_are_never_pooled(desk: Desk, read_rows: "ReadRows") -> None:
    old, new = "0" * 64, hashlib.sha256(b"Crouched pickers are persons.").hexdigest()
    (desk.loop.folder / "guideline.md").write_bytes(b"Crouched pickers are persons.")
    desk.ask("mixed", "renewed", "old")
    desk.answer("mixed", "ada crate", old)
    desk.answer("mixed", "ben crate", new)
    desk.answer("renewed", "ada ladder, ben ladder", old)
    desk.answer("renewed", "cyd crate, eve crate", new)
    desk.answer("old", "ada ladder, ben ladder", old)

    assert desk.settle() == {
        "mixed": (None, None),
        "renewed": ("settled", "crate"),
        "old": ("settled", "ladder"),
    }
    hashes = {name: guideline for name, _, _, guideline in read_rows(desk.loop, OUTCOMES)}
    assert hashes == {"mixed": None, "renewed": new, "old": old}
