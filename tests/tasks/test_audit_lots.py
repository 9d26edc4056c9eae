"""Settled fixes gather in lots; a sample of each is asked of other people; too many wrong labels refuse it."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pytest

from schemas.settings import RestrictionSettings
from tasks.audit_lots import AuditSummary, audit_lots
from tasks.erase_recording import erase_recording
from tasks.errors import SettingsError, UnknownNameError
from tasks.list_lots import list_lots
from tasks.loop import Loop
from tasks.resume_inspection import resume_inspection
from tasks.settle_fixes import settle_fixes

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, ReadRows, WriteRows

# Lots of 10 at AQL 10 (level II): code letter B, 5 of them drawn, 1 wrong allowed, 2 refuse; tightened: 8, 1, 2
# (MIL-STD-105E, Tables I, II-A and II-B).
SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder"]
was = {"step_ladder" = "ladder"}
answers_needed = 2
rules = ["label_disagrees"]

[attribute.distance]
kind = "number"
unit = "m"
tolerance = 0.2
answers_needed = 2

[audit]
aql = 10.0
lot_size = 10
"""
DECIDERS = SETTINGS.replace("answers_needed = 2\nrules", 'answers_needed = 2\ndeciders = ["dora", "dov"]\nrules')
FACTS = ("audit_lot", "audit_lot_fix", "audit_item", "audit_verdict", "fix_outcome", "label_fix", "fix_request")


@dataclass
class Desk:
    """A loop with short names for what people do in it."""

    loop: Loop
    write_predictions: "WriteRows"
    insert_rows: "InsertRows"
    answer: "Answer"
    read: "ReadRows"
    make_id: "MakeId"
    fixes: dict[str, str] = field(default_factory=dict)

    def settle(
        self,
        names: Sequence[str],
        *,
        by: Sequence[str] = ("ana", "ben"),
        label: str = "crate",
        attribute: str = "obstacle",
    ) -> dict[str, str]:
        """Serve a sample for each name, ask, have it answered by all of `by` alike, settle: name -> fix_id."""
        rows = [{"object_id": name, "attribute": attribute, "predicted": label} for name in names]
        samples = self.write_predictions(self.loop, rows)
        asked = dict(zip(names, (self.make_id(sample, 1) for sample in samples), strict=True))
        question = {"attribute": attribute, "attempt": 1, "reason": "flagged", "priority": 10.0}
        new = [
            {"fix_id": asked[name], "sample_id": sample, **question}
            for name, sample in zip(names, samples, strict=True)
        ]
        self.insert_rows(self.loop, "label_fix", new)
        self.answer(self.loop, [(fix_id, who, label) for fix_id in asked.values() for who in by])
        assert settle_fixes(self.loop).settled == len(names)
        self.fixes |= asked
        return asked

    def audit(self, **more: Any) -> AuditSummary:
        return audit_lots(self.loop, **more)

    def items(self) -> list[tuple[str, str]]:
        """The questions of undecided lots: (fix_id of the question, fix_id that it audits), in order of lots."""
        query = (
            "select i.fix_id, i.audited_fix_id from audit_item as i inner join audit_lot as l using (lot_id) "
            "anti join audit_verdict using (lot_id) order by l.attribute, l.source, l.lot_number, i.fix_id"
        )
        return [(str(item), str(fix)) for item, fix in self.read(self.loop, query)]

    def find(self, *wrong: str, right: str = "crate", by: str = "cyd", at_most: int = 99) -> list[str]:
        """Answer open audit questions, the first ones with `wrong`, the others rightly; return what they audit."""
        items = self.items()[:at_most]
        said = [*wrong, *[right] * (len(items) - len(wrong))]
        self.give([(item, by, text) for (item, _), text in zip(items, said, strict=True)])
        return [fix for _, fix in items]

    def give(self, answers: Sequence[tuple[str, str, str]]) -> None:
        """Import answers, every one of which must be kept."""
        summary = self.answer(self.loop, answers)
        assert summary.rows_kept == len(answers), summary

    def label(self, fix_id: str) -> str | None:
        """The present label of a fix's sample."""
        rows = self.read(
            self.loop,
            "select l.label from current_label as l inner join label_fix as f using (sample_id) "
            "where f.fix_id = $id",
            id=fix_id,
        )
        return str(rows[0][0]) if rows and rows[0][0] is not None else None

    def facts(self) -> dict[str, list[Any]]:
        return {name: self.read(self.loop, f"select * from {name} order by all") for name in FACTS}


@pytest.fixture
def desk(
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    answer: "Answer",
    read_rows: "ReadRows",
    make_id: "MakeId",
    make_file_loop: "MakeLoop",
) -> Desk:
    """A desk on a DuckDB file."""
    return Desk(make_file_loop(SETTINGS), write_predictions, insert_rows, answer, read_rows, make_id)


@pytest.fixture
def any_desk(desk: Desk, make_any_loop: "MakeLoop") -> Desk:
    """A desk, once on a DuckDB file and once on a lake."""
    desk.loop = make_any_loop(SETTINGS, "any")
    return desk


def name(count: int, prefix: str = "a") -> list[str]:
    return [f"{prefix}{number:02d}" for number in range(count)]


def test_lots_are_formed_of_one_source_in_order_and_their_items_drawn_by_hash(desk: Desk) -> None:
    first = sorted(desk.settle(name(7)).values())
    second = sorted(desk.settle(name(6, "b")).values())
    others = desk.settle(name(9, "c"), by=("ben", "cyd"))
    desk.settle(name(3, "d"), label="2.5", attribute="distance")

    assert desk.audit() == AuditSummary(formed=1)

    members = [*first, *second[:3]]
    lot_id = desk.make_id("obstacle", "ana,ben", *sorted(members))
    assert desk.read(desk.loop, "select * exclude (known_at) from audit_lot") == [
        (lot_id, "obstacle", "ana,ben", 1, 10.0, "II", "normal", 10, 5, 1, 2)
    ]
    assert sorted(desk.read(desk.loop, "select fix_id from audit_lot_fix")) == [(fix,) for fix in sorted(members)]
    drawn = sorted(members, key=lambda fix: hashlib.sha256(f"{lot_id}\x1f{fix}".encode()).hexdigest())[:5]
    items = desk.read(
        desk.loop,
        "select i.audited_fix_id, i.fix_id, i.sample_id, i.attempt, f.sample_id from audit_item as i "
        "inner join label_fix as f on f.fix_id = i.audited_fix_id",
    )
    assert {row[0] for row in items} == set(drawn)
    assert all(row[1:4] == (desk.make_id(row[4], 2), row[4], 2) for row in items)

    before = desk.facts()
    assert desk.audit() == AuditSummary()
    assert desk.facts() == before

    assert desk.audit(is_closing=True).formed == 3
    sizes = desk.read(desk.loop, "select attribute, source, lot_number, lot_size from audit_lot order by all")
    assert sizes == [
        ("distance", "ana,ben", 1, 3),
        ("obstacle", "ana,ben", 1, 10),
        ("obstacle", "ana,ben", 2, 3),
        ("obstacle", "ben,cyd", 1, len(others)),
    ]
    assert desk.audit(is_closing=True) == AuditSummary()


def test_nobody_who_decided_a_fix_may_answer_its_audit(desk: Desk) -> None:
    desk.settle(name(10))
    desk.audit()
    item = desk.items()[0][0]
    barred = desk.read(desk.loop, "select annotator from barred_annotator where fix_id = $id order by 1", id=item)
    assert barred == [("ana",), ("ben",)]


def test_one_fix_is_no_lot_and_without_audit_there_are_none(desk: Desk, make_file_loop: "MakeLoop") -> None:
    desk.settle(["alone"])
    assert desk.audit(is_closing=True) == AuditSummary()

    desk.loop = make_file_loop(SETTINGS.split("[audit]")[0], "unaudited")
    desk.settle(name(10))
    assert desk.audit(is_closing=True) == AuditSummary()
    assert desk.read(desk.loop, "select count(*) from audit_lot") == [(0,)]
    with pytest.raises(SettingsError, match=r"no \[audit\]"):
        list_lots(desk.loop)


def test_a_lot_is_refused_as_soon_as_too_many_are_wrong_and_goes_to_other_people(any_desk: Desk) -> None:
    desk = any_desk
    fixes = desk.settle(name(10))
    desk.insert_rows(
        desk.loop,
        "fix_request",
        [
            {"fix_id": fix, "case_name": "dusk", "reason": "mined", "prediction_id": "p", "misprediction_id": None}
            for fix in list(fixes.values())[:4]
        ],
    )
    desk.audit()
    desk.find("ladder", at_most=1)
    assert desk.audit() == AuditSummary(), "one wrong is allowed, and four are still to be answered"
    desk.give([(desk.items()[1][0], "cyd", "person")])

    assert desk.audit() == AuditSummary(failed=1, asked_anew=10)

    assert desk.read(desk.loop, "select verdict, wrong_count from audit_verdict") == [("failed", 2)]
    ended = desk.read(desk.loop, "select fix_id, arg_max(outcome, known_at) from fix_outcome group by fix_id")
    assert dict(ended) == dict.fromkeys(fixes.values(), "lot_failed")
    assert {desk.label(fix) for fix in fixes.values()} == {None}
    anew = desk.read(
        desk.loop,
        "select e.fix_id, list(b.annotator order by b.annotator), min(f.reason), min(f.attempt), min(f.fix_id) "
        "from open_fix as f inner join label_fix as e on e.sample_id = f.sample_id and e.attempt = 1 "
        "inner join barred_annotator as b on b.fix_id = f.fix_id group by e.fix_id",
    )
    drawn = {fix for _, fix in desk.read(desk.loop, "select fix_id, audited_fix_id from audit_item")}
    assert {row[0]: (*row[1:3], row[3]) for row in anew} == {
        fix: (["ana", "ben"], "second_look", 3 if fix in drawn else 2) for fix in fixes.values()
    }
    asked_by_case = desk.read(
        desk.loop,
        "select e.fix_id, q.case_name, q.reason, q.prediction_id from fix_request as q "
        "inner join open_fix as f on f.fix_id = q.fix_id "
        "inner join label_fix as e on e.sample_id = f.sample_id and e.attempt = 1 where q.case_name is not null",
    )
    assert sorted(asked_by_case) == sorted((fix, "dusk", "mined", "p") for fix in list(fixes.values())[:4])

    before = desk.facts()
    assert desk.audit() == AuditSummary()
    assert desk.facts() == before


def test_what_a_refused_label_had_replaced_counts_again_until_it_is_replaced_anew(
    desk: Desk, write_labels: "WriteRows", open_fixes: Any
) -> None:
    (sample,) = write_labels(desk.loop, [{"object_id": "a00", "label": "animal", "origin": "machine"}])
    (revision,) = desk.read(desk.loop, "select revision_id from label_revision")
    fixes = desk.settle(name(10))
    assert desk.label(fixes["a00"]) == "crate"
    desk.audit()
    desk.find("person", "person")
    desk.audit()

    assert desk.label(fixes["a00"]) == "animal"
    anew = open_fixes(desk.loop)[sample]
    assert desk.read(desk.loop, "select about_revisions from label_fix where fix_id = $id", id=anew) == [
        ([revision[0]],)
    ]
    desk.answer(desk.loop, [(anew, who, "person") for who in ("cyd", "eve")])
    settle_fixes(desk.loop)
    assert desk.read(desk.loop, "select label from standing_revision where sample_id = $id", id=sample) == [
        ("person",)
    ]


def test_a_sample_that_is_asked_again_already_is_not_asked_twice(desk: Desk) -> None:
    fixes = desk.settle(name(10))
    desk.audit()
    rows = desk.read(desk.loop, "select sample_id from label_fix where fix_id = $id", id=fixes["a00"])
    question = {"attribute": "obstacle", "attempt": 7, "reason": "guideline", "priority": 40.0}
    desk.insert_rows(desk.loop, "label_fix", [{"fix_id": "open", "sample_id": rows[0][0], **question}])
    desk.find("person", "person")

    assert desk.audit() == AuditSummary(failed=1, asked_anew=9)
    asked = desk.read(desk.loop, "select fix_id from open_fix where sample_id = $id", id=rows[0][0])
    assert asked == [("open",)]


def test_a_lot_with_few_wrong_passes_and_the_wrong_ones_are_asked_anew(desk: Desk) -> None:
    fixes = desk.settle(name(10))
    desk.audit()
    wrong, *_ = desk.find("person")

    assert desk.audit() == AuditSummary(passed=1, asked_anew=1)

    assert desk.read(desk.loop, "select verdict, wrong_count from audit_verdict") == [("passed", 1)]
    assert {fix for fix in fixes.values() if desk.label(fix) is None} == {wrong}
    ended = desk.read(desk.loop, "select arg_max(outcome, known_at) from fix_outcome where fix_id = $id", id=wrong)
    assert ended == [("withdrawn",)]
    anew = desk.read(
        desk.loop,
        "select f.reason, list(b.annotator order by b.annotator) from open_fix as f "
        "inner join barred_annotator as b on b.fix_id = f.fix_id group by f.fix_id, f.reason",
    )
    assert anew == [("second_look", ["ana", "ben"])]
    verdicts = desk.read(desk.loop, "select fix_id, verdict from fix_lot")
    assert dict(verdicts) == dict.fromkeys(fixes.values(), "passed")
    assert desk.audit() == AuditSummary()


def test_as_of_a_moment_before_the_verdict_the_lot_was_open(desk: Desk) -> None:
    from tasks.warehouse import open_warehouse, show_as_of

    fixes = desk.settle(name(10))
    desk.audit()
    desk.find("person", "person")
    with open_warehouse(desk.loop, write=False) as warehouse:
        then = warehouse.read_clock()
    desk.audit()
    with open_warehouse(desk.loop, write=False) as warehouse, show_as_of(warehouse, then):
        ask = warehouse.connection.execute
        assert ask("select distinct verdict from fix_lot").fetchall() == [(None,)]
        assert ask("select count(*) from current_label where label = 'crate'").fetchall() == [(len(fixes),)]


# what the audit's people answered, in order, and what it says of the settled label: None while it is open
CLASSES = {
    "nobody": ("", None),
    "the same": ("cyd crate", False),
    "another label": ("cyd person", True),
    "unusable": ("cyd unusable", True),
    "unsure waits": ("cyd unsure", None),
    "unsure, then another person": ("cyd unsure, eve person", True),
    "the first label decides": ("cyd crate, eve person", False),
    "whoever decided does not count": ("ana person, ben person", None),
}
LADDERS = {"an old name, now the same label": ("cyd step_ladder", False), "another": ("cyd crate", True)}
NUMBERS = {
    "at the tolerance": ("cyd 2.7", False),
    "beyond it": ("cyd 2.71", True),
    "unusable": ("cyd unusable", True),
    "unsure": ("cyd unsure", None),
}
DECIDED = {
    "not a decider": ("cyd person", None),
    "a decider": ("cyd person, dora crate", False),
    "any decider": ("dov person", True),
}


@pytest.mark.parametrize(
    ("settings", "attribute", "label", "cases"),
    [
        (SETTINGS, "obstacle", "crate", CLASSES),
        (SETTINGS, "obstacle", "ladder", LADDERS),
        (SETTINGS, "distance", "2.5", NUMBERS),
        (DECIDERS, "obstacle", "crate", DECIDED),
    ],
    ids=["classes", "renamed", "numbers", "deciders"],
)
def test_what_an_answer_says_of_the_settled_label(
    desk: Desk,
    make_file_loop: "MakeLoop",
    settings: str,
    attribute: str,
    label: str,
    cases: dict[str, tuple[str, bool | None]],
) -> None:
    small = settings.replace("lot_size = 10", f"lot_size = {max(2, len(cases))}\nlevel = 'III'")
    small = small.replace("aql = 10.0", "aql = 0.65")  # the sample is the whole lot
    desk.loop = make_file_loop(small, "small")
    desk.settle(list(cases), label=label, attribute=attribute)
    desk.audit()
    items = {fix: item for item, fix in desk.items()}
    assert len(items) == len(cases)
    answers = [
        (items[desk.fixes[case]], *text.split())
        for case, (texts, _) in cases.items()
        for text in texts.split(", ")
        if text
    ]
    put_answers(desk, answers)

    assert read_judged(desk) == {case: said for case, (_, said) in cases.items()}


def put_answers(desk: Desk, answers: Sequence[tuple[str, ...]]) -> None:
    """Insert answers as facts one after the other, also such as an import would refuse."""
    for fix_id, who, text in answers:
        value = float(text) if text[0].isdigit() else None
        row = {"fix_id": fix_id, "annotator": who, "answer": text, "answer_value": value}
        desk.insert_rows(desk.loop, "fix_answer", [{**row, "saw_prediction": False, "batch_id": "b"}])


def read_judged(desk: Desk) -> dict[str, bool | None]:
    """What the answers so far say: fix -> its label was wrong, None where it is not answered."""
    from tasks.judge_lots import stage_judged_items
    from tasks.warehouse import open_warehouse

    names = {fix: case for case, fix in desk.fixes.items()}
    with open_warehouse(desk.loop, write=False) as warehouse:
        stage_judged_items(warehouse)
        rows = warehouse.connection.execute(
            "select audited_fix_id, case when is_answered then is_wrong end from judged_item"
        ).fetchall()
    return {names[fix]: wrong for fix, wrong in rows}


def test_where_every_decider_decided_the_fix_anybody_else_may_audit_it(
    desk: Desk, make_file_loop: "MakeLoop"
) -> None:
    desk.loop = make_file_loop(DECIDERS, "decided")
    desk.settle(name(10), by=("dora", "dov"))
    desk.audit()
    desk.find()
    assert desk.audit().passed == 1


def test_two_failed_lots_tighten_the_next_of_that_source_alone(desk: Desk) -> None:
    for prefix in "ab":
        desk.settle(name(10, prefix))
        desk.audit()
        desk.find("person", "person")
    assert desk.audit() == AuditSummary(failed=1, asked_anew=10), (
        "the first lot was judged with the second's forming"
    )
    desk.settle(name(10, "c"))
    desk.settle(name(10, "d"), by=("eve", "flo"))
    desk.audit()

    plans = desk.read(
        desk.loop,
        "select source, lot_number, inspection, sample_size, accept_at_most, reject_from from audit_lot "
        "order by all",
    )
    assert plans == [
        ("ana,ben", 1, "normal", 5, 1, 2),
        ("ana,ben", 2, "normal", 5, 1, 2),
        ("ana,ben", 3, "tightened", 8, 1, 2),
        ("eve,flo", 1, "normal", 5, 1, 2),
    ]
    told = {
        source.source: (source.inspection, source.to_answer, source.in_no_lot) for source in list_lots(desk.loop)
    }
    assert told == {"ana,ben": ("tightened", 8, 0), "eve,flo": ("normal", 5, 0)}


def put_lots(desk: Desk, history: Sequence[tuple[str, str]]) -> None:
    """Insert judged lots of ana and ben, each with its inspection and verdict, one after the other."""
    plan = {"aql": 10.0, "level": "II", "lot_size": 10, "sample_size": 5, "accept_at_most": 1, "reject_from": 2}
    for number, (inspection, verdict) in enumerate(history, start=1):
        lot = {"lot_id": f"lot-{number}", "attribute": "obstacle", "source": "ana,ben", "lot_number": number}
        desk.insert_rows(desk.loop, "audit_lot", [{**lot, **plan, "inspection": inspection}])
        verdict_row = {"lot_id": f"lot-{number}", "verdict": verdict, "wrong_count": 2}
        desk.insert_rows(desk.loop, "audit_verdict", [verdict_row])


def test_a_source_that_keeps_failing_is_drawn_no_longer_until_a_person_resumes_it(desk: Desk) -> None:
    put_lots(desk, [("normal", "failed")] * 2 + [("tightened", "failed")] * 5)
    desk.settle(name(10))

    assert desk.audit() == AuditSummary()
    (source,) = list_lots(desk.loop)
    assert (source.inspection, source.in_no_lot, source.is_held_up) == ("discontinued", 10, True)

    with pytest.raises(UnknownNameError, match=r"no lot of ana was ever judged; .* ana,ben"):
        resume_inspection(desk.loop, "ana", resumed_by="lea")
    assert resume_inspection(desk.loop, "ana,ben", resumed_by="lea") == ["obstacle"]
    assert resume_inspection(desk.loop, "ana,ben", resumed_by="lea") == []
    resumed = desk.read(desk.loop, "select * exclude (known_at) from audit_resumption")
    assert resumed == [("obstacle", "ana,ben", "lea")]
    assert desk.audit().formed == 1
    assert desk.read(desk.loop, "select inspection from audit_lot where lot_number = 8") == [("tightened",)]


def test_what_was_refused_and_then_lost_from_the_queue_is_asked_by_the_next_run(desk: Desk) -> None:
    """Somebody may take the next attempt of a sample between the verdict's staging and its insertion."""
    fixes = desk.settle(name(10))
    put_lots(desk, [("normal", "failed")])
    desk.insert_rows(
        desk.loop,
        "fix_outcome",
        [{"fix_id": fix, "outcome": "lot_failed"} for fix in fixes.values()],
    )
    assert desk.audit() == AuditSummary(asked_anew=10)
    assert desk.audit() == AuditSummary()


def test_what_another_run_did_since_it_was_staged_is_not_done_twice(desk: Desk) -> None:
    from tasks.form_lots import insert_lots, stage_lots
    from tasks.judge_lots import insert_verdicts, stage_verdicts
    from tasks.warehouse import open_warehouse

    desk.settle(name(10))
    audit = desk.loop.settings.audit
    assert audit is not None
    with open_warehouse(desk.loop, write=True) as warehouse:
        stage_lots(warehouse, audit, is_closing=False)
        made = [warehouse.write(lambda at: insert_lots(warehouse.connection, audit, at)) for _ in range(2)]
    assert made == [1, 0]
    assert desk.read(desk.loop, "select count(*), count(distinct fix_id) from audit_item") == [(5, 5)]

    desk.find("person", "person")
    with open_warehouse(desk.loop, write=True) as warehouse:
        stage_verdicts(warehouse)
        judged = [warehouse.write(lambda at: insert_verdicts(warehouse.connection, at)) for _ in range(2)]
    assert judged == [
        {"passed": 0, "failed": 1, "asked_anew": 10},
        {"passed": 0, "failed": 0, "asked_anew": 0},
    ]
    assert desk.audit() == AuditSummary()


# What may not be asked about (any more)


def forbid(desk: Desk, where: str | None) -> None:
    """Let the settings forbid to ask about samples, or nothing at all."""
    tables = () if where is None else (RestrictionSettings(where=where, never=("queue",), keep=0),)
    desk.loop = replace(desk.loop, settings=replace(desk.loop.settings, restriction=tables))


def name_objects(desk: Desk, fixes: Sequence[str]) -> list[str]:
    found: dict[Any, Any] = dict(
        desk.read(
            desk.loop, "select f.fix_id, k.object_id from label_fix as f join known_sample as k using (sample_id)"
        )
    )
    return [str(found[fix]) for fix in fixes]


def hide(names: Sequence[str]) -> str:
    return "object_id in (" + ", ".join(f"'{one}'" for one in names) + ")"


def test_other_fixes_of_the_lot_are_drawn_for_those_that_may_not_be_asked_about_any_more(any_desk: Desk) -> None:
    """As many as the plan wants are judged, the next ones of the same order; answers that are there count."""
    desk = any_desk
    fixes = desk.settle(name(10))
    desk.audit()
    ((lot_id,),) = desk.read(desk.loop, "select lot_id from audit_lot")
    order = sorted(fixes.values(), key=lambda fix: hashlib.sha256(f"{lot_id}\x1f{fix}".encode()).hexdigest())
    first = desk.find(at_most=1)
    waiting = [fix for _, fix in desk.items() if fix not in first]
    forbid(desk, hide(name_objects(desk, [*first, *waiting[:2], order[5]])))
    (lot,) = list_lots(desk.loop)[0].lots
    assert (lot.to_answer, lot.unaskable) == (2, 2)

    assert desk.audit() == AuditSummary()

    assert {fix for _, fix in desk.items()} == {*order[:5], *order[6:8]}
    (lot,) = list_lots(desk.loop)[0].lots
    assert (lot.to_answer, lot.unaskable) == (4, 0)
    before = desk.facts()
    assert desk.audit() == AuditSummary() and desk.facts() == before
    left = [item for item, fix in desk.items() if fix not in (*first, *waiting[:2])]
    desk.give([(item, "cyd", "crate") for item in left[:3]])
    assert desk.audit() == AuditSummary(), "the lot waits for those that were drawn in their place"
    desk.give([(left[3], "cyd", "crate")])
    assert desk.audit() == AuditSummary(passed=1)


def test_a_lot_with_no_others_is_judged_on_those_that_are_left_and_not_at_all_on_none(desk: Desk) -> None:
    fixes = desk.settle(name(10))
    desk.audit()
    forbid(desk, "true")
    assert desk.audit() == AuditSummary(), "nobody has said anything of it"
    (lot,) = list_lots(desk.loop)[0].lots
    assert (lot.verdict, lot.to_answer, lot.unaskable, lot.sample_size) == (None, 0, 5, 5)

    forbid(desk, None)
    (asked,) = desk.find(at_most=1)
    ((kept,),) = [name_objects(desk, [asked])]
    forbid(desk, f"object_id <> '{kept}'")
    assert desk.audit() == AuditSummary(passed=1)
    assert desk.label(fixes[kept]) == "crate"


def test_a_wrong_answer_counts_though_its_sample_may_not_be_asked_about_any_more(desk: Desk) -> None:
    desk.settle(name(10))
    desk.audit()
    desk.find("ladder", "ladder", at_most=2)
    forbid(desk, "true")
    assert desk.audit() == AuditSummary(failed=1), "refused as planned, and nothing is asked anew"


def test_another_fix_is_drawn_in_the_place_of_an_erased_one(desk: Desk) -> None:
    desk.settle(name(10))
    desk.audit()
    (erased,) = name_objects(desk, [desk.items()[0][1]])
    query = "select recording_id from sample where object_id = $name"
    ((recording,),) = desk.read(desk.loop, query, name=erased)
    erase_recording(desk.loop, str(recording), erased)
    assert len(desk.items()) == 4
    assert desk.audit() == AuditSummary()
    assert len(desk.items()) == 5
