"""One pass of the whole loop on both kinds of warehouse: what each step leaves, and that the next one finds it."""

from typing import Any

import pytest

from tasks.draw_watch import draw_watch
from tasks.follow_cases import follow_cases
from tasks.sign_off import sign_off
from tasks.verify_training_set import verify_training_set

LINEAGE = (
    "select sample_id, reason, rule, case_name, fix_id is not null as has_fix, origin, source_uri is not null, "
    "label_source_uri is not null, model_version from training_set_lineage where version = $version "
    "and reason <> 'base' order by all"
)


def start(orchard: Any, field: Any) -> Any:
    """Base labels, evaluation sets frozen, a first model accepted, its log pulled and flagged."""
    held = (
        field.sights("person", 30, "held")
        + field.sights("crate", 30, "held")
        + field.sights("foliage", 30, "held")
    )
    crouched = field.sights("crouched", 40, "held")
    dusk = crouched + field.standing(6)
    orchard.pull(field.label(held + dusk))
    orchard.pull(
        field.label([row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 40, "base")])
    )
    case = orchard.case()
    orchard.flag(case)
    assert orchard.hold(held + crouched[:10]).missing == 0
    assert orchard.hold(dusk, case).missing == 0
    first = orchard.assemble()
    assert (first.state, first.rows_by_reason) == ("passed", {"base": 120})
    model = orchard.retrain(case)
    assert (model.verdict, model.control_model) != ("passed", None)
    orchard.accept(model.model, "the first model")
    return case, model.model


def serve(orchard: Any, field: Any, case: Any, model: str) -> Any:
    """A log of the model in service: crouched people, of whom 6 carry a label, and ordinary crates."""
    log = field.sights("crouched", 30, "log") + field.sights("crate", 20, "log")
    orchard.pull(orchard.replay(model, log))
    orchard.pull(field.label(log[:6]))
    orchard.flag(case)
    return log


def test_the_loop_cures_a_case_and_every_step_run_again_changes_nothing(any_orchard: Any, field: Any) -> None:
    case, model = start(any_orchard, field)
    serve(any_orchard, field, case, model)
    assert any_orchard.number("select count(*) from case_member") == 6

    mined = any_orchard.mine(case)
    assert (mined.mined, mined.look_alikes, mined.budget_left) == (24, 0, 16)
    assert any_orchard.mine(case).mined == 0
    assert any_orchard.answer() == 24
    version = any_orchard.assemble()
    assert (version.state, version.rows_by_reason) == ("passed", {"base": 120, "fixed": 6, "mined": 24})
    again = any_orchard.assemble()
    assert (again.version, again.is_new) == (version.version, False)

    result = any_orchard.retrain(case)
    assert result.verdict == "passed", result.reason
    assert result.control_model is not None
    count = any_orchard.number("select count(*) from evaluation")
    assert (
        any_orchard.number("select count(distinct (model_version, holdout_id, slice, metric)) from evaluation")
        == count
    )
    models = any_orchard.ask("select * from model order by all")
    assert any_orchard.retrain(case) == result
    assert any_orchard.ask("select * from model order by all") == models
    assert any_orchard.number("select count(*) from evaluation") == count

    any_orchard.accept(result.model)
    assert any_orchard.ask("select * from incumbent") == [("obstacle", result.model)]
    assert any_orchard.number("select arg_max(state, known_at) from case_state") == "cured"
    assert verify_training_set(any_orchard.loop, str(version.version)).is_equal

    rows = any_orchard.ask(LINEAGE, version=version.version)
    assert {row[1:] for row in rows} == {
        ("fixed", "label_disagrees", "crouched-picker", False, "person", True, True, model),
        ("mined", None, "crouched-picker", True, "person", True, False, model),
    }
    assert len(rows) == len({row[0] for row in rows}) == 30
    go_back_and_forward(any_orchard, field, old=model, new=result.model)


def go_back_and_forward(orchard: Any, field: Any, *, old: str, new: str) -> None:
    """The cured case is watched in service; taking the model back reopens it, and that says why."""
    orchard.pull(orchard.replay(new, field.sights("crouched", 10, "later")))
    assert draw_watch(orchard.loop).drawn > 0
    assert [one.state for one in follow_cases(orchard.loop)] == ["watched"]
    back = sign_off(orchard.loop, old, signed_by="A. Picker", decision="accept", note="the new one is slow")
    assert back.cases == {"crouched-picker": "reopened"}
    because = orchard.number("select arg_max(because, known_at) from case_state")
    assert because.startswith(f"{old} was accepted, as it was before the cure of "), because
    orchard.answer()
    assert follow_cases(orchard.loop) == []
    forth = sign_off(orchard.loop, new, signed_by="A. Picker", decision="accept", note="it is not")
    assert forth.cases == {"crouched-picker": "cured"}
    assert follow_cases(orchard.loop) == []
    orchard.pull(orchard.replay(new, field.sights("crouched", 10, "last")))
    assert [one.state for one in follow_cases(orchard.loop)] == ["watched"]
    assert follow_cases(orchard.loop) == []


@pytest.mark.parametrize("wrong", ["crate"])
def test_a_candidate_that_learned_from_wrong_answers_never_passes(orchard: Any, field: Any, wrong: str) -> None:
    case, model = start(orchard, field)
    serve(orchard, field, case, model)
    orchard.mine(case)
    orchard.answer(wrong)
    orchard.assemble()
    assert orchard.retrain(case).verdict != "passed"
