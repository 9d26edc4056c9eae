"""What somebody forbade to queue, to train on or to keep any longer is not, whichever step comes by."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from flows.cli import main
from schemas.settings import RestrictionSettings
from tasks.apply_restrictions import stage_restricted
from tasks.audit_lots import audit_lots
from tasks.check_setup import check_setup
from tasks.errors import ExpressionError, InputError, NotYetError
from tasks.export_fixes import QueueFilter, list_fixes
from tasks.freeze_holdouts import freeze_full_holdouts
from tasks.hand_out_fixes import hand_out
from tasks.list_due import list_due
from tasks.read_status import read_status
from tasks.renew_labels import renew_labels
from tasks.verify_training_set import verify_training_set
from tasks.warehouse import open_warehouse

KINDS = ("person", "crate", "foliage")
IN_VERSION = (
    "select k.recording_id from training_set_member as m "
    "inner join known_sample as k on k.sample_id = m.sample_id where m.version = $version order by all"
)


def forbid(where: str, *never: str, keep: int = 0) -> str:
    """A table of the settings."""
    return f"\n[[restriction]]\nwhere = '''{where}'''\nnever = {list(never)}\nkeep = {keep}\n"


def make_base(field: Any, count: int = 4) -> list[Any]:
    return [row for kind in KINDS for row in field.sights(kind, count, "base")]


def list_handed_out(orchard: Any, annotator: str = "ana") -> set[str]:
    """Recordings of the questions that a person gets."""
    with hand_out(orchard.loop, QueueFilter(), annotator=annotator) as handed:
        rows = handed.warehouse.connection.execute(
            "select k.recording_id from chosen_fix as c inner join known_sample as k on k.sample_id = c.sample_id"
        ).fetchall()
    return {name for (name,) in rows}


def list_asked(orchard: Any) -> set[str]:
    """Recordings of the open label fixes."""
    return {
        str(name)
        for (name,) in orchard.ask("select recording_id from open_fix join known_sample using (sample_id)")
    }


def serve_labelled_base(orchard: Any, field: Any) -> None:
    """A first version of base rows, its model in service."""
    orchard.pull(field.label(make_base(field)))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)


# Training


def test_what_may_never_be_trained_on_is_in_no_set_and_the_rule_stands_in_the_version(
    orchard: Any, field: Any, make_any_loop: Any
) -> None:
    orchard = type(orchard)(make_any_loop(field.settings + forbid("recording_id like '%-000'", "train"), "other"))
    orchard.pull(field.label(make_base(field)))

    made = orchard.assemble()

    assert (made.state, made.row_count) == ("passed", 9)
    assert made.left_out_by_why == {"restricted": 3}
    assert made.left_out_notes == {"recording_id like '%-000'": 3}
    names = {name for (name,) in orchard.ask(IN_VERSION, version=made.version)}
    assert not any(name.endswith("-000") for name in names)
    composition = orchard.number("select composition from training_set")
    assert '"restrictions": [{"keep": 0, "where": "recording_id like \'%-000\'"}]' in composition
    assert verify_training_set(orchard.loop, made.version).is_equal
    assert orchard.assemble().version == made.version


def test_a_version_is_rebuilt_by_the_restriction_that_it_was_made_under(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + forbid("recording_id like '%-000'", "train"))
    orchard.pull(field.label(make_base(field)))
    made = orchard.assemble()
    orchard.configure(field.settings)
    assert verify_training_set(orchard.loop, made.version).is_equal
    assert orchard.assemble().row_count == 12


def test_a_version_from_before_a_restriction_is_not_trained_on_and_its_rows_leave_the_control(
    orchard: Any, field: Any
) -> None:
    serve_labelled_base(orchard, field)
    case = orchard.case()
    rows = field.sights("crouched", 3, "log")
    orchard.pull(field.predict(rows, model=orchard.number("select model_version from incumbent")))
    orchard.pull(field.label(rows))
    orchard.flag(case)
    second = orchard.assemble()
    orchard.configure(field.settings + forbid("recording_id = 'base-crate-000'", "train"))
    with pytest.raises(
        NotYetError, match=f"{second.version}: 1 of its rows .* may not be trained on by a \\[\\[rest"
    ):
        orchard.retrain(case, version=second.version)
    third = orchard.assemble()
    assert third.row_count == second.row_count - 1
    with_all = orchard.number("select count(*) from training_set_member where version like 'obstacle-0001-%'")
    assert with_all == 12, "the incumbent's set is a fact, and stays"
    done = orchard.retrain(case)
    (control,) = orchard.ask("select settings from model where model_version = $m", m=done.control_model)
    assert "epochs_to_run" in control[0]
    orchard.configure(field.settings)
    orchard.assemble()
    assert orchard.retrain(case).control_model != done.control_model, "the control learnt from one row less"


@pytest.mark.parametrize(("age", "rows"), [(29.9, 12), (30.1, 8)])
def test_after_so_many_days_a_sample_is_forbidden(orchard: Any, field: Any, age: float, rows: int) -> None:
    """Days count from `observed_at` until the set is made: nothing need have happened in between."""
    orchard.configure(
        field.settings + forbid("(context->>'light') = 'noon' and recording_id like '%crate%'", keep=30)
    )
    orchard.pull(field.label(make_base(field)))
    now = field.start + timedelta(minutes=3, days=age) if rows == 8 else field.start + timedelta(days=age)
    # Facts cannot be older than the clock that wrote them: so the samples are made older instead.
    shift = orchard.loop.clock() - now
    orchard.tamper(f"update sample set observed_at = observed_at + interval '{shift.total_seconds()} seconds'")

    made = orchard.assemble()

    assert made.row_count == rows
    assert made.left_out_by_why == ({} if rows == 12 else {"restricted": 4})
    assert verify_training_set(orchard.loop, made.version).is_equal
    much_later = orchard.loop.clock() + timedelta(days=400)
    later = replace(orchard.loop, clock=lambda: much_later)
    assert verify_training_set(later, made.version).is_equal, "a version is what it was when it was made"


def test_data_that_grew_too_old_since_a_past_moment_do_not_come_back(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    orchard.assemble()
    ((past,),) = orchard.ask("select as_of from training_set")
    orchard.configure(field.settings + forbid("recording_id like '%crate%'", keep=30))
    age = orchard.loop.clock() - field.start
    orchard.tamper(
        "update sample set observed_at = observed_at + "
        f"interval '{(age - timedelta(days=30)).total_seconds() - 300} seconds'"
    )
    assert orchard.assemble().row_count == 8
    again = orchard.assemble(as_of=past)
    assert (again.row_count, again.left_out_by_why) == (8, {"restricted": 4})
    assert verify_training_set(orchard.loop, again.version).is_equal


def test_what_was_learnt_of_a_sample_since_a_past_moment_forbids_it_there_too(orchard: Any, field: Any) -> None:
    base = make_base(field)
    orchard.pull(field.label(base))
    orchard.assemble()
    ((past,),) = orchard.ask("select as_of from training_set")
    orchard.pull(field.label([row | {"unit_id": "cart-7"} for row in base[:2]]))
    orchard.configure(field.settings + forbid("unit_id = 'cart-7'", "train"))
    again = orchard.assemble(as_of=past)
    assert (again.row_count, again.left_out_by_why) == (10, {"restricted": 2})
    assert verify_training_set(orchard.loop, again.version).is_equal


@pytest.mark.parametrize("never", ["train", "queue"])
def test_a_where_that_fails_on_a_sample_stops_the_step_and_names_the_key(
    orchard: Any, field: Any, never: str
) -> None:
    orchard.configure(field.settings + forbid("cast((context->>'light') as integer) > 3", never))
    orchard.pull(field.label(make_base(field)))
    rows = field.sights("crouched", 2, "log")
    orchard.pull(field.predict(rows, confidence=0.51, scores={"crate": 0.5, "person": 0.5}))
    with pytest.raises(ExpressionError, match=r"turnrow.toml, restriction #1.where: fails on a stored sample"):
        if never == "train":
            orchard.assemble()
        else:
            orchard.pull(field.label(rows[:1], "person"))
            orchard.pull(field.label(rows[:1], "crate"))
            orchard.flag()
    assert (
        orchard.number("select count(*) from training_set") + orchard.number("select count(*) from label_fix") == 0
    )
    (said,) = [found for found in check_setup(orchard.loop, [], []) if "restriction" in found.where]
    assert (said.level, said.where) == ("wrong", "turnrow.toml, restriction #1.where")


def test_of_what_nothing_is_known_nothing_is_forbidden_and_check_setup_says_of_how_many(
    orchard: Any, field: Any
) -> None:
    base = make_base(field)
    orchard.pull(field.label([row | {"unit_id": "cart-7"} for row in base[:2]] + base[2:]))
    orchard.configure(field.settings + forbid("unit_id = 'cart-7'", "train"))
    assert orchard.assemble().left_out_by_why == {"restricted": 2}
    (said,) = [found for found in check_setup(orchard.loop, [], []) if "restriction" in found.where]
    assert (said.level, said.what) == (
        "warning",
        "is neither true nor false for 10 of 12 samples, and does not restrict these",
    )


def test_everything_forbidden_is_not_yet_and_says_why(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + forbid("true", "train"))
    orchard.pull(field.label(make_base(field)))
    with pytest.raises(NotYetError, match="every sample with a label is left out, 12 as restricted"):
        orchard.assemble()


# The queue


def doubt(orchard: Any, field: Any) -> list[Any]:
    """Two samples whose labels disagree, so that a second look is due."""
    rows: list[Any] = field.sights("person", 2, "doubt")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows, "person"))
    orchard.pull(field.label(rows, "crate"))
    return rows


def test_a_doubted_sample_is_not_asked_and_takes_nobody_elses_place(
    orchard: Any, field: Any, make_any_loop: Any
) -> None:
    text = field.settings + "\n[queue]\nask_per_run = 1\n" + forbid("recording_id like '%-000'", "queue")
    orchard = type(orchard)(make_any_loop(text, "other"))
    doubt(orchard, field)
    orchard.flag()
    orchard.flag()
    assert list_asked(orchard) == {"doubt-person-001"}


def test_an_open_question_is_no_longer_handed_out(orchard: Any, field: Any) -> None:
    doubt(orchard, field)
    orchard.flag()
    assert list_handed_out(orchard) == {"doubt-person-000", "doubt-person-001"}
    orchard.configure(field.settings + forbid("recording_id like '%-000'", "queue"))
    assert list_handed_out(orchard) == {"doubt-person-001"}
    orchard.configure(field.settings)
    assert list_handed_out(orchard) == {"doubt-person-000", "doubt-person-001"}


def test_a_question_too_old_to_be_kept_is_no_longer_handed_out(orchard: Any, field: Any) -> None:
    doubt(orchard, field)
    orchard.flag()
    asked_at = orchard.loop.clock()
    days = (asked_at - field.start).days + 2
    orchard.configure(field.settings + forbid("true", keep=days))
    assert len(list_handed_out(orchard)) == 2
    orchard.loop = replace(orchard.loop, clock=lambda: asked_at + timedelta(days=3))
    assert list_handed_out(orchard) == set()


def test_nothing_forbidden_is_mined_neither_what_could_not_be_trained_on(orchard: Any, field: Any) -> None:
    text = (
        field.settings
        + forbid("recording_id like '%-001'", "queue")
        + forbid("recording_id like '%-002'", "train")
    )
    orchard.configure(text)
    case = orchard.case()
    rows = field.sights("crouched", 5, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows[:1]))
    orchard.flag(case)
    assert orchard.mine(case).mined == 2
    assert list_asked(orchard) == {"log-crouched-003", "log-crouched-004"}


def test_a_holdout_takes_what_may_not_be_queued_only_where_it_has_a_label(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + forbid("recording_id like '%-000' or recording_id like '%-001'", "queue"))
    rows = field.sights("crouched", 4, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows[:1]))
    drawn = orchard.holdout(orchard.case())
    members = orchard.ask(
        "select recording_id from holdout_member join known_sample using (sample_id) order by all"
    )
    assert [name for (name,) in members] == ["log-crouched-000", "log-crouched-002", "log-crouched-003"]
    assert drawn.missing == 2
    with pytest.raises(InputError, match="1 of its samples have no label and may not be queued"):
        orchard.hold(rows[:2])
    assert orchard.number("select count(*) from holdout") == 1


def draw_unanswered(orchard: Any, field: Any, count: int = 5) -> Any:
    """A case's hold-out of so many samples, one of them labelled, the others asked about; return the case."""
    case = orchard.case()
    rows = field.sights("crouched", count, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows[:1]))
    orchard.flag(case)
    assert orchard.holdout(case).missing == count - 1
    return case


def list_frozen_labels(orchard: Any) -> dict[str, str | None]:
    return dict(
        orchard.ask(
            "select k.recording_id, r.label from holdout_label as l join known_sample as k using (sample_id) "
            "left join label_revision as r on r.revision_id = l.revision_id order by all"
        )
    )


def test_a_holdout_freezes_without_members_that_nobody_may_be_asked_about_any_more(
    orchard: Any, field: Any, make_any_loop: Any
) -> None:
    """Forbidden after they were drawn and asked about: nobody waits for them, and their number is told."""
    orchard = type(orchard)(make_any_loop(field.settings, "other"))
    case = draw_unanswered(orchard, field)
    unrestricted = orchard.loop
    hidden = "recording_id like '%-003' or recording_id like '%-004' and truth is null"
    restriction = RestrictionSettings(where=hidden, never=("queue",), keep=0)
    orchard.loop = replace(unrestricted, settings=replace(unrestricted.settings, restriction=(restriction,)))
    assert freeze_full_holdouts(orchard.loop) == []
    waiting = orchard.holdout(case)
    assert (waiting.missing, waiting.restricted, waiting.unlabelled) == (2, 2, 0)
    assert [(held.missing, held.restricted) for held in list_due(orchard.loop).holdouts] == [(2, 2)]
    (told,) = read_status(orchard.loop, [case], []).waiting_holdouts
    assert (told["missing"], told["restricted"]) == (2, 2)

    for recording in ("log-crouched-001", "log-crouched-002"):
        orchard.pull(
            field.label([row for row in field.sights("crouched", 5, "log") if row["recording_id"] == recording])
        )
    (frozen,) = freeze_full_holdouts(orchard.loop)

    assert (frozen.holdout_id, frozen.restricted) == (waiting.holdout_id, 2)
    labels = list_frozen_labels(orchard)
    assert [labels[f"log-crouched-00{n}"] for n in range(5)] == ["person", "person", "person", None, None]
    again = orchard.holdout(case)
    assert (again.missing, again.restricted, again.unlabelled) == (0, 0, 2)


def test_a_lifted_restriction_is_waited_for_again_until_the_freeze(
    orchard: Any, field: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    case = draw_unanswered(orchard, field)
    text = field.settings + forbid("recording_id = 'log-crouched-004'", "queue")
    orchard.configure(text)
    assert orchard.holdout(case).missing == 3
    orchard.configure(field.settings)
    assert orchard.holdout(case).missing == 4
    orchard.pull(field.label(field.sights("crouched", 4, "log")))
    orchard.configure(text)
    at = ["--at", str(orchard.loop.folder)]
    assert main(["status", *at]) == 0
    assert "may not be asked about" in capsys.readouterr().out
    assert main(["settle", *at]) == 0
    assert "is frozen, 1 member left out: a [[restriction]] forbids to ask" in capsys.readouterr().out
    assert main(["holdout", "crouched-picker", *at]) == 0
    assert "it is frozen, 1 of them without a label" in capsys.readouterr().out
    orchard.configure(field.settings)
    assert orchard.holdout(case).missing == 0, "frozen is frozen"


def test_a_holdout_that_nothing_could_be_judged_on_does_not_freeze(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    orchard.assemble()
    rows = field.sights("crouched", 3, "log")
    orchard.pull(field.predict(rows))
    assert orchard.holdout().missing == 3
    orchard.configure(field.settings + forbid("recording_id like 'log%'", "queue"))
    stuck = orchard.holdout()
    assert (stuck.missing, stuck.restricted) == (3, 3)
    assert freeze_full_holdouts(orchard.loop) == []
    with pytest.raises(
        NotYetError, match=r"none of its 3 samples has a label.*lift it, or draw others .*--grow N"
    ):
        orchard.retrain()
    more = field.sights("crate", 2, "more")
    orchard.pull(field.predict(more))
    grown = orchard.holdout(grow=5)
    assert (grown.members, grown.missing, grown.restricted) == (5, 2, 3)
    orchard.pull(field.label(more))
    with pytest.raises(
        NotYetError, match="has all labels that it can get and is not frozen yet; run `turnrow settle`"
    ):
        orchard.retrain()
    assert [held.restricted for held in freeze_full_holdouts(orchard.loop)] == [3]


def test_a_label_that_nobody_may_be_asked_to_audit_does_not_count_and_is_not_waited_for(
    orchard: Any, field: Any
) -> None:
    """Settled by a fix, then forbidden: it gets into no lot, so its hold-out freezes without it."""
    settings = field.settings + "\n[audit]\naql = 10.0\nlot_size = 2\n"
    orchard.configure(settings)
    case = draw_unanswered(orchard, field)
    orchard.answer()
    orchard.configure(settings + forbid("recording_id = 'log-crouched-004'", "queue"))
    standing = orchard.holdout(case)
    assert (standing.missing, standing.unaudited, standing.restricted) == (3, 3, 1)
    assert audit_lots(orchard.loop, is_closing=True).formed == 1  # of two; the third waits for another
    orchard.configure(settings + forbid("recording_id like 'log-crouched-%'", "queue"))
    standing = orchard.holdout(case)
    assert (standing.missing, standing.restricted) == (0, 4), "no lot of theirs can be judged any more"
    assert list_frozen_labels(orchard) == {f"log-crouched-00{n}": "person" if n == 0 else None for n in range(5)}


def test_labels_under_an_older_guideline_are_not_asked_again(orchard: Any, field: Any) -> None:
    text = field.settings.replace("answers_needed", 'guideline = "guide.md"\nanswers_needed')
    (orchard.loop.folder / "guide.md").write_text("a person is anybody", encoding="utf-8")
    orchard.configure(text)
    doubt(orchard, field)
    orchard.flag()
    orchard.answer("person")
    (orchard.loop.folder / "guide.md").write_text("a person is anybody who is not a crate", encoding="utf-8")
    orchard.configure(text + forbid("recording_id like '%-000'", "queue"))
    renewed = renew_labels(orchard.loop, orchard.loop.settings.attribute["obstacle"])
    assert (renewed.asked_again, renewed.outdated_left) == (1, 0)
    assert list_asked(orchard) == {"doubt-person-001"}


def test_no_known_item_is_made_of_it_and_an_old_one_is_not_handed_out(orchard: Any, field: Any) -> None:
    text = field.settings + "\n[answers]\nknown_item_share = 0.5\n"
    orchard.configure(text + forbid("recording_id like 'base%' and recording_id not like '%foliage-000'", "queue"))
    orchard.pull(field.label(make_base(field)))
    doubt(orchard, field)
    orchard.flag()
    handed = list_handed_out(orchard)
    assert {name for name in handed if name.startswith("base")} == {"base-foliage-000"}
    orchard.configure(text + forbid("recording_id like 'base%'", "queue"))
    assert list_handed_out(orchard) == {"doubt-person-000", "doubt-person-001"}


def test_no_audit_question_is_drawn_of_it(orchard: Any, field: Any) -> None:
    settings = field.settings + "\n[audit]\naql = 10.0\nlot_size = 2\n"
    orchard.configure(settings + forbid("recording_id like '%-000'", "train"))
    rows = field.sights("crouched", 5, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows, "person"))
    orchard.pull(field.label(rows, "crate"))
    orchard.flag()
    orchard.answer("person")
    orchard.configure(settings + forbid("recording_id like '%-000'", "queue"))
    assert audit_lots(orchard.loop, is_closing=True).formed == 2
    lots = orchard.ask(
        "select distinct k.recording_id from audit_lot_fix join label_fix using (fix_id) "
        "join known_sample as k using (sample_id)"
    )
    assert ("log-crouched-000",) not in lots and len(lots) == 4


# What an export asks


@pytest.mark.parametrize(
    ("restriction", "purpose", "expected"),
    [
        (forbid("unit_id = 'cart-7'", "export"), "export", ["base-crate-000"]),
        (forbid("unit_id = 'cart-7'", "export"), "train", []),
        (forbid("unit_id = 'cart-7'", "train"), "export", []),
        (forbid("unit_id = 'cart-7'", "train", keep=1), "export", ["base-crate-000"]),
        (forbid("unit_id = 'cart-7'", keep=100_000), "export", []),
        (forbid("unit_id = 'cart-7'", keep=1), "queue", ["base-crate-000"]),
        (forbid("truth = 'person'", "export"), "export", ["base-person-000"]),
        (forbid("true", "export") + forbid("true", "export"), "export", ["base-crate-000", "base-person-000"]),
    ],
)
def test_what_is_restricted_goes_by_purpose_and_age(
    orchard: Any, field: Any, restriction: str, purpose: Any, expected: list[str]
) -> None:
    orchard.configure(field.settings + restriction)
    orchard.pull(
        field.label(field.sights("crate", 1, "base", unit_id="cart-7") + field.sights("person", 1, "base"))
    )
    with open_warehouse(orchard.loop, write=False) as warehouse:
        count = stage_restricted(warehouse, purpose, "obstacle", field.start)
        rows = warehouse.connection.execute(
            "select recording_id from restricted_sample inner join known_sample using (sample_id) order by all"
        ).fetchall()
        assert stage_restricted(warehouse, purpose, "ground") == 0
    assert count == len(expected)
    assert [name for (name,) in rows] == expected
    assert list_fixes(orchard.loop, QueueFilter()) == []
