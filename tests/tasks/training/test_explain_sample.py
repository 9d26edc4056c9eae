"""A sample's whole life is told, and why it is not in a training set: each reason, against a set that lacks it."""

from datetime import datetime
from typing import Any

import pytest

from flows.print_why import print_why
from tasks.audit_lots import audit_lots
from tasks.erase_recording import erase_recording
from tasks.errors import UnknownNameError
from tasks.explain_sample import SampleLife, explain_sample
from tasks.export_fixes import QueueFilter
from tasks.find_sample import Matches
from tasks.flag_mispredictions import flag_mispredictions
from tasks.hand_out_fixes import hand_out
from tasks.import_answers import import_answers
from tasks.make_plain import make_plain
from tasks.pull_logs import pull_files
from tasks.settle_fixes import settle_fixes
from tasks.warehouse import open_warehouse

KINDS = ("person", "crate", "foliage")
FORBIDDEN = (
    "\n[[restriction]]\nwhere = \"recording_id like 'banned%'\"\nnever = ['train']\n"
    "[[leave_out]]\nattribute = 'obstacle'\nwhere = \"recording_id like 'stale%'\"\nbecause = 'old lens'\n"
)
DOUBT = "\n[[rule]]\nname = 'doubt'\nattribute = 'obstacle'\nwhere = 'confidence < 0.6'\n"
TWO_ANSWERS = "answers_needed = 2\nanswers_at_most = 2"


def make_base(field: Any, count: int = 4) -> list[Any]:
    return [row for kind in KINDS for row in field.sights(kind, count, "base")]


def name(row: Any) -> str:
    return f"{row['recording_id']}/{row['object_id']}/{row['observed_at']}"


def explain(orchard: Any, row: Any, version: str | None = None) -> SampleLife:
    life = explain_sample(orchard.loop, row if isinstance(row, str) else name(row), version)
    assert isinstance(life, SampleLife)
    return life


def list_whys(life: SampleLife) -> list[str]:
    assert life.presence is not None
    assert (life.presence.is_in, life.presence.problem) == (False, None)
    return [reason.why for reason in life.presence.reasons]


def list_out(orchard: Any) -> list[str]:
    """Samples that the latest version lacks, the earliest first."""
    rows = orchard.ask(
        "select sample_id from known_sample where sample_id not in (select sample_id from training_set_member "
        "where version = (select arg_max(version, running_number) from training_set)) order by known_at, sample_id"
    )
    return [sample_id for (sample_id,) in rows]


def tell(life: SampleLife) -> str:
    """What is printed of it."""
    return "\n".join(print_why(make_plain(life)))


def say(life: SampleLife) -> str:
    """The same with every sentence on one line."""
    return " ".join(tell(life).split())


def serve_base(orchard: Any, field: Any) -> str:
    """A first version of base rows, its model in service; return the version."""
    orchard.pull(field.label(make_base(field)))
    version: str = orchard.assemble().version
    orchard.accept(orchard.retrain().model)
    return version


def doubt(orchard: Any, field: Any, *kinds: str) -> list[Any]:
    """Samples without a label that a rule doubts, each with an open question."""
    rows = [row for kind in kinds for row in field.sights(kind, 1, "doubted")]
    orchard.pull(field.predict(rows, "crate", confidence=0.5))
    orchard.flag()
    return rows


def answer(orchard: Any, row: Any, *answers: tuple[str, str]) -> None:
    """Answer the open question about a row: (annotator, answer) each."""
    fix_id = orchard.number(
        "select fix_id from open_question join known_sample using (sample_id) where recording_id = $r",
        r=row["recording_id"],
    )
    rows = [
        {"fix_id": fix_id, "annotator": person, "answer": said, "answered_at": "2026-06-01T00:00:00Z"}
        for person, said in answers
    ]
    assert import_answers(orchard.loop, orchard.write(rows)).refused == ()


# A life, from the file to the model


def test_a_life_is_told_from_its_file_to_the_models_trained_on_it(any_orchard: Any, field: Any) -> None:
    first = serve_base(any_orchard, field)
    model = any_orchard.number("select model_version from incumbent")
    case = any_orchard.case()
    fixed, mined = field.sights("crouched", 3, "log"), field.sights("crouched", 4, "pool")
    log = any_orchard.pull(field.predict(fixed, "crate", model))
    labels = any_orchard.pull(field.label(fixed, "person"))
    any_orchard.flag(case)
    any_orchard.pull(field.predict(mined, "crate", model))
    any_orchard.mine(case)
    any_orchard.answer()
    spare = field.sights("person", 1, "spare")
    any_orchard.pull(field.label(spare))
    made = any_orchard.assemble()

    life = explain(any_orchard, fixed[0])

    assert (life.sample["label"], life.sample["context"], life.group_id) == (
        "person",
        {"light": "dusk"},
        "log-crouched-000",
    )
    assert [(row["source_uri"], row["things"]) for row in life.arrivals] == [
        (log.name, ["features:1", "prediction", "sample"]),
        (labels.name, ["label"]),
    ]
    ((predicted, role, served_by),) = [(p["predicted"], p["role"], p["model_version"]) for p in life.predictions]
    assert (predicted, role, served_by) == ("crate", "served", model)
    assert [(flag["rule"], flag["is_live"], flag["because"]) for flag in life.flags] == [
        ("label_disagrees", True, None)
    ]
    assert [(c["case_name"], c["is_member"], c["found_by"], c["asked_as"]) for c in life.cases] == [
        ("crouched-picker", True, "label_disagrees", [])
    ]
    assert [(r["label"], r["origin"], r["state"], r["source_uri"]) for r in life.revisions] == [
        ("person", "person", "counts", labels.name)
    ]
    ((row,), presence) = life.versions, life.presence
    assert (row["version"], row["reason"], row["case_names"], row["weight"], row["models"]) == (
        made.version,
        "fixed",
        ["crouched-picker"],
        1.0,
        [],
    )
    assert presence is not None and (presence.version, presence.is_in, presence.reasons) == (
        made.version,
        True,
        (),
    )

    asked = explain(any_orchard, mined[0])
    (question,) = asked.questions
    assert [(r["case_name"], r["reason"]) for r in question["requests"]] == [("crouched-picker", "mined")]
    assert [(a["annotator"], a["answer"]) for a in question["answers"]] == [("ana", "person")]
    assert (question["outcome"], question["is_open"], asked.is_asked) == ("settled", False, False)
    assert [(v["reason"], v["fix_id"]) for v in asked.versions] == [("mined", question["fix_id"])]
    assert [r["fix_id"] for r in asked.revisions] == [question["fix_id"]]

    base = explain(any_orchard, make_base(field)[0])
    assert [(v["version"], v["reason"]) for v in base.versions] == [(first, "base"), (made.version, "base")]
    assert [(m["model_version"], m["is_incumbent"]) for m in base.versions[0]["models"] if m["decision"]] == [
        (model, True)
    ]
    unwanted = explain(any_orchard, spare[0])
    assert list_whys(unwanted) == ["never_wanted"]
    assert f"beside the rows of {first}" in say(unwanted)

    printed = tell(life).splitlines()
    assert printed[0].endswith("obstacle of log-crouched-000/1")
    assert [line for line in printed if not line.startswith(" ")] == [
        printed[0],
        "Came in",
        "Predictions",
        "Flags",
        "Failure cases",
        "Labels",
        "Training sets",
        printed[-1],
    ]
    assert printed[-1].startswith(f"In {made.version} (passed, as of ")
    assert len(printed) <= 40


def test_a_busy_life_still_fits_on_a_screen_and_says_what_is_left_out(orchard: Any, field: Any) -> None:
    row = field.sight("person", "busy-person-000")
    for number in range(12):
        orchard.pull(field.predict([row], ("crate", "person")[number % 2], f"m{number:02d}"))
        orchard.pull([{**field.label([row], "person")[0], "decided_by": f"ana-{number}"}])
    orchard.flag()
    life = explain(orchard, row)
    assert [p["model_version"] for p in life.predictions] == [f"m{number:02d}" for number in range(12)]
    assert len(life.revisions) == 12
    lines = tell(life).splitlines()
    assert len(lines) <= 45
    assert "  … 7 lines more (all of them with --json)" in lines
    assert "  6 earlier ones (all of them with --json)" in lines
    assert [line.split()[2] for line in lines if " served " in line] == ["m00", "m01", "m02", "m10", "m11"]


# Why it is not in a version


def test_each_reason_why_a_first_version_lacks_a_sample(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + FORBIDDEN)
    orchard.pull(field.label(make_base(field)))
    held = field.sights("person", 2, "held")
    mate = field.sight("person", "held-person-000", "other", minute=70)
    copy = {**held[1], "recording_id": "copied-person-000"}
    rows = {
        "restricted": field.sights("crate", 1, "banned")[0],
        "left_out": field.sights("crate", 1, "stale")[0],
        "near_duplicate": copy,
        "member": held[0],
        "mate": mate,
    }
    orchard.pull(field.label([*rows.values(), held[1]]))
    bare = {key: value for key, value in field.sights("crate", 1, "bare")[0].items() if key != "features"}
    orchard.pull(field.label([bare]))
    torn = field.sights("crate", 1, "torn")
    orchard.pull(field.label(torn, "crate"))
    orchard.pull(field.label(torn, "foliage"))
    blank = field.sights("person", 1, "blank")
    orchard.pull(field.predict(blank, "crate"))
    orchard.hold(held)
    made = orchard.assemble()
    assert made.state == "passed"
    whole = {"restricted": 1, "left_out": 1, "near_duplicate": 1, "no_features": 1, "reserved": 3}
    assert made.left_out_by_why == whole, "what is told of one sample is what was decided among all"
    late = field.sights("person", 1, "late")
    orchard.pull(field.label([*late, *blank], "person"))
    orchard.pull([{**bare, "features": field.measure("crate", "x"), "label": "crate", "origin": "person"}])

    told = {why: explain(orchard, row) for why, row in rows.items()}
    told |= {
        "no_features": explain(orchard, bare),
        "labels disagree": explain(orchard, torn[0]),
        "settled_after": explain(orchard, blank[0]),
        "pulled_after": explain(orchard, late[0]),
    }

    whys = {why: list_whys(life) for why, life in told.items()}
    assert whys == {why: [why] for why in told} | {"member": ["reserved"], "mate": ["reserved"]}
    words = {why: life.presence.reasons[0].words for why, life in told.items() if life.presence}
    assert words["restricted"].endswith("recording_id like 'banned%'")
    assert words["left_out"].endswith("old lens")
    since = explain(orchard, held[0]).holdouts[0]["drawn_at"]
    kept = (
        f"its group, held-person-000, is kept for the hold-out of overall:obstacle since {since:%Y-%m-%d %H:%M:%S}"
    )
    assert words["member"] == f"{kept}; it is itself a member of overall:obstacle"
    assert words["mate"] == f"{kept}; it is no member itself, only its group is reserved"
    assert "held-person-001/1" in words["near_duplicate"]
    assert "0.0000 of that one's norm away, and near_duplicate = 0.05" in words["near_duplicate"]
    assert "they came on" in words["no_features"]
    assert [r["label"] for r in told["labels disagree"].revisions] == ["crate", "foliage"]
    assert {r["state"] for r in told["labels disagree"].revisions} == {"disputed"}
    for life in told.values():
        assert f"Not in {made.version}" in tell(life)


def test_how_near_it_is_is_told_as_a_share_of_the_hold_out_samples_norm(orchard: Any, field: Any) -> None:
    held = field.sight("person", "held-person-000") | {"features": [3.0, 4.0, 0, 0, 0, 0, 0, 0]}
    near = field.sight("person", "near-person-000") | {"features": [3.0, 4.0, 0.2, 0, 0, 0, 0, 0]}
    orchard.pull(field.label([held, near, *make_base(field)]))
    orchard.hold([held])
    orchard.assemble()
    life = explain(orchard, near)
    assert list_whys(life) == ["near_duplicate"]
    assert life.presence is not None
    assert life.presence.reasons[0].details["norm_share"] == pytest.approx(0.2 / 5.0)


@pytest.mark.parametrize(
    ("answers", "why"),
    [
        ([("ana", "crate"), ("ben", "foliage")], "ambiguous"),
        ([("ana", "unusable"), ("ben", "unusable")], "unusable"),
    ],
)
def test_a_question_that_ended_without_a_label_is_the_reason(
    orchard: Any, field: Any, answers: list[tuple[str, str]], why: str
) -> None:
    orchard.configure(field.settings.replace("answers_needed = 1", TWO_ANSWERS) + DOUBT)
    orchard.pull(field.label(make_base(field)))
    (row,) = doubt(orchard, field, "person")
    answer(orchard, row, *answers)
    settle_fixes(orchard.loop)
    orchard.assemble()

    life = explain(orchard, row)

    assert list_whys(life) == [why]
    assert life.sample["disputed_because"] == why
    assert f"label: none: its latest question ended as {why}" in tell(life)
    assert life.questions[0]["outcome"] == why
    assert [(a["annotator"], a["answer"]) for a in life.questions[0]["answers"]] == answers


def test_a_hold_out_member_that_nobody_has_labelled_yet_is_both_unlabelled_and_reserved(
    orchard: Any, field: Any
) -> None:
    orchard.pull(field.label(make_base(field)))
    rows = field.sights("person", 2, "open")
    orchard.pull(field.predict(rows, "crate"))
    orchard.holdout()
    with pytest.raises(UnknownNameError, match="no such training set; there is none yet"):
        explain(orchard, rows[0], "obstacle-0001")
    assert explain(orchard, rows[0]).presence is None
    assert tell(explain(orchard, rows[0])).endswith("There is no training set of its attribute yet")
    orchard.pull(field.label(field.sights("crate", 2, "more")))
    orchard.assemble()
    life = explain(orchard, rows[0])
    assert list_whys(life) == ["no_label", "reserved"]
    assert "a question about it was open" in say(life)


def test_limits_that_depend_on_all_rows_are_looked_at_last(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + "\n[assemble]\ncaps = {base = 5}\n")
    orchard.pull(field.label(make_base(field)))
    assert orchard.assemble().row_count == 5
    out = explain(orchard, list_out(orchard)[0])
    assert list_whys(out) == ["over_cap"]
    assert "caps.base = 5" in say(out)

    orchard.configure(field.settings + "\n[assemble]\nshares = {machine = 0.2}\n")
    auto = field.sights("person", 6, "auto")
    orchard.pull([row | {"origin": "machine"} for row in field.label(auto)])
    assert orchard.assemble().left_out_by_why == {"over_origin_share": 3}
    out = explain(orchard, list_out(orchard)[-1])
    assert list_whys(out) == ["over_origin_share"]
    assert "shares.machine = 0.2" in say(out)


def test_what_the_parent_had_and_the_next_version_lost_is_told_with_the_version(orchard: Any, field: Any) -> None:
    first = serve_base(orchard, field)
    lost, merged = make_base(field)[:2]
    orchard.pull([row | {"decided_at": None} for row in field.label([lost], "foliage")])
    track = [field.sight("crouched", "log-crouched-000", f"thing-{n}", minute=n) for n in range(3)]
    orchard.pull(field.predict(track, "crate", orchard.number("select model_version from incumbent")))
    orchard.pull(field.label(track, "person"))
    orchard.configure(field.settings + "\n[assemble]\nrows_a_recording_at_most = 2\n")
    orchard.flag(orchard.case())
    made = orchard.assemble()

    life = explain(orchard, lost)

    assert list_whys(life) == ["labels disagree"]
    assert [row["version"] for row in life.versions] == [first]
    assert "its label by now: none: its labels disagree" in tell(life)
    (out,) = [sample_id for sample_id in list_out(orchard) if sample_id != life.sample["sample_id"]]
    assert list_whys(explain(orchard, out)) == ["over_recording"]
    assert explain(orchard, merged).versions[-1]["version"] == made.version


def test_lots_open_and_failed_are_reasons(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + DOUBT + "\n[audit]\naql = 10.0\nlot_size = 4\n")
    orchard.pull(field.label(make_base(field)))
    kinds = ("person", "crate", "foliage", "crouched")
    rows = doubt(orchard, field, *kinds)
    orchard.answer("foliage")
    orchard.assemble()
    no_lot = explain(orchard, rows[0])
    assert (list_whys(no_lot), "in no lot yet" in say(no_lot)) == (["lot_open"], True)
    assert audit_lots(orchard.loop).formed == 1
    orchard.pull(field.label(field.sights("crate", 1, "more")))
    version = orchard.assemble().version

    waiting = explain(orchard, rows[0])
    assert (list_whys(waiting), "had not ended" in say(waiting)) == (["lot_open"], True)
    items = orchard.ask("select i.fix_id, k.recording_id from audit_item i join known_sample k using (sample_id)")
    audited = {recording for _, recording in items}
    (asked,) = [row for row in rows if row["recording_id"] in audited][:1]
    running = explain(orchard, asked)
    assert running.is_asked and "CAUTION" in tell(running)
    assert [q["answers"] for q in running.questions if q["kind"] == "audit"] == [[]]

    for fix_id, recording in items:
        said = {"fix_id": fix_id, "annotator": "cyd", "answer": field.tell({"recording_id": recording})}
        import_answers(orchard.loop, orchard.write([said]))
    assert audit_lots(orchard.loop).failed == 1
    orchard.pull(field.label(field.sights("crate", 2, "again")))
    orchard.assemble()

    failed = explain(orchard, asked)
    assert list_whys(failed) == ["lot_failed"]
    assert list_whys(explain(orchard, asked, version)) == ["lot_open"]
    assert {r["state"] for r in failed.revisions} == {"lot_failed"}
    (audit,) = [q for q in failed.questions if q["kind"] == "audit"]
    assert (audit["lot_verdict"], [a["annotator"] for a in audit["answers"]]) == ("failed", ["cyd"])


def test_a_row_that_somebody_took_out_of_a_version_is_no_reason_of_the_composition(
    orchard: Any, field: Any
) -> None:
    orchard.pull(field.label(make_base(field)))
    version = orchard.assemble().version
    row = make_base(field)[0]
    orchard.tamper(
        "delete from training_set_member where sample_id in "
        f"(select sample_id from sample where recording_id = '{row['recording_id']}')"
    )
    life = explain(orchard, row)
    assert list_whys(life) == ["warehouse_changed"]
    assert f"turnrow verify {version}" in say(life)


def test_an_attribute_that_the_settings_no_longer_have_is_told_of_all_the_same(orchard: Any, field: Any) -> None:
    """The version's own composition says all that is needed, as for `verify`."""
    orchard.pull(field.label(make_base(field)))
    orchard.pull(field.predict(field.sights("person", 1, "blank"), "crate"))
    orchard.assemble()
    orchard.configure(field.settings.replace("attribute.obstacle", "attribute.thing").replace("crate", "box"))
    life = explain(orchard, "blank-person-000/1")
    assert list_whys(life) == ["no_label"]
    assert len(life.predictions) == 1
    assert "turnrow.toml no longer has the attribute" in tell(life)


# Questions, blind as long as they are open


def test_answers_of_an_open_question_are_hidden_and_shown_once_it_has_ended(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings.replace("answers_needed = 1", "answers_needed = 2") + DOUBT)
    (row,) = doubt(orchard, field, "person")
    answer(orchard, row, ("ana", "foliage"))

    open_life = explain(orchard, row)

    assert open_life.is_asked
    assert (open_life.questions[0]["answers"], open_life.questions[0]["answer_count"]) == ([], 1)
    assert "CAUTION" in tell(open_life)
    assert "open; 1 answer so far, hidden" in tell(open_life)
    assert "ana" not in tell(open_life) and "foliage" not in tell(open_life)

    answer(orchard, row, ("ben", "foliage"))
    settle_fixes(orchard.loop)
    flag_mispredictions(orchard.loop)
    ended = explain(orchard, row)
    assert not ended.is_asked
    assert [(a["annotator"], a["answer"]) for a in ended.questions[0]["answers"]] == [
        ("ana", "foliage"),
        ("ben", "foliage"),
    ]
    assert "CAUTION" not in tell(ended)
    assert "ana: foliage, 2026-06-01 00:00:00; ben: foliage" in tell(ended)
    assert [(f["rule"], f["is_live"], f["because"]) for f in ended.flags] == [
        ("doubt", False, "the label changed"),
        ("doubt", True, None),
        ("label_disagrees", True, None),
    ]


def test_a_known_item_keeps_its_answers_hidden(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + DOUBT + "\n[answers]\nknown_item_share = 0.5\n")
    orchard.pull(field.label(make_base(field)))
    doubt(orchard, field, "person", "crate")
    with hand_out(orchard.loop, QueueFilter(), annotator="zoe") as handed:
        assert handed is not None
    known = orchard.ask("select sample_id, fix_id from known_item")
    assert known, "at least one known item was handed out"
    sample_id, fix_id = known[0]
    import_answers(orchard.loop, orchard.write([{"fix_id": fix_id, "annotator": "zoe", "answer": "foliage"}]))

    life = explain(orchard, sample_id)

    assert life.is_asked and "CAUTION" in tell(life)
    (question,) = [q for q in life.questions if q["kind"] == "known"]
    assert (question["answers"], question["answer_count"]) == ([], 1)
    assert "zoe" not in tell(life)


def test_the_guideline_is_told_by_its_hash_old_or_present(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings.replace("critical", 'guideline = "told.md"\ncritical', 1) + DOUBT)
    (orchard.loop.folder / "told.md").write_text("a person is anybody\n")
    (row,) = doubt(orchard, field, "person")
    orchard.answer()
    present = explain(orchard, row)
    assert [r["is_present_guideline"] for r in present.revisions] == [True]
    (orchard.loop.folder / "told.md").write_text("a person is anybody who stands\n")
    old = explain(orchard, row)
    assert [r["is_present_guideline"] for r in old.revisions] == [False]
    assert f"under an older guideline {old.revisions[0]['guideline_sha256'][:8]}" in tell(old)


def test_a_replaced_label_names_what_replaced_it(orchard: Any, field: Any) -> None:
    rows = field.sights("crate", 1, "torn")
    orchard.pull(field.label(rows, "crate"))
    orchard.pull(field.label(rows, "foliage"))
    orchard.flag()
    orchard.answer("crate")
    life = explain(orchard, rows[0])
    (winner,) = [r for r in life.revisions if r["state"] == "counts"]
    assert [(r["state"], r["replaced_by"]) for r in life.revisions if r is not winner] == [
        ("replaced", winner["revision_id"])
    ] * 2
    assert life.questions[0]["reason"] == "second_look"


# Which sample is meant


def test_a_sample_is_named_by_id_prefix_or_recording_object_and_time(orchard: Any, field: Any) -> None:
    rows = [field.sight("person", "a/b-person-000", thing, minute=minute) for thing in "12" for minute in (1, 2)]
    orchard.pull(field.label(rows, "person"))
    sample_id = orchard.number(
        "select sample_id from sample where object_id = '1' and observed_at = $t", t=rows[0]["observed_at"]
    )
    for text in (
        sample_id,
        sample_id[:6],
        sample_id[:9].upper(),
        name(rows[0]),
        "a/b-person-000/1/2026-05-04 06:01:00",
    ):
        assert explain(orchard, text).sample["sample_id"] == sample_id
    track = explain_sample(orchard.loop, "a/b-person-000/1")
    assert isinstance(track, Matches) and track.count == 2
    assert [row["observed_at"].minute for row in track.rows] == [1, 2]
    whole = explain_sample(orchard.loop, "a/b-person-000")
    assert isinstance(whole, Matches) and whole.count == 4


def test_several_matches_of_a_prefix_are_listed(orchard: Any, field: Any) -> None:
    orchard.pull(field.label([row for n in range(2) for row in field.sights("crate", 1, f"base{n}")]))
    orchard.tamper("update sample set sample_id = 'abcdef' || substr(sample_id, 7)")
    found = explain_sample(orchard.loop, "abcdef")
    assert isinstance(found, Matches) and found.count == 2


@pytest.mark.parametrize("text", ["abcdef", "nowhere/1", "nowhere", "abc", ""])
def test_what_nothing_bears_is_an_error_that_says_how_to_name_a_sample(
    orchard: Any, field: Any, text: str
) -> None:
    orchard.pull(field.label(field.sights("crate", 1, "base")))
    with pytest.raises(UnknownNameError, match="the warehouse knows no such sample; write its sample_id"):
        explain_sample(orchard.loop, text)


def test_a_version_of_another_attribute_or_none_is_an_error(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    version = orchard.assemble().version
    with pytest.raises(UnknownNameError, match=f"no such training set; the nearest is {version}"):
        explain(orchard, make_base(field)[0], version[:-1])
    orchard.tamper("update training_set set attribute = 'ground'")
    with pytest.raises(UnknownNameError, match="is a training set of ground, and the sample is one of obstacle"):
        explain(orchard, make_base(field)[0], version)


def test_a_refused_row_is_named_with_file_row_and_reason(orchard: Any, field: Any) -> None:
    good, bad = field.sight("person", "drive-person-000"), field.sight("person", "drive-person-001")
    path = orchard.write(field.predict([good]) + field.predict([good, bad], confidence=7))
    assert pull_files(orchard.loop, [path]).files[0].rows_quarantined == 2
    with pytest.raises(
        UnknownNameError, match=f"is no sample, since a pull refused it: {path.name}, row 3: .*confidence"
    ):
        explain_sample(orchard.loop, "drive-person-001/1")
    with pytest.raises(UnknownNameError, match="row 3"):
        explain_sample(orchard.loop, name(bad))
    life = explain(orchard, good)
    assert [row["row_number"] for row in life.refused] == [2]
    assert f"refused: {path.name}, row 2:" in tell(life)


def test_what_was_erased_is_said_with_the_versions_it_stood_in(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    orchard.pull(field.predict(field.sights("person", 1, "blank"), "crate"))
    version = orchard.assemble().version
    gone = {
        recording: orchard.number("select sample_id from sample where recording_id = $r", r=recording)
        for recording in ("base-crate-000", "blank-person-000")
    }
    for recording in gone:
        erase_recording(orchard.loop, recording)
    day = f"{read_clock(orchard):%Y-%m-%d}"
    stood = f"erased on {day} .*; it stood in {version}, which cannot be rebuilt any more"
    for text in (gone["base-crate-000"], gone["base-crate-000"][:8]):
        with pytest.raises(UnknownNameError, match=f"{gone['base-crate-000']}: {stood}"):
            explain_sample(orchard.loop, text)
    concerned = f"base-crate-000: erased on {day} .*; of training sets that concerned {version}, which cannot be"
    with pytest.raises(UnknownNameError, match=concerned):
        explain_sample(orchard.loop, "base-crate-000")
    for text in (gone["blank-person-000"], "blank-person-000/1"):
        with pytest.raises(UnknownNameError, match=f"{text}: erased on {day} .*; no training set holds it"):
            explain_sample(orchard.loop, text)


def read_clock(orchard: Any) -> datetime:
    with open_warehouse(orchard.loop, write=False) as warehouse:
        return warehouse.read_clock()
