"""The current views on hostile rows: which label counts, which prediction, what is flagged, asked and counted."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_settings
from tasks.settle_fixes import settle_fixes
from tasks.warehouse import open_warehouse, show_as_of

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, OpenFixes, ReadRows, Row, WriteCase, WriteRows

EARLY, LATE = "2026-05-02T00:00:00Z", "2026-05-03T00:00:00Z"
LABEL = "select label, label_value, origin, disputed_because from current_label where sample_id = $id"

# object -> the labels that files give it, and what current_label says of it then
FROM_FILES: dict[str, tuple[list["Row"], tuple[str | None, str, str | None]]] = {
    "a person before a later machine": (
        [
            {"label": "person", "decided_at": EARLY},
            {"label": "crate", "origin": "machine", "decided_at": LATE},
            {"label": "animal", "origin": "synthetic", "decided_at": LATE},
        ],
        ("person", "person", None),
    ),
    "a machine before synthetic": (
        [{"label": "crate", "origin": "synthetic", "decided_at": LATE}, {"label": "person", "origin": "machine"}],
        ("person", "machine", None),
    ),
    "the later decision": (
        [{"label": "person", "decided_at": EARLY}, {"label": "crate", "decided_at": LATE}],
        ("crate", "person", None),
    ),
    "equal times that disagree": (
        [{"label": "person", "decided_at": LATE}, {"label": "crate", "decided_at": LATE}],
        (None, "person", "labels disagree"),
    ),
    "equal times that agree": (
        [{"decided_at": LATE, "decided_by": "ada"}, {"decided_at": LATE, "decided_by": "ben"}],
        ("person", "person", None),
    ),
    "a missing time that disagrees": (
        [{"label": "person", "decided_at": LATE}, {"label": "crate"}],
        (None, "person", "labels disagree"),
    ),
    "a missing time that agrees": ([{"decided_at": LATE}, {}], ("person", "person", None)),
    "two without a time": ([{"label": "person"}, {"label": "crate"}], (None, "person", "labels disagree")),
    "a dispute that a later decision ended": (
        [
            {"label": "person", "decided_at": EARLY, "decided_by": "ada"},
            {"label": "crate", "decided_at": EARLY, "decided_by": "ben"},
            {"label": "animal", "decided_at": LATE},
        ],
        ("animal", "person", None),
    ),
    "a dispute among machines below a person": (
        [
            {"label": "crate", "origin": "machine"},
            {"label": "animal", "origin": "machine"},
            {"label": "person"},
        ],
        ("person", "person", None),
    ),
    "an old label": ([{"label": "step_ladder"}], ("ladder", "person", None)),
    "an old label that agrees with its present name": (
        [{"label": "step_ladder"}, {"label": "ladder"}],
        ("ladder", "person", None),
    ),
}


def test_of_labels_by_file_origin_then_time_decides_and_an_open_contradiction_gives_none(
    make_any_loop: "MakeLoop", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    labels = '[attribute.obstacle]\nlabels = ["person", "animal", "crate", "ladder"'
    loop = make_any_loop(labels + ', "step_ladder"]\n')
    rows = [{"object_id": name, **row} for name, (given, _) in FROM_FILES.items() for row in given]
    ids = dict(zip((row["object_id"] for row in rows), write_labels(loop, rows), strict=True))

    found = _merge_step_ladder(loop)

    expected = {name: wanted for name, (_, wanted) in FROM_FILES.items()}
    by_id = {
        row[0]: row[1:]
        for row in read_rows(found, "select sample_id, label, origin, disputed_because from current_label")
    }
    assert {name: by_id[sample_id] for name, sample_id in ids.items()} == expected
    assert read_rows(found, "select count(*) from label_revision where label = 'step_ladder'") == [(2,)]
    truths: dict[str, str | None] = dict(read_rows(found, "select object_id, truth from current_sample"))
    assert truths == {name: wanted[0] for name, wanted in expected.items()}


def _merge_step_ladder(loop: Loop) -> Loop:
    path = loop.folder / "turnrow.toml"
    text = path.read_text(encoding="utf-8").replace(', "step_ladder"]', ']\nwas = {"step_ladder" = "ladder"}')
    path.write_text(text, encoding="utf-8")
    later = replace(loop, settings=read_settings(loop.folder))
    flag_mispredictions(later)
    return later


def test_numbers_within_the_tolerance_do_not_contradict_each_other(
    loop: Loop, write_labels: "WriteRows", read_rows: "ReadRows", make_id: "MakeId"
) -> None:
    """Of two that count alike the smaller revision_id is shown; the tolerance is 0.2."""
    near, _, far, _ = write_labels(
        loop,
        [
            {"object_id": "near", "attribute": "distance", "label": "2.0"},
            {"object_id": "near", "attribute": "distance", "label": "2.2"},
            {"object_id": "far", "attribute": "distance", "label": "2.0"},
            {"object_id": "far", "attribute": "distance", "label": "2.3"},
        ],
    )
    ids = {value: make_id(near, None, value, "person", None, None, None) for value in (2.0, 2.2)}
    assert read_rows(loop, LABEL, id=near) == [(None, min(ids, key=lambda v: ids[v]), "person", None)]
    assert read_rows(loop, LABEL, id=far) == [(None, None, "person", "labels disagree")]


def test_of_equal_claims_the_smallest_revision_id_is_shown(
    file_loop: Loop, write_labels: "WriteRows", read_rows: "ReadRows", make_id: "MakeId"
) -> None:
    people = ["ada", "ben", "cyd", "dora"]
    sample, *_ = write_labels(file_loop, [{"decided_by": name} for name in people])
    revisions = [make_id(sample, "person", None, "person", name, None, None) for name in people]
    assert read_rows(file_loop, "select revision_id from current_label") == [(min(revisions),)]


class _Facts:
    """Attempts and their outcomes, put down as facts in the order in which they became known."""

    def __init__(self, loop: Loop, insert_rows: "InsertRows", make_id: "MakeId") -> None:
        self.loop, self.insert, self.make_id = loop, insert_rows, make_id

    def ask(self, sample_id: str, attempt: int, about: list[str] | None = None) -> str:
        fix_id = self.make_id(sample_id, attempt)
        fix = {
            "fix_id": fix_id,
            "sample_id": sample_id,
            "attribute": "obstacle",
            "attempt": attempt,
            "reason": "flagged",
            "priority": 1.0,
            "about_revisions": about,
        }
        self.insert(self.loop, "label_fix", [fix])
        return fix_id

    def settle(self, sample_id: str, fix_id: str, label: str, decided_at: datetime | None = None) -> str:
        revision_id = self.make_id(sample_id, label, None, "person", "ada,ben", decided_at, fix_id)
        revision = {
            "revision_id": revision_id,
            "sample_id": sample_id,
            "attribute": "obstacle",
            "observed_at": datetime(2026, 5, 1, 6, tzinfo=UTC),
            "label": label,
            "origin": "person",
            "decided_by": "ada,ben",
            "decided_at": decided_at,
            "fix_id": fix_id,
        }
        self.insert(self.loop, "label_revision", [revision])
        self.end(fix_id, "settled", revision_id)
        return revision_id

    def end(self, fix_id: str, outcome: str, revision_id: str | None = None) -> None:
        row = {"fix_id": fix_id, "outcome": outcome, "revision_id": revision_id}
        self.insert(self.loop, "fix_outcome", [row])


@pytest.fixture
def facts(loop: Loop, insert_rows: "InsertRows", make_id: "MakeId") -> _Facts:
    return _Facts(loop, insert_rows, make_id)


def test_a_settled_fix_replaces_all_that_its_question_was_about_until_its_lot_fails(
    loop: Loop, facts: _Facts, write_labels: "WriteRows", read_rows: "ReadRows", make_id: "MakeId"
) -> None:
    """Two disputing labels without a time: the answer, itself without a time, still ends the dispute."""
    sample, _ = write_labels(loop, [{"label": "person"}, {"label": "crate"}])
    about = sorted(make_id(sample, label, None, "person", None, None, None) for label in ("person", "crate"))
    fix_id = facts.ask(sample, 1, about)
    assert read_rows(loop, LABEL, id=sample) == [(None, None, "person", "labels disagree")]

    facts.settle(sample, fix_id, "animal")
    assert read_rows(loop, LABEL, id=sample) == [("animal", None, "person", None)]

    second = facts.ask(sample, 2)
    facts.settle(sample, second, "ladder", datetime(2026, 6, 1, tzinfo=UTC))
    facts.end(second, "withdrawn")
    assert read_rows(loop, LABEL, id=sample) == [("animal", None, "person", None)]

    facts.end(fix_id, "lot_failed")
    assert read_rows(loop, LABEL, id=sample) == [(None, None, "person", "labels disagree")]


def test_an_attempt_without_an_answer_leaves_no_label_until_a_later_one_has_one(
    loop: Loop, facts: _Facts, write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    """One that was withdrawn, or whose lot failed, says nothing: what stood before it stands."""
    (sample,) = write_labels(loop, [{"label": "crate"}])
    first = facts.ask(sample, 1)
    assert read_rows(loop, LABEL, id=sample) == [("crate", None, "person", None)]
    facts.end(first, "ambiguous")
    assert read_rows(loop, LABEL, id=sample) == [(None, None, "person", "ambiguous")]

    facts.end(facts.ask(sample, 2), "withdrawn")
    assert read_rows(loop, LABEL, id=sample) == [(None, None, "person", "ambiguous")]

    third = facts.ask(sample, 3)
    facts.settle(sample, third, "animal", datetime(2026, 6, 1, tzinfo=UTC))
    facts.end(third, "lot_failed")
    assert read_rows(loop, LABEL, id=sample) == [(None, None, "person", "ambiguous")]

    facts.end(facts.ask(sample, 4), "unusable")
    assert read_rows(loop, LABEL, id=sample) == [(None, None, "person", "unusable")]

    revision_id = facts.settle(sample, facts.ask(sample, 5), "person", datetime(2026, 7, 1, tzinfo=UTC))
    assert read_rows(loop, "select label, origin, disputed_because, revision_id from current_label") == [
        (None, "person", "labels disagree", None)
    ], "the label by file has no time, and this question was not about it"
    assert revision_id


def test_the_incumbents_served_prediction_is_current_else_the_latest(
    loop: Loop, write_predictions: "WriteRows", insert_rows: "InsertRows", read_rows: "ReadRows"
) -> None:
    def served(name: str, model: str, predicted: str, predicted_at: str, role: str = "served") -> "Row":
        return {
            "object_id": name,
            "model_version": model,
            "predicted": predicted,
            "predicted_at": predicted_at,
            "role": role,
        }

    both, *_ = write_predictions(
        loop,
        [
            served("both", "obstacle-1", "crate", EARLY),
            served("both", "obstacle-2", "person", LATE),
            served("both", "obstacle-9", "animal", LATE, "replay"),
            served("other", "obstacle-2", "person", LATE),
            served("other", "obstacle-3", "ladder", LATE),
            served("replayed", "obstacle-1", "crate", LATE, "replay"),
        ],
    )
    query = "select model_version, predicted from current_prediction order by sample_id = $id desc"
    assert read_rows(loop, query, id=both) == [("obstacle-2", "person"), ("obstacle-3", "ladder")]

    sign = {"attribute": "obstacle", "against_verdict": False, "signed_by": "dora"}
    insert_rows(loop, "sign_off", [{"model_version": "obstacle-1", "decision": "import", **sign}])
    insert_rows(loop, "sign_off", [{"model_version": "obstacle-2", "decision": "refuse", **sign}])
    assert read_rows(loop, query, id=both) == [("obstacle-1", "crate"), ("obstacle-3", "ladder")]


def test_counts_never_multiply_where_rules_models_and_cases_meet(
    loop: Loop,
    write_predictions: "WriteRows",
    write_labels: "WriteRows",
    write_case: "WriteCase",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
) -> None:
    """Two rules, two models, two cases that share a sample, and one sample that only one of them has."""
    models = ("obstacle-1", "obstacle-2")
    objects = ("labelled", "asked", "only_first")
    rows = [
        {"object_id": name, "model_version": model, "confidence": 0.5 + index / 100}
        for (name, model), index in zip(itertools.product(objects, models), range(6), strict=True)
    ]
    ids = dict(zip((row["object_id"] for row in rows), write_predictions(loop, rows), strict=True))
    write_labels(loop, [{"object_id": "labelled", "label": "person"}])
    cases = [
        write_case(loop, "all-doubts", "true", severity="low"),
        write_case(loop, "not-the-last", "object_id <> 'only_first'", severity="high"),
    ]
    assert flag_mispredictions(loop).flagged == 8
    assert match_cases(loop, cases) == {"all-doubts": 6, "not-the-last": 4}
    assert queue_doubted(loop) == 2

    counts = "select case_name, flagged, queued, settled, held_out, in_training from case_counts order by all"
    assert read_rows(loop, counts) == [("all-doubts", 3, 2, 1, 0, 0), ("not-the-last", 2, 1, 1, 0, 0)]
    assert read_rows(loop, "select count(*), count(distinct prediction_id) from flagged_sample") == [(6, 6)]
    asked = open_fixes(loop)
    assert set(asked) == {ids["asked"], ids["only_first"]}
    assert read_rows(loop, "select case_names, answer_count from open_fix order by len(case_names)") == [
        (["all-doubts"], 0),
        (["all-doubts", "not-the-last"], 0),
    ]

    fix_id = asked[ids["asked"]]
    answer(loop, [(fix_id, "ada", "person", LATE), (fix_id, "ben", "person", LATE)])
    assert read_rows(loop, "select answer_count from open_fix where fix_id = $id", id=fix_id) == [(2,)]
    settle_fixes(loop)
    flag_mispredictions(loop)
    assert read_rows(loop, counts) == [("all-doubts", 3, 1, 2, 0, 0), ("not-the-last", 2, 0, 2, 0, 0)]
    assert list(open_fixes(loop)) == [ids["only_first"]]


def test_a_case_that_moves_to_another_attribute_has_one_row_and_none_of_its_old_members(
    file_loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", read_rows: "ReadRows"
) -> None:
    write_predictions(file_loop, [{"confidence": 0.5}])
    flag_mispredictions(file_loop)
    match_cases(file_loop, [write_case(file_loop, "moved", "true")])
    match_cases(file_loop, [write_case(file_loop, "moved", "true", attribute="ground")])

    assert read_rows(file_loop, "select case_name, flagged from case_counts") == [("moved", 0)]


def test_the_views_of_the_past_show_the_labels_of_the_past(
    loop: Loop, facts: _Facts, write_labels: "WriteRows"
) -> None:
    (sample,) = write_labels(loop, [{"label": "crate"}])
    fix_id = facts.ask(sample, 1)
    with open_warehouse(loop, write=False) as warehouse:
        before = warehouse.read_clock()
    facts.end(fix_id, "unusable")

    with open_warehouse(loop, write=False) as warehouse:
        query = "select label from current_label"
        now = warehouse.connection.execute(query).fetchall()
        with show_as_of(warehouse, before):
            then = warehouse.connection.execute(query).fetchall()
    assert (then, now) == ([("crate",)], [(None,)])
