"""After an erasure the loop goes on: a new version, a model that never saw it, hold-outs that leave it out."""

from typing import Any

import pytest

from tasks.erase_recording import erase_recording
from tasks.errors import NotYetError
from tasks.verify_training_set import verify_training_set


def test_a_round_after_an_erasure_does_without_it(orchard: Any, field: Any) -> None:
    """Also where nothing is left of a hold-out: the case is not judged, the rest is."""
    held = [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 20, "held")]
    crouched = field.sights("crouched", 20, "held")
    lone = field.sights("crouched", 1, "lone")
    base = [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 30, "base")]
    orchard.pull(field.label(held + crouched + lone + base))
    case = orchard.case()
    other = orchard.case(field.crouched.replace('"crouched-picker"', '"lone-picker"'))
    orchard.flag(case, other)
    for rows, held_for in ((held, None), (crouched, case), (lone, other)):
        assert orchard.hold(rows, held_for).missing == 0
    first = orchard.assemble()
    model = orchard.retrain(case, other)
    orchard.accept(model.model, "the first model")
    log = field.sights("crouched", 16, "log")
    orchard.pull(orchard.replay(model.model, log))
    orchard.pull(field.label(log))
    orchard.flag(case, other)
    second = orchard.assemble()
    assert second.rows_by_reason == {"base": 90, "fixed": 16}

    for name in ("base-crate-003", "log-crouched-003", "held-crouched-003", "lone-crouched-000"):
        erase_recording(orchard.loop, name)
    assert not verify_training_set(orchard.loop, str(second.version)).is_equal
    with pytest.raises(NotYetError, match="were erased since; assemble obstacle again"):
        orchard.retrain(case, other)
    third = orchard.assemble()
    assert (third.state, third.rows_by_reason) == ("passed", {"base": 89, "fixed": 15})
    assert verify_training_set(orchard.loop, str(third.version)).is_equal
    result = orchard.retrain(case, other)
    assert result.control_model is not None
    figures = (
        "select case_name, n from evaluation inner join holdout using (holdout_id) where model_version = $model "
    )
    figures += "and metric = 'accuracy' and slice = 'all' order by all"
    told = dict(orchard.ask(figures, model=result.model))
    assert told == {"overall:obstacle": 60, "crouched-picker": 19}, orchard.ask(
        "select case_name, slice, metric, n from evaluation inner join holdout using (holdout_id) order by all"
    )
    assert orchard.number("select count(*) from evaluation where model_version = $m", m=model.model) > 0
    assert first.version != third.version
