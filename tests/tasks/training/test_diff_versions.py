"""`diff` says what came in, what went out and why, and what was decided anew."""

from datetime import timedelta
from typing import Any

import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.audit_lots import audit_lots
from tasks.diff_versions import VersionDiff, diff_versions
from tasks.erase_recording import erase_recording
from tasks.errors import InputError, UnknownNameError
from tasks.import_answers import import_answers
from tasks.import_model import import_model

KINDS = ("person", "crate", "foliage")


def decide(rows: list[Any], day: int = 1, **more: Any) -> list[Any]:
    return [row | {"decided_at": f"2026-06-{day:02d}T00:00:00Z"} | more for row in rows]


def compare(orchard: Any, old: Any, new: Any) -> VersionDiff:
    return diff_versions(orchard.loop, str(old.version), str(new.version))


def count(found: VersionDiff) -> list[tuple[str, str, int]]:
    return [(row["change"], row["reason"], row["row_count"]) for row in found.changes]


def because(rows: list[Any]) -> list[tuple[str, str | None, int]]:
    return [(row["why"], row["note"], row["row_count"]) for row in rows]


def test_rows_in_out_relabelled_and_reweighted_are_told_apart(orchard: Any, field: Any) -> None:
    known = field.sights("person", 6, "d") + field.sights("crate", 6, "d")
    orchard.pull(decide(field.label(known)))
    old = orchard.assemble()
    orchard.pull(decide(field.label(known[:1], "crate"), 20, decided_by="cleo"))
    orchard.pull(field.label(field.sights("foliage", 2, "new")))
    orchard.hold(known[6:8])
    orchard.configure(field.settings + "[assemble]\nweights = {base = 2.0}\n")
    found = compare(orchard, old, orchard.assemble())
    assert count(found) == [
        ("in", "base", 2),
        ("out", "base", 2),
        ("relabelled", "base", 1),
        ("reweighted", "base", 10),
    ]
    assert (found.old.row_count, found.new.row_count, found.same_row_count, found.steps) == (12, 12, 0, None)
    assert because(found.in_because) == [("pulled_after", None, 2)]
    assert because(found.out_because) == [("reserved", None, 2)]
    assert found.settings == {"weights.base": (None, 2.0)}
    assert found.relabelled == [
        {"before": "person", "after": "crate", "row_count": 1, "by_fix": 0, "by_file": 1, "by_rename": 0}
    ]
    (example,) = [row for row in found.examples if row["change"] == "relabelled"]
    assert (example["before"], example["after"], example["decided_by"]) == ("person", "crate", "cleo")


# A table of what can take a row out: facts or settings that come after the first version, and what is told.


def hold_twin(orchard: Any, field: Any) -> None:
    twin = field.sights("crate", 1, "d")[0] | {"recording_id": "held-crate-000"}
    orchard.pull(field.label([twin]))
    orchard.hold([twin])


def contradict(orchard: Any, field: Any) -> None:
    orchard.pull(decide(field.label(field.sights("crate", 1, "d"), "person")))


def forbid(orchard: Any, field: Any) -> None:
    orchard.configure(
        field.settings + "[[restriction]]\nwhere = \"object_id = '1' and truth = 'crate'\"\nnever = ['train']\n"
    )


def leave_out(orchard: Any, field: Any) -> None:
    orchard.configure(
        field.settings
        + "[[leave_out]]\nattribute = 'obstacle'\nwhere = \"truth = 'crate'\"\nbecause = 'old lens'\n"
    )


def cap(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + "[assemble]\ncaps = {base = 5}\n")


def ask_other_features(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings.replace("answers_needed", 'features = "2"\nanswers_needed'))
    orchard.pull([row | {"feature_version": "2"} for row in decide(field.label(field.sights("crate", 2, "d")))])


LEAVING: dict[str, tuple[Any, list[tuple[str, str | None, int]]]] = {
    "too near a hold-out sample": (hold_twin, [("near_duplicate", None, 1)]),
    "two labels": (contradict, [("labels disagree", None, 1)]),
    "restricted": (forbid, [("restricted", "object_id = '1' and truth = 'crate'", 3)]),
    "left out": (leave_out, [("left_out", "old lens", 3)]),
    "capped": (cap, [("over_cap", "caps.base = 5", 1)]),
    "other features": (ask_other_features, [("no_features", None, 4)]),
}


@pytest.mark.parametrize("what", LEAVING)
def test_each_row_that_went_says_why(what: str, orchard: Any, field: Any) -> None:
    change, expected = LEAVING[what]
    orchard.pull(decide(field.label(field.sights("person", 3, "d") + field.sights("crate", 3, "d"))))
    old = orchard.assemble()
    change(orchard, field)
    new = orchard.assemble()
    found = compare(orchard, old, new)
    assert because(found.out_because) == expected
    assert sum(row["row_count"] for row in found.changes if row["change"] == "out") == sum(n for *_, n in expected)
    back = compare(orchard, new, old)
    assert because(back.in_because) == expected, "asked the other way round it is why the first one lacks them"
    assert [row["change"] for row in back.changes] == ["in"]


def test_asked_backwards_the_earlier_moment_explains(orchard: Any, field: Any) -> None:
    orchard.pull(decide(field.label(field.sights("person", 3, "d"))))
    orchard.pull(field.predict(field.sights("crate", 3, "d")))
    old = orchard.assemble()
    orchard.pull(decide(field.label(field.sights("crate", 3, "d")) + field.label(field.sights("foliage", 2, "d"))))
    found = compare(orchard, orchard.assemble(), old)
    assert because(found.out_because) == [("settled_after", None, 3), ("pulled_after", None, 2)]


def test_a_label_decided_by_a_fix_names_the_fix_and_who_answered(orchard: Any, field: Any) -> None:
    known = field.sights("crate", 2, "d") + field.sights("person", 2, "d")
    orchard.pull(decide(field.label(known)))
    old = orchard.assemble()
    contradict(orchard, field)
    orchard.flag()
    assert orchard.answer("person", by="ben") == 1
    orchard.pull(decide(field.label(known[2:3]), 25))
    found = compare(orchard, old, orchard.assemble())
    assert count(found) == [("decided_anew", "base", 1), ("relabelled", "base", 1)]
    (fix,) = orchard.ask("select fix_id, sample_id from label_fix")
    told = {row["change"]: row for row in found.examples}
    assert [told["relabelled"][key] for key in ("fix_id", "sample_id", "decided_by")] == [*fix, "ben"]
    assert (found.relabelled[0]["by_fix"], found.relabelled[0]["by_file"]) == (1, 0)
    assert told["decided_anew"]["before"] != told["decided_anew"]["after"]


def test_a_renamed_label_is_told_as_a_name(orchard: Any, field: Any) -> None:
    orchard.pull(decide(field.label(field.sights("crate", 3, "d") + field.sights("person", 2, "d"))))
    old = orchard.assemble()
    orchard.configure(
        field.settings.replace('"crate"', '"box"').replace(
            "answers_needed", 'was = {crate = "box"}\nanswers_needed'
        )
    )
    found = compare(orchard, old, orchard.assemble())
    assert count(found) == [("renamed", "base", 3)]
    assert [(row["before"], row["after"], row["by_rename"]) for row in found.relabelled] == [("crate", "box", 3)]


def test_rows_of_a_case_are_counted_by_it(orchard: Any, field: Any) -> None:
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    case = orchard.case()
    orchard.pull(decide(field.label(field.sights("person", 3, "d"))))
    old = orchard.assemble()
    seen = field.sights("crouched", 5, "seen")
    orchard.pull(field.predict(seen))
    orchard.pull(decide(field.label(seen[:2])))
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer()
    found = compare(orchard, old, orchard.assemble())
    told = [(row["change"], row["reason"], row["case_name"], row["row_count"]) for row in found.changes]
    assert told == [("in", "fixed", "crouched-picker", 2), ("in", "mined", "crouched-picker", 3)]


def test_a_row_whose_lot_failed_says_so(orchard: Any, field: Any) -> None:
    """Labels that nobody audited trained; then somebody did, and found them wrong (lots of 10: 2 wrong refuse)."""
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    case = orchard.case()
    seen = field.sights("crouched", 12, "seen")
    orchard.pull(field.predict(seen))
    orchard.pull(decide(field.label(seen[:2])))
    orchard.flag(case)
    orchard.mine(case)
    assert orchard.answer() == 10
    old = orchard.assemble()
    orchard.configure(field.settings + "[audit]\naql = 10.0\nlot_size = 10\n")
    audit_lots(orchard.loop)
    drawn = orchard.ask("select fix_id from audit_item")
    wrong = [{"fix_id": name, "annotator": "cyd", "answer": "foliage"} for (name,) in drawn]
    assert import_answers(orchard.loop, orchard.write(wrong)).rows_kept == len(wrong) > 0
    assert audit_lots(orchard.loop).failed == 1
    found = compare(orchard, old, orchard.assemble())
    assert because(found.out_because) == [("lot_failed", None, 10)]
    assert found.settings == {"is_audited": (False, True)}


def test_how_one_version_came_of_the_other_is_told(orchard: Any, field: Any) -> None:
    orchard.pull(decide(field.label([row for kind in KINDS for row in field.sights(kind, 4, "d")])))
    first = orchard.assemble()
    orchard.accept(orchard.retrain().model)
    orchard.pull(field.label(field.sights("foliage", 2, "late")))
    orchard.pull(decide(field.label(field.sights("crate", 1, "d"), "foliage"), 20))
    child = orchard.assemble()
    found = compare(orchard, first, child)
    assert (found.steps, found.new.parent_version) == (1, first.version)
    assert count(found) == [("relabelled", "base", 1)]
    assert found.settings == {"takes_all": (True, False), "is_first": (True, False)}
    assert compare(orchard, child, first).steps is None
    same = compare(orchard, child, child)
    assert (same.steps, same.changes, same.settings, same.same_row_count) == (0, [], {}, 12)


def test_a_row_of_an_erased_recording_is_told_as_that(orchard: Any, field: Any) -> None:
    orchard.pull(decide(field.label(field.sights("crate", 3, "d") + field.sights("person", 2, "d"))))
    old = orchard.assemble()
    erase_recording(orchard.loop, "d-crate-001")
    found = compare(orchard, old, orchard.assemble())
    assert (count(found), because(found.out_because)) == ([("out", "base", 1)], [("erased", None, 1)])


def test_versions_of_the_past_compare_too_and_settings_do_not_matter(orchard: Any, field: Any) -> None:
    orchard.pull(decide(field.label(field.sights("crate", 3, "d"))))
    moment = orchard.number("select max(known_at) from label_revision")
    orchard.pull(decide(field.label(field.sights("person", 2, "d"))))
    old, new = orchard.assemble(as_of=moment), orchard.assemble()
    orchard.configure('[attribute.ground]\nlabels = ["firm", "soft"]\n')
    found = compare(orchard, old, new)
    assert (count(found), because(found.in_because)) == ([("in", "base", 2)], [("pulled_after", None, 2)])
    assert found.old.as_of - moment < timedelta(microseconds=1)


def test_two_attributes_and_unknown_names_are_refused(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + '[attribute.ground]\nlabels = ["firm", "soft"]\n')
    orchard.pull(field.label(field.sights("person", 3, "s")))
    orchard.pull(
        [
            row | {"attribute": "ground", "label": "soft", "origin": "person"}
            for row in field.sights("crate", 3, "s")
        ]
    )
    obstacle, ground = orchard.assemble(), assemble_training_set(orchard.loop, "ground")
    with pytest.raises(InputError, match="two versions of one attribute"):
        compare(orchard, obstacle, ground)
    with pytest.raises(UnknownNameError, match=f"obstacle-2: no such training set; .*{obstacle.version}"):
        diff_versions(orchard.loop, str(obstacle.version), "obstacle-2")
