"""The report on annotators names who agrees with whom, how right each seems, and what rests on the careless."""

from typing import TYPE_CHECKING

import pytest

from tasks.report_annotators import report_annotators
from tasks.settle_fixes import settle_fixes

if TYPE_CHECKING:
    from tasks.loop import Loop
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import InsertRows, MakeId, WriteRows

SETTINGS = """
[answers]
annotator_floor = 0.7

[attribute.obstacle]
labels = ["person", "animal", "crate"]
answers_needed = 2
rules = []
"""
LABELS = ("person", "animal", "crate")
ASKED = 60


def fill(loop: "Loop", write: "WriteRows", insert: "InsertRows", make_id: "MakeId") -> list[str]:
    """Sixty questions: ada and ben are right, eve is right in half of them; two more that only two answered."""
    samples = write(loop, [{"recording_id": f"r-{n}", "object_id": "o"} for n in range(ASKED + 2)])
    question = {"attribute": "obstacle", "attempt": 1, "reason": "flagged", "priority": 1.0}
    fixes = [{"fix_id": make_id(sample, 1), "sample_id": sample, **question} for sample in samples]
    insert(loop, "label_fix", fixes)
    wanted = [{"fix_id": fix["fix_id"], "case_name": "crouched", "reason": "flagged"} for fix in fixes[:30]]
    insert(loop, "fix_request", wanted)
    answers = []
    for number, fix in enumerate(fixes):
        right, wrong = LABELS[number % 3], LABELS[(number + 1) % 3]
        given = {"ada": right, "ben": right, "eve": wrong if number % 2 else right}
        if number >= ASKED:
            given = {"eve": right, "ada": right}
        answers += [{"fix_id": fix["fix_id"], "annotator": who, "answer": label} for who, label in given.items()]
    fixed = {"saw_prediction": False, "batch_id": "", "seconds": 2.0}
    insert(loop, "fix_answer", [{**answer, **fixed} for answer in answers])
    settle_fixes(loop)
    return [str(fix["fix_id"]) for fix in fixes]


def test_agreement_accuracy_and_what_rests_on_the_careless(
    make_any_loop: "MakeLoop", write_predictions: "WriteRows", insert_rows: "InsertRows", make_id: "MakeId"
) -> None:
    loop = make_any_loop(SETTINGS)
    fixes = fill(loop, write_predictions, insert_rows, make_id)

    report = report_annotators(loop, loop.settings.attribute["obstacle"])

    people = {row["annotator"]: row for row in report.annotators}
    assert {who: (row["answer_count"], row["is_below_floor"]) for who, row in people.items()} == {
        "ada": (62, False),
        "ben": (60, False),
        "eve": (62, True),
    }
    assert people["eve"]["low"] < 0.5 + 1 / 62 < people["eve"]["high"]
    assert people["ada"]["low"] > 0.9
    assert people["eve"]["rated_count"] == ASKED
    pairs = {(row["first"], row["second"]): row for row in report.pairs}
    assert pairs["ada", "ben"]["cohen_kappa"] == pytest.approx(1.0)
    assert pairs["ada", "eve"]["question_count"] == 62
    # half of 60 equal, of 3 labels equally often: (0.5 - 1/3) / (1 - 1/3) = 0.25 without the last two
    assert pairs["ben", "eve"]["cohen_kappa"] == pytest.approx(0.25)
    whole, case = report.agreement
    assert (whole["case_name"], whole["question_count"], whole["fleiss_raters"]) == (None, 62, 3)
    assert (case["case_name"], case["question_count"]) == ("crouched", 30)
    assert whole["share_equal"] == pytest.approx((60 + 2 * 30 + 2) / (3 * 60 + 2))
    assert 0.4 < whole["krippendorff_alpha"] < 0.6
    # the labels of two people stand only with eve's: without her they would be open
    assert {(row["fix_id"], row["without_them"]) for row in report.would_change} == {
        (f, "open") for f in fixes[60:]
    }


def test_a_hold_out_s_answers_rate_nobody(
    make_file_loop: "MakeLoop", write_predictions: "WriteRows", insert_rows: "InsertRows", make_id: "MakeId"
) -> None:
    loop = make_file_loop(SETTINGS)
    fill(loop, write_predictions, insert_rows, make_id)
    reserved = [
        {"attribute": "obstacle", "group_id": f"r-{n}", "case_name": "overall:obstacle"} for n in range(ASKED + 2)
    ]
    insert_rows(loop, "holdout_reserved", reserved)

    report = report_annotators(loop, loop.settings.attribute["obstacle"])

    assert {row["accuracy"] for row in report.annotators} == {None}
    assert (report.pairs, report.agreement, report.would_change) == ([], [], [])


def test_nobody_answered_yet(file_loop: "Loop") -> None:
    for attribute in file_loop.settings.attribute.values():
        report = report_annotators(file_loop, attribute)
        assert (report.annotators, report.pairs, report.agreement, report.would_change) == ([], [], [], [])
