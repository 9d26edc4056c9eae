"""A changed guideline can queue the labels that an older one decided, hold-outs first; nothing is lost."""

from datetime import datetime
from typing import TYPE_CHECKING

import pytest

from tasks.errors import InputError
from tasks.make_loop import make_loop
from tasks.read_status import read_status
from tasks.renew_labels import RenewSummary, renew_labels
from tasks.settle_fixes import settle_fixes

if TYPE_CHECKING:
    from tasks.loop import Loop
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, OpenFixes, ReadRows, WriteRows

SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate"]
guideline = "guideline.md"
answers_needed = 2
rules = []
"""
OLD, NEW = "A picker is a person.", "A picker is a person, also crouched."


@pytest.fixture
def guided(make_any_loop: "MakeLoop") -> "Loop":
    loop = make_any_loop(SETTINGS)
    (loop.folder / "guideline.md").write_text(OLD)
    make_loop(loop)
    return loop


def ask(loop: "Loop", insert_rows: "InsertRows", make_id: "MakeId", samples: list[str]) -> list[str]:
    from tasks.record_definitions import read_guideline

    question = {"attribute": "obstacle", "attempt": 1, "reason": "flagged", "priority": 1.0}
    guideline = read_guideline(loop, loop.settings.attribute["obstacle"])
    rows = [{"fix_id": make_id(s, 1), "sample_id": s, "guideline_sha256": guideline, **question} for s in samples]
    insert_rows(loop, "label_fix", rows)
    insert_rows(
        loop, "fix_request", [{"fix_id": row["fix_id"], "case_name": "c", "reason": "mined"} for row in rows]
    )
    return [str(row["fix_id"]) for row in rows]


def test_labels_of_an_older_guideline_are_asked_again_and_stand_until_answered(
    guided: "Loop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
) -> None:
    loop, obstacle = guided, guided.settings.attribute["obstacle"]
    samples = write_predictions(loop, [{"object_id": f"track-{number}"} for number in range(4)])
    settled, held, half, fresh = samples
    fixes = ask(loop, insert_rows, make_id, samples)
    answer(loop, [(fix, who, "crate") for fix in fixes[:2] for who in ("ada", "ben")])
    answer(loop, [(fixes[2], "ada", "crate")])
    settle_fixes(loop)
    freeze(loop, insert_rows, held)
    assert renew_labels(loop, obstacle) == RenewSummary("obstacle", 0, 0, 0), "nothing is older than itself"
    (loop.folder / "guideline.md").write_text(NEW)

    status = read_status(loop, [], []).attributes[0]
    assert (status["fix_labels"], status["outdated_labels"]) == (2, 2)
    assert renew_labels(loop, obstacle, at_most=1) == RenewSummary("obstacle", 1, 1, 1)
    assert set(open_fixes(loop)) == {held, half, fresh}, "the hold-out's first; what nobody answered just goes on"
    asked = dict(read_rows(loop, "select sample_id, reason from open_fix"))
    assert asked == {held: "guideline", half: "flagged", fresh: "flagged"}
    assert renew_labels(loop, obstacle) == RenewSummary("obstacle", 1, 0, 0)
    assert renew_labels(loop, obstacle) == RenewSummary("obstacle", 0, 0, 0)
    labels = "select sample_id, label from current_label where revision_id is not null"
    assert dict(read_rows(loop, labels)) == {settled: "crate", held: "crate"}, "they stand meanwhile"

    again = open_fixes(loop)
    answer(loop, [(again[settled], who, "person") for who in ("ada", "ben")])
    settle_fixes(loop)
    assert dict(read_rows(loop, labels)) == {settled: "person", held: "crate"}
    assert read_rows(
        loop, "select case_name, reason from fix_request where case_name = 'c' and fix_id = $id", id=again[half]
    ) == [("c", "mined")]


def freeze(loop: "Loop", insert_rows: "InsertRows", sample_id: str) -> None:
    held = {
        "holdout_id": "h",
        "case_name": "c",
        "attribute": "obstacle",
        "version": 1,
        "definition_sha256": "",
        "source": "drawn",
        "size_wanted": 1,
        "definition": "{}",
    }
    insert_rows(loop, "holdout", [held])
    insert_rows(loop, "holdout_freeze", [{"holdout_id": "h", "digest": ""}])
    member = "insert into holdout_member by name select 'h' as holdout_id, $sample as sample_id, 'g' as group_id, "
    rest = "'rest' as stratum, 1.0 as inclusion_probability, false as is_seen"
    from tasks.warehouse import open_warehouse

    def put(_: datetime) -> None:
        warehouse.connection.execute(member + rest, {"sample": sample_id})

    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(put)


def test_without_a_guideline_there_is_nothing_to_renew(file_loop: "Loop") -> None:
    with pytest.raises(InputError, match=r"attribute\.obstacle\.guideline: names no file"):
        renew_labels(file_loop, file_loop.settings.attribute["obstacle"])
