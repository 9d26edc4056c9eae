"""A draw can be tried: what it would hold and reserve is told beforehand, and is what then happens."""

from typing import Any

from tasks.draw_holdout import HoldoutTarget
from tasks.try_holdout import try_holdout


def test_what_a_dry_run_tells_is_what_the_draw_then_does(any_orchard: Any, field: Any) -> None:
    case = any_orchard.case()
    dusk = field.sights("crouched", 30, "log") + field.standing(10)
    any_orchard.pull(field.predict(dusk + field.sights("foliage", 15, "log")))
    any_orchard.pull(field.label(dusk[:6]))
    target = HoldoutTarget(any_orchard.loop.settings.attribute["obstacle"], case)
    tables = ("holdout", "holdout_member", "holdout_reserved", "label_fix", "flow_run")
    counts = [any_orchard.number(f"select count(*) from {table}") for table in tables]
    trial = try_holdout(any_orchard.loop, target)
    assert [any_orchard.number(f"select count(*) from {table}") for table in tables] == counts
    drawn = any_orchard.holdout(case)
    assert (trial.is_new, trial.members, trial.members - trial.labelled) == (True, drawn.members, drawn.missing)
    assert (trial.new_groups, trial.free_groups) == (drawn.reserved_groups, drawn.free_groups)
    known = "select count(*) from holdout_member inner join current_label using (sample_id) where label = 'person'"
    assert (trial.truth, trial.of_truth) == ("person", any_orchard.number(known))
    called = any_orchard.number(
        "select count(*) from holdout_member as m inner join current_prediction as p using (sample_id) "
        "left join current_label as l using (sample_id) where p.predicted = 'person' and l.revision_id is null"
    )
    assert trial.called_truth == called > 0
    assert not try_holdout(any_orchard.loop, target).is_new
