"""With `[audit]` only a passed lot may train, or be tested by."""

from datetime import datetime
from typing import Any

from tasks.audit_lots import AuditSummary, audit_lots
from tasks.freeze_holdouts import freeze_full_holdouts
from tasks.import_answers import import_answers
from tasks.list_due import list_due
from tasks.verify_training_set import verify_training_set
from tasks.warehouse import open_warehouse

# Lots of 10 at AQL 10 (level II): 5 are drawn, 1 wrong is allowed, 2 refuse (MIL-STD-105E, Tables I and II-A).
AUDIT = "\n[audit]\naql = 10.0\nlot_size = 10\n"
MINED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
where = "(context->>'light') = 'dusk'"
[mine]
budget = 10
look_alikes = 0.0
"""
ITEMS = (
    "select i.fix_id, k.recording_id from audit_item as i inner join known_sample as k using (sample_id) "
    "anti join audit_verdict using (lot_id) order by i.fix_id"
)


def count_waiting(made: Any) -> int:
    """How many samples an assembly left out because their label's lot had not passed."""
    return int(made.left_out_by_why.get("lot_open", 0))


def serve_and_mine(orchard: Any, field: Any) -> Any:
    """A model in service that misreads crouched people, three of them labelled, and 10 questions by mining."""
    orchard.pull(
        field.label([row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 4, "base")])
    )
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    case = orchard.case(MINED)
    rows = field.sights("crouched", 3, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows))
    orchard.flag(case)
    orchard.pull(field.predict(field.sights("crouched", 12, "pool")))
    orchard.mine(case)
    assert orchard.number("select count(*) from open_fix") == 10
    return case


def answer_audit(orchard: Any, field: Any, *wrong: str, by: str = "cyd") -> None:
    """Answer the open audit questions, the first ones with `wrong`, the others truly."""
    rows = [
        {
            "fix_id": fix_id,
            "annotator": by,
            "answer": wrong[place] if place < len(wrong) else field.tell({"recording_id": recording}),
        }
        for place, (fix_id, recording) in enumerate(orchard.ask(ITEMS))
    ]
    assert import_answers(orchard.loop, orchard.write(rows)).rows_kept == len(rows)


def read_moment(orchard: Any) -> datetime:
    with open_warehouse(orchard.loop, write=False) as warehouse:
        return warehouse.read_clock()


def find_check(made: Any, name: str) -> tuple[bool, int]:
    (check,) = [check for check in made.checks if check.check_name == name]
    return check.passed, check.failing_count


def test_a_fix_trains_once_its_lot_has_passed_and_not_before(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + AUDIT)
    serve_and_mine(orchard, field)
    orchard.tamper(
        "insert into case_state select 'crouched-picker', 'ready', 'test', null, known_at from warehouse_clock"
    )
    orchard.answer()
    unlotted = orchard.assemble(is_dry_run=True)
    assert audit_lots(orchard.loop) == AuditSummary(formed=1)

    early = orchard.assemble()

    assert (count_waiting(unlotted), count_waiting(early), early.left_out, early.state) == (10, 10, 0, "passed")
    assert early.rows_by_reason == {"base": 12, "fixed": 3}
    assert find_check(early, "lots_open_left_out") == (False, 10)
    assert find_check(early, "lots_unaudited") == (True, 0)
    assert list_due(orchard.loop).new_fixes == {}

    then = read_moment(orchard)
    answer_audit(orchard, field)
    assert audit_lots(orchard.loop) == AuditSummary(passed=1)
    late = orchard.assemble()

    assert (count_waiting(late), late.rows_by_reason) == (0, {"base": 12, "fixed": 3, "mined": 10})
    assert find_check(late, "lots_open_left_out") == find_check(late, "passed_lot") == (True, 0)
    assert list_due(orchard.loop).new_fixes == {"obstacle": 10}
    again = orchard.assemble(as_of=then)
    assert (again.version, again.is_new) == (early.version, False)
    for version in (early.version, late.version):
        assert verify_training_set(orchard.loop, version).is_equal


def test_a_wrong_label_found_in_a_passed_lot_does_not_train(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + AUDIT)
    serve_and_mine(orchard, field)
    orchard.answer()
    audit_lots(orchard.loop)
    answer_audit(orchard, field, "foliage")
    assert audit_lots(orchard.loop) == AuditSummary(passed=1, asked_anew=1)
    assert orchard.assemble().rows_by_reason == {"base": 12, "fixed": 3, "mined": 9}


def test_what_a_failed_lot_mined_is_a_mined_row_once_others_have_settled_it(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + AUDIT)
    case = serve_and_mine(orchard, field)
    orchard.answer("crate", by="ana")
    audit_lots(orchard.loop)
    answer_audit(orchard, field)
    assert audit_lots(orchard.loop) == AuditSummary(failed=1, asked_anew=10)
    assert orchard.assemble().rows_by_reason == {"base": 12, "fixed": 3}
    assert orchard.mine(case).mined == 0, "what was asked anew is counted once, and fills the case's budget"

    assert orchard.answer(by="bea") == 10
    assert audit_lots(orchard.loop) == AuditSummary(formed=1)
    answer_audit(orchard, field)
    assert audit_lots(orchard.loop) == AuditSummary(passed=1)
    made = orchard.assemble()

    rows = orchard.ask(
        "select distinct m.label, m.case_name, r.decided_by, f.reason, m.fix_id = r.fix_id "
        "from training_set_member as m inner join label_revision as r using (revision_id) "
        "inner join label_fix as f on f.fix_id = m.fix_id where m.version = $v and m.reason <> 'base'",
        v=made.version,
    )
    assert made.rows_by_reason == {"base": 12, "fixed": 3, "mined": 10}
    assert rows == [("person", "crouched-picker", "bea", "second_look", True)]


def test_a_row_kept_from_the_parent_falls_out_when_its_lot_fails(orchard: Any, field: Any) -> None:
    """The parent was made before lots were audited, its wrong labels included."""
    serve_and_mine(orchard, field)
    orchard.answer("crate", by="ana")
    parent = orchard.assemble()
    assert parent.rows_by_reason["mined"] == 10
    orchard.accept(orchard.retrain().model, note="to have a parent")

    orchard.configure(field.settings + AUDIT)
    audit_lots(orchard.loop)
    waiting = orchard.assemble()
    assert (count_waiting(waiting), waiting.rows_by_reason) == (10, {"base": 12, "fixed": 3})
    answer_audit(orchard, field)
    assert audit_lots(orchard.loop).failed == 1
    fallen = orchard.assemble()
    assert (count_waiting(fallen), fallen.rows_by_reason) == (0, {"base": 12, "fixed": 3})

    orchard.answer(by="bea")
    audit_lots(orchard.loop)
    answer_audit(orchard, field)
    audit_lots(orchard.loop)
    made = orchard.assemble()
    assert made.rows_by_reason == {"base": 12, "fixed": 3, "mined": 10}
    assert orchard.ask(
        "select distinct label from training_set_member where version = $v and reason = 'mined'", v=made.version
    ) == [("person",)]
    for version in (parent.version, waiting.version, made.version):
        assert verify_training_set(orchard.loop, version).is_equal


def test_a_hold_out_freezes_when_the_lots_of_its_labels_have_passed(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + AUDIT)
    case = orchard.case()
    rows = field.sights("crouched", 20, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows[:2]))
    orchard.flag(case)
    drawn = orchard.holdout(case)
    assert (drawn.members, drawn.missing, drawn.unaudited) == (20, 18, 0)
    orchard.answer()

    audit_lots(orchard.loop)
    assert freeze_full_holdouts(orchard.loop) == []
    held = orchard.holdout(case)
    assert (held.missing, held.unaudited) == (18, 18)

    audit_lots(orchard.loop, is_closing=True)
    answer_audit(orchard, field, "foliage")
    assert audit_lots(orchard.loop) == AuditSummary(passed=2, asked_anew=1)
    assert freeze_full_holdouts(orchard.loop) == [], "the label that was found wrong is asked anew"
    assert (orchard.holdout(case).missing, orchard.holdout(case).unaudited) == (1, 0)

    orchard.answer(by="bea")
    assert orchard.holdout(case).unaudited == 1
    orchard.configure(field.settings)
    assert len(freeze_full_holdouts(orchard.loop)) == 1, "without [audit] no lot is waited for"
