"""Every known way for a hold-out to leak into what a model learns: kept out, or caught and named.

Each leak is planted in three ways. Honestly: then composing keeps it out and says so. Behind Turnrow's back: the
hold-out's rows are dated into the future, as by a host whose clock was ahead, so that composing misses them; then
a `must` check names the samples, and nothing can be trained on the version. And afterwards: a version that had
passed, and that a later hold-out makes leaky, is not trained on either.
"""

import json
import sys
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from flows.cli import main
from tasks.errors import InputError, NotYetError

KINDS = ("person", "crate", "foliage")
# A trainer that writes down which recordings it learnt from.
WITNESS = """
import json
import pyarrow as pa, pyarrow.parquet as pq

def train(folder):
    request = json.loads((folder / "request.json").read_text())
    asked = pq.read_table(folder / "predict.parquet")
    if request["task"] == "train":
        learnt = pq.read_table(folder / "train.parquet")["recording_id"].to_pylist()
        (folder / "model").mkdir()
        (folder / "model" / "learnt.json").write_text(json.dumps(sorted(learnt)))
    rows = asked.num_rows
    pq.write_table(pa.table({
        "sample_id": asked["sample_id"], "predicted": pa.array(["crate"] * rows, pa.string()),
        "confidence": pa.array([0.5] * rows, pa.float64()),
    }), folder / "predictions.parquet")
"""

Plant = Callable[[Any, Any], Sequence[Any]]
"""Brings a leak of the held rows in: (orchard, field) -> the rows that must not be learnt from."""


def make_base(field: Any, count: int = 4) -> list[Any]:
    return [row for kind in KINDS for row in field.sights(kind, count, "base")]


def held_rows(field: Any) -> list[Any]:
    rows: list[Any] = field.sights("person", 2, "held")
    return rows


def plant_same_group(orchard: Any, field: Any) -> Sequence[Any]:
    """Other objects of a held recording."""
    rows = [field.sight("person", "held-person-000", f"thing-{n}", minute=50 + n) for n in range(2)]
    orchard.pull(field.label(rows, "person"))
    return rows


def plant_renamed_copy(orchard: Any, field: Any) -> Sequence[Any]:
    """The same features under another recording's name."""
    rows = [row | {"recording_id": f"copy-person-{n:03d}"} for n, row in enumerate(held_rows(field))]
    orchard.pull(field.label(rows))
    return rows


def plant_shifted_time(orchard: Any, field: Any) -> Sequence[Any]:
    """The same features an hour later, in the same recording and in one of another name."""
    (held, _) = held_rows(field)
    later = {"observed_at": "2026-05-04T07:00:00Z"}
    rows = [held | later, held | later | {"recording_id": "shifted-person-000"}]
    orchard.pull(field.label(rows))
    return rows


def plant_noisy_copy(orchard: Any, field: Any) -> Sequence[Any]:
    """Copies under other names with noise of 2 % of their norm."""
    random = np.random.default_rng(7)
    rows = []
    for number, row in enumerate(held_rows(field)):
        features = np.array(row["features"])
        noise = random.normal(size=len(features))
        noise *= 0.02 * np.linalg.norm(features) / np.linalg.norm(noise)
        rows.append(row | {"recording_id": f"noisy-person-{number:03d}", "features": list(features + noise)})
    orchard.pull(field.label(rows))
    return rows


def plant_relabelled(orchard: Any, field: Any) -> Sequence[Any]:
    """Members that get another, later label by file."""
    rows = held_rows(field)
    orchard.pull([row | {"decided_at": "2026-09-01T00:00:00Z"} for row in field.label(rows, "crate")])
    return rows


def plant_unlabelled_group(orchard: Any, field: Any) -> Sequence[Any]:
    """Labelled samples of a group whose own held sample has no label yet."""
    held = [field.sight("crouched", f"base-crate-{n:03d}", "held", minute=900) for n in range(2)]
    orchard.pull(field.predict(held, "crate"))
    orchard.hold(held)
    rows: list[Any] = field.sights("crate", 2, "base")
    return rows


LEAKS: list[tuple[Plant, str]] = [
    (plant_same_group, "reserved"),
    (plant_renamed_copy, "near_duplicate"),
    (plant_shifted_time, "both"),
    (plant_noisy_copy, "near_duplicate"),
    (plant_relabelled, "reserved"),
    (plant_unlabelled_group, "reserved"),
]
each_leak = pytest.mark.parametrize(("plant", "why"), LEAKS, ids=[plant.__name__[6:] for plant, _ in LEAKS])


def name_samples(orchard: Any, rows: Sequence[Any]) -> set[str]:
    """The sample_ids of rows."""
    known = orchard.ask(
        "select sample_id, recording_id, object_id, strftime(observed_at, '%Y-%m-%dT%H:%M') from sample"
    )
    wanted = {(row["recording_id"], row["object_id"], row["observed_at"][:16]) for row in rows}
    return {sample_id for sample_id, *names in known if tuple(names) in wanted}


def list_members(orchard: Any, version: str) -> set[str]:
    return {
        name for (name,) in orchard.ask("select sample_id from training_set_member where version = $v", v=version)
    }


def pull_rows(orchard: Any, field: Any) -> None:
    rows: list[Any] = field.label(make_base(field) + held_rows(field))
    orchard.pull([row | {"decided_at": "2026-06-01T00:00:00Z"} for row in rows])


def hold_and_plant(orchard: Any, field: Any, plant: Plant) -> set[str]:
    """Base rows, a frozen hold-out and a leak; return the sample_ids that must not be learnt from."""
    pull_rows(orchard, field)
    orchard.hold(held_rows(field))
    return name_samples(orchard, plant(orchard, field))


@each_leak
def test_a_leak_is_kept_out_and_told(orchard: Any, field: Any, plant: Plant, why: str) -> None:
    leaks = hold_and_plant(orchard, field, plant)
    assert len(leaks) == 2

    made = orchard.assemble()

    assert made.state == "passed"
    assert not leaks & list_members(orchard, made.version)
    assert not name_samples(orchard, held_rows(field)) & list_members(orchard, made.version)
    expected = {"reserved": 2 + (0 if plant is plant_relabelled else 2), "near_duplicate": 2, "both": 2}[why]
    counted = made.left_out_by_why
    if why == "reserved":
        assert counted["reserved"] == expected
    else:
        assert counted["near_duplicate"] == (2 if why == "near_duplicate" else 1)
        named = {
            name for (name,) in orchard.ask("select sample_id from check_failure where check_name like 'near_%'")
        }
        assert named <= leaks and len(named) == counted["near_duplicate"]


@each_leak
def test_a_leak_that_composing_could_not_see_fails_the_version(
    orchard: Any, field: Any, plant: Plant, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    leaks = hold_and_plant(orchard, field, plant) | name_samples(orchard, held_rows(field))
    for table in ("holdout", "holdout_reserved", "holdout_freeze"):
        orchard.tamper(f"update {table} set known_at = known_at + interval 1 day")

    made = orchard.assemble()

    assert made.state == "failed"
    assert leaks <= list_members(orchard, made.version), "composing was passed by"
    named = {
        name
        for (name,) in orchard.ask(
            "select sample_id from check_failure where check_name in ('no_reserved_group', 'no_near_duplicate')"
        )
    }
    assert named == leaks
    failed = {check.check_name for check in made.checks if check.requirement == "must" and not check.passed}
    assert failed <= {"no_reserved_group", "no_near_duplicate"} and failed
    with pytest.raises(NotYetError, match=f"{made.version}: failed its checks and cannot be trained on"):
        orchard.retrain(version=made.version)
    status = main(["retrain", "obstacle", "--version", made.version, "--at", str(orchard.loop.folder)])
    assert (status, orchard.number("select count(*) from model")) == (3, 0)
    assert made.version in capsys.readouterr().err


@each_leak
def test_a_version_that_became_leaky_is_not_trained_on(orchard: Any, field: Any, plant: Plant, why: str) -> None:
    """It passed when it was made; then a hold-out was drawn whose members it holds, or copies of them."""
    pull_rows(orchard, field)
    leaks = name_samples(orchard, [] if plant is plant_unlabelled_group else plant(orchard, field))
    made = orchard.assemble()
    orchard.hold(held_rows(field))
    if plant is plant_unlabelled_group:
        leaks = name_samples(orchard, plant(orchard, field))
    assert made.state == "passed" and leaks <= list_members(orchard, made.version)
    with pytest.raises(NotYetError, match=rf"{made.version}: \d+ of its rows .* since; assemble obstacle again"):
        orchard.retrain(version=made.version)
    again = orchard.assemble()
    assert not leaks & list_members(orchard, again.version)
    assert orchard.retrain().training_set == again.version


def test_a_copy_alone_makes_a_version_leaky(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    (twin,) = name_samples(orchard, field.sights("crate", 1, "base"))
    made = orchard.assemble()
    held = [row | {"recording_id": "held-crate-000"} for row in field.sights("crate", 1, "base")]
    orchard.pull(field.label(held))
    orchard.hold(held)
    with pytest.raises(
        NotYetError, match=f"1 of its rows .such as {twin}. lie too near a hold-out sample that came"
    ):
        orchard.retrain(version=made.version)


def test_holdout_rows_put_into_a_stored_version_are_found_whatever_group_they_claim(
    orchard: Any, field: Any
) -> None:
    orchard.pull(field.label(make_base(field) + held_rows(field)))
    orchard.hold(held_rows(field))
    made = orchard.assemble()
    orchard.tamper(
        f"insert into training_set_member select '{made.version}', r.sample_id, 'a-free-group', r.revision_id, "
        "r.label, null, 1.0, 'base', null, null, null, null from label_revision as r "
        "inner join holdout_member as m on m.sample_id = r.sample_id"
    )
    with pytest.raises(NotYetError, match=f"{made.version}: 2 of its rows .* reserved for a hold-out since"):
        orchard.retrain(version=made.version)


# Groups


def test_no_group_of_the_incumbents_ancestry_is_drawn_and_a_listed_one_judges_nothing(
    orchard: Any, field: Any
) -> None:
    case, seen, fresh = start_in_service(orchard, field)
    drawn = orchard.holdout()
    members = {name for (name,) in orchard.ask("select sample_id from holdout_member")}
    assert drawn.seen == 0 and members <= name_samples(orchard, fresh) and members
    listed = orchard.hold([*seen[:1], *fresh[:2]], case)
    assert (listed.members, listed.seen) == (3, 1)
    with pytest.raises(InputError, match="the incumbent was trained on the groups of all samples"):
        orchard.hold(seen[1:2], case)


def start_in_service(orchard: Any, field: Any) -> tuple[Any, Any, Any]:
    """A model in service that came of a second version; return the case, its ancestry's rows, and new rows."""
    base = make_base(field)
    orchard.pull(field.label(base))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    case = orchard.case()
    rows = field.sights("crouched", 3, "log")
    orchard.pull(field.predict(rows, "crate", orchard.number("select model_version from incumbent")))
    orchard.pull(field.label(rows))
    orchard.flag(case)
    orchard.assemble()
    orchard.accept(orchard.retrain(case).model, "in a hurry")
    fresh = field.sights("crouched", 4, "fresh")
    model = orchard.number("select model_version from incumbent")
    orchard.pull(field.predict([*base, *rows, *fresh], "crate", model))
    orchard.flag(case)
    return case, [*base, *rows], fresh


def copy_rows(rows: Sequence[Any], prefix: str, noise: float = 0.0) -> list[Any]:
    """The same rows under other recordings' names, each moved by that share of its norm in a random direction."""
    random = np.random.default_rng(11)
    copies = []
    for row in rows:
        features = np.array(row["features"])
        step = random.normal(size=len(features))
        moved = features + noise * np.linalg.norm(features) * step / np.linalg.norm(step)
        copies.append(row | {"recording_id": f"{prefix}-{row['recording_id']}", "features": list(moved)})
    return copies


def list_drawn(orchard: Any, summary: Any) -> set[str]:
    query = "select sample_id from holdout_member where holdout_id = $id and not is_seen"
    return {name for (name,) in orchard.ask(query, id=summary.holdout_id)}


@pytest.mark.parametrize("noise", [0.0, 0.02], ids=["renamed", "noisy"])
def test_a_copy_of_what_the_incumbents_ancestry_holds_is_not_drawn(
    orchard: Any, field: Any, noise: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither anew, nor when the hold-out grows; one that a file lists judges nothing."""
    case, seen, fresh = start_in_service(orchard, field)
    model = orchard.number("select model_version from incumbent")
    copies = copy_rows([*seen[:2], *seen[-2:]], "copy", noise)  # of the first version's rows, and of the second's
    orchard.pull(field.predict(copies, model=model))
    orchard.flag(case)

    drawn = orchard.holdout()

    members = list_drawn(orchard, drawn)
    assert members and members <= name_samples(orchard, fresh)
    assert (drawn.left_out, drawn.seen) == ({"near_duplicate": 4}, 0)
    more, later = copy_rows(seen[3:5], "more", noise), field.sights("crouched", 2, "later")
    orchard.pull(field.predict([*more, *later], model=model))
    assert main(["holdout", "overall:obstacle", "--grow", "10", "--at", str(orchard.loop.folder)]) == 3
    assert "  6 left out, too near to a row that the incumbent was trained on" in capsys.readouterr().out
    grown = orchard.holdout()
    assert list_drawn(orchard, grown) == members | name_samples(orchard, later)
    assert (grown.left_out, grown.seen) == ({}, 0)
    orchard.pull(field.label(later))
    listed = orchard.hold([*copies[:2], *later], case)
    assert (listed.members, listed.seen) == (4, 2)
    assert list_drawn(orchard, listed) == name_samples(orchard, later)
    with pytest.raises(InputError, match="the groups of all samples in it, or on near-duplicates of them"):
        orchard.hold(copies[:2], case)


def test_what_only_looks_like_the_ancestry_is_drawn(orchard: Any, field: Any) -> None:
    """The limit is the settings' `near_duplicate`, as where a training set is assembled."""
    _, seen, _ = start_in_service(orchard, field)
    model = orchard.number("select model_version from incumbent")
    like = [row | {"object_id": str(n)} for n, row in enumerate(copy_rows(seen[:3], "like", 0.06))]
    orchard.pull(field.predict(like, model=model))
    drawn = orchard.holdout()
    assert drawn.left_out == {} and name_samples(orchard, like) <= list_drawn(orchard, drawn)
    orchard.configure("near_duplicate = 0.07\n" + field.settings)
    orchard.pull(field.predict(field.sights("crouched", 1, "after"), model=model))
    assert orchard.holdout(grow=1).seen == 3, (
        "what was drawn under another limit judges nothing in the next version"
    )


def test_recordings_under_another_name_give_way_to_others_and_a_copied_track_goes_whole(
    orchard: Any, field: Any
) -> None:
    """Most of the scope is copies, of several samples each: as many others are drawn as were wanted."""
    _, seen, fresh = start_in_service(orchard, field)
    case = orchard.case(field.crouched.replace("size = 20", "size = 3").replace("crouched-picker", "at-dusk"))
    features = [row["features"] for row in seen[-3:]]
    renamed = [
        field.sight("crouched", f"renamed-{number:03d}", f"thing-{n}", minute=m, features=features[n % 3])
        for number in range(30)
        for n in range(5)
        for m in range(2)
    ]
    # One thing of this recording is a copy at all moments, another thing is not.
    walk = [field.sight("crouched", "walk-000", "copied", minute=n, features=features[0]) for n in range(6)]
    own = [field.sight("crouched", "walk-000", "own", minute=0)]
    orchard.pull(field.predict([*renamed, *walk, *own], "crate"))

    drawn = orchard.holdout(case)
    grown = orchard.holdout(case, grow=3)

    members = list_drawn(orchard, drawn)
    assert len(members) >= 3 and members <= name_samples(orchard, [*fresh, *own])
    assert list_drawn(orchard, grown) == name_samples(orchard, [*fresh, *own])
    assert drawn.left_out["near_duplicate"] >= 3
    assert grown.left_out["near_duplicate"] <= 30 * 3 + 1, "three of a recording are looked at, and then it goes"
    orchard.pull(field.predict(copy_rows(seen[-1:], "last"), "crate"))
    with pytest.raises(NotYetError, match=r"nothing can be drawn.*but for \d+ near-duplicates of rows that were"):
        orchard.holdout(case, grow=4)


def test_a_trained_on_group_is_not_drawn_though_a_later_file_gave_it_another_name(
    make_orchard: Any, field: Any
) -> None:
    orchard = make_orchard(field.settings.replace("answers_needed", "group_by = 'unit_id'\nanswers_needed"))
    base = make_base(field)
    orchard.pull(field.label(base))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    model = orchard.number("select model_version from incumbent")
    mates = field.sights("crate", 4, "mate", unit_id="cart-1")
    others = field.sights("crate", 4, "other", unit_id="cart-2")
    orchard.pull(field.predict([row | {"unit_id": "cart-1"} for row in base] + mates + others, model=model))
    orchard.flag()
    orchard.holdout()
    members = {name for (name,) in orchard.ask("select sample_id from holdout_member")}
    assert members and members <= name_samples(orchard, others), "cart-1 is what the incumbent learnt from"


def test_a_group_that_moved_since_a_past_moment_stays_out_of_a_set_made_as_of_then(
    make_orchard: Any, field: Any
) -> None:
    """At that moment nobody knew that the two samples are of one cart; today one of them is held out."""
    settings = field.settings.replace("answers_needed", "group_by = 'unit_id'\nanswers_needed")
    orchard = make_orchard(settings)
    base = make_base(field)
    orchard.pull(field.label(base))
    before = orchard.assemble()
    ((past,),) = orchard.ask("select as_of from training_set")
    orchard.pull(field.label([row | {"unit_id": f"cart-{n // 3}"} for n, row in enumerate(base)]))
    orchard.hold(base[:1])
    with pytest.raises(NotYetError, match=f"{before.version}: 3 of its rows .* reserved for a hold-out since"):
        orchard.retrain(version=before.version)
    made = orchard.assemble(as_of=past)
    assert (made.state, made.row_count, made.left_out_by_why) == ("passed", 9, {"reserved": 3})
    assert not name_samples(orchard, base[:3]) & list_members(orchard, made.version)


# The control


def test_the_control_learns_from_no_holdout_row_and_no_copy_of_one(orchard: Any, field: Any) -> None:
    (orchard.loop.folder / "witness.py").write_text(WITNESS, encoding="utf-8")
    sys.modules.pop("witness", None)
    text = field.settings.replace("answers_needed", 'trainer = "witness:train"\nanswers_needed')
    orchard.configure(text[: text.index("[attribute.obstacle.trainer_settings]")] + text[text.index("[gate]") :])
    base = make_base(field)
    twin = [row | {"recording_id": "twin-crate-000"} for row in field.sights("crate", 1, "base")]
    orchard.pull(field.label(base + twin))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    case = orchard.case()
    rows = field.sights("crouched", 3, "log")
    orchard.pull(field.predict(rows, "crate", orchard.number("select model_version from incumbent")))
    orchard.pull(field.label(rows))
    orchard.flag(case)
    near = [row | {"recording_id": "held-person-000"} for row in field.sights("person", 1, "base")]
    near += field.sights("person", 1, "unseen")
    orchard.pull(field.label(near))
    # One base row is a hold-out's by its features, another by its group; a third is put in behind Turnrow's back.
    assert orchard.hold(near).seen == 1
    orchard.hold([*near, *field.sights("foliage", 1, "base"), *field.sights("crouched", 1, "log")], case)
    orchard.tamper(
        "insert into training_set_member select version, r.sample_id, 'a-free-group', r.revision_id, r.label, "
        "null, 1.0, 'base', null, null, null, null "
        "from label_revision as r inner join known_sample using (sample_id), "
        "(select version from training_set where running_number = 1) where recording_id = 'held-person-000'"
    )
    orchard.assemble()

    done = orchard.retrain(case)

    learnt = json.loads((orchard.loop.folder / "models" / done.control_model / "learnt.json").read_text())
    wanted = {row["recording_id"] for row in base + twin} - {"base-person-000", "base-foliage-000"}
    assert learnt == sorted(wanted)
    candidate = json.loads((orchard.loop.folder / "models" / done.model / "learnt.json").read_text())
    assert not {"base-person-000", "base-foliage-000", "held-person-000", "log-crouched-000"} & set(candidate)
