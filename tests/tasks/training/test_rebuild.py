"""A version is rebuilt exactly, wherever and whenever; and one changed thing of it changes its digest."""

import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tasks.assemble_training_set import AssembleSummary, assemble_training_set
from tasks.erase_recording import erase_recording
from tasks.errors import UnknownNameError
from tasks.import_model import import_model
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.verify_training_set import VerifySummary, verify_training_set

DECIDED = datetime(2026, 5, 20, 10, tzinfo=UTC)
ANSWERED = datetime(2026, 6, 1, tzinfo=UTC)


def decide(rows: list[Any], by: str | None = "ana") -> list[Any]:
    """All at one moment, in the notation of a place two hours east."""
    return [row | {"decided_by": by, "decided_at": "2026-05-20T12:00:00+02:00"} for row in rows]


def verify(orchard: Any, made: AssembleSummary) -> VerifySummary:
    return verify_training_set(orchard.loop, str(made.version))


def name_sample(plainly: Any, row: Any) -> str:
    moment = datetime.fromisoformat(row["observed_at"])
    name: str = plainly.name_sample(row["recording_id"], row["object_id"], moment, row["attribute"])
    return name


# The digest is what the contract says


WEIGHTS = "[assemble]\nweights = {base = 0.3333333333, fixed = 2.5, mined = 0.1}\n"
DISTANCE = '[attribute.distance]\nkind = "number"\nunit = "m"\ntolerance = 0.2\nrules = ["label_disagrees"]\n'


def test_the_digest_is_what_the_contract_says(any_orchard: Any, field: Any, plainly: Any) -> None:
    """From the files' own rows, in plain Python: the same on a file and on a lake, and on every DuckDB.

    With names that are not in NFC, labels by a person's file, by nobody in particular and by a fix, weights that
    DECIMAL(12,6) cuts, and a feature of -0, whose sign DuckDB drops wherever it picks a list by a row's rank.
    """
    orchard = any_orchard
    orchard.configure((orchard.loop.folder / "turnrow.toml").read_text(encoding="utf-8") + WEIGHTS)
    import_model(orchard.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    case = orchard.case()
    names = ("e\u0301tage-1", "\u00e9tage-2", "Obstgarten \U0001f34e")
    base = [field.sight("person", f"{name}-person-0", "\u2116 1", minute=n) for n, name in enumerate(names)]
    (fixed,), (mined,) = field.sights("crouched", 1, "fixed"), field.sights("crouched", 1, "mined")
    for row in (*base, fixed, mined):
        row["features"][4] = -0.0
    orchard.pull(decide(field.label(base, "person")))
    orchard.pull(field.predict([fixed, mined]))
    orchard.pull(decide(field.label([fixed]), by=None))
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer("person", at=ANSWERED.isoformat())
    made = orchard.assemble()

    lines, features = [], {}
    for row, weight, reason, by in (
        *((row, 0.3333333333, "base", "ana") for row in base),
        (fixed, 2.5, "fixed", None),
        (mined, 0.1, "mined", None),
    ):
        sample_id = name_sample(plainly, row)
        revision_id = plainly.name_revision(sample_id, "person", None, "person", by, DECIDED)
        if reason == "mined":
            fix_id = plainly.name_fix(sample_id, 1)
            revision_id = plainly.name_revision(sample_id, "person", None, "person", "ana", ANSWERED, fix_id)
        lines.append((sample_id, revision_id, "person", None, weight, reason))
        features[sample_id] = row["features"]
    expected = plainly.digest(lines, features)
    assert made.version == f"obstacle-0001-{expected[:8]}"
    found = verify(orchard, made)
    assert (found.rebuilt_digest, found.moved) == (expected, "nothing")


def test_a_version_that_was_digested_without_signs_of_zeros_still_verifies(
    orchard: Any, field: Any, plainly: Any
) -> None:
    """An earlier Turnrow picked each vector by its row's rank: what it noted must not be called changed now."""
    (row,) = decide(field.label(field.sights("person", 1, "v")))
    row["features"][4] = -0.0
    orchard.pull([row])
    made = orchard.assemble()
    sample_id = name_sample(plainly, row)
    revision_id = plainly.name_revision(sample_id, "person", None, "person", "ana", DECIDED)
    line = (sample_id, revision_id, "person", None, 1.0, "base")
    noted = plainly.digest([line], {sample_id: [value + 0.0 for value in row["features"]]})
    assert noted[:8] not in made.version
    orchard.tamper(f"update training_set set digest = '{noted}'")
    assert (verify(orchard, made).moved, verify(orchard, made).rebuilt_digest) == ("nothing", noted)
    orchard.tamper("update sample_vector set vector = [9.0] || vector[2:]")
    assert verify(orchard, made).moved == "features"


def test_the_digest_of_numbers_is_too(orchard: Any, field: Any, plainly: Any) -> None:
    """A number enters by its float64's hex digits, not by any text of it."""
    orchard.configure(field.settings + DISTANCE + WEIGHTS)
    values = (0.1, 7.0, 1e300, -0.0)
    far = [row | {"attribute": "distance"} for row in field.sights("crate", len(values), "far")]
    orchard.pull([row | {"label": value, "origin": "machine"} for row, value in zip(far, values, strict=True)])
    made = assemble_training_set(orchard.loop, "distance")
    lines = []
    for row, value in zip(far, values, strict=True):
        sample_id = name_sample(plainly, row)
        revision_id = plainly.name_revision(sample_id, None, value, "machine")
        lines.append((sample_id, revision_id, None, value, 0.3333333333, "base"))
    expected = plainly.digest(lines, {name_sample(plainly, row): row["features"] for row in far})
    assert made.version == f"distance-0001-{expected[:8]}"
    assert verify(orchard, made).is_equal


# What comes later, elsewhere or otherwise leaves it as it was


def make(orchard: Any, field: Any) -> AssembleSummary:
    orchard.pull(decide(field.label(field.sights("person", 6, "v") + field.sights("crate", 6, "v"))))
    made: AssembleSummary = orchard.assemble()
    return made


def test_facts_that_come_later_leave_it_as_it_was(orchard: Any, field: Any) -> None:
    made, case = make(orchard, field), orchard.case()
    known = field.sights("person", 6, "v")
    orchard.pull(field.label(field.sights("foliage", 4, "late")))
    orchard.pull([row | {"decided_at": "2026-08-01T00:00:00Z"} for row in field.label(known, "crate")])
    orchard.pull(field.predict(known, "foliage") + field.predict(field.sights("crouched", 3, "late")))
    orchard.pull(field.label(field.sights("crouched", 1, "late")))
    orchard.flag(case)
    orchard.mine(case)
    assert orchard.answer(at="2026-09-01T00:00:00Z")
    orchard.hold(known[:2])
    later = orchard.assemble()
    assert later.version != made.version
    assert (verify(orchard, made).is_equal, verify(orchard, later).is_equal) == (True, True)


def test_it_moves_with_its_folder(orchard: Any, field: Any, tmp_path: Path) -> None:
    made = make(orchard, field)
    moved = tmp_path / "else where"
    shutil.move(orchard.loop.folder, moved)
    assert verify_training_set(Loop(moved, read_settings(moved)), str(made.version)).is_equal


OTHERWISE = {
    "the attribute is gone": '[attribute.ground]\nlabels = ["firm", "soft"]\n',
    "other labels, group and rules": (
        '[attribute.obstacle]\nlabels = ["a", "b"]\ngroup_by = "unit_id"\nfeatures = "2"\n'
        'within_track = "constant"\n'
    ),
    "labels renamed": '[attribute.obstacle]\nlabels = ["human", "crate", "foliage"]\nwas = {person = "human"}\n',
    "everything restricted and limited": (
        'near_duplicate = 0.9\n[attribute.obstacle]\nlabels = ["person", "crate", "foliage"]\n'
        '[[restriction]]\nwhere = "true"\nnever = ["queue", "train", "export"]\n'
        '[[leave_out]]\nattribute = "obstacle"\nwhere = "true"\nbecause = "all of it"\n'
        "[assemble]\ncaps = {base = 1}\nweights = {base = 3.0}\nshares = {machine = 0.1}\n"
        "rows_a_recording_at_most = 1\n[audit]\naql = 1.0\n[checks]\nmust = ['recording_share']\n"
    ),
}


def test_settings_that_change_do_not_matter(orchard: Any, field: Any) -> None:
    """Not even when the attribute is gone, and not after steps have noted what the settings say by now."""
    first = make(orchard, field)
    orchard.configure(
        field.settings
        + "[[leave_out]]\nattribute = 'obstacle'\nwhere = \"truth = 'crate'\"\nbecause = 'old lens'\n"
        + "[assemble]\ncaps = {base = 4}\nweights = {base = 0.5}\n"
    )
    limited = orchard.assemble()
    assert limited.row_count == 4
    for settings in OTHERWISE.values():
        orchard.configure(settings)
        assert [verify(orchard, made).moved for made in (first, limited)] == ["nothing", "nothing"], settings
        orchard.pull([field.sight("crate", "any") | {"attribute": "ground", "label": "soft", "origin": "person"}])
        orchard.flag()
    orchard.configure(OTHERWISE["labels renamed"])
    orchard.flag()
    assert orchard.ask("select distinct label from current_label where attribute = 'obstacle' order by 1") == [
        ("crate",),
        ("human",),
    ]
    assert [verify(orchard, made).moved for made in (first, limited)] == ["nothing", "nothing"]


# One changed thing changes it, and is told


ROW = "where sample_id = (select min(sample_id) from sample)"
REVISION = f"where revision_id = (select revision_id from training_set_member {ROW})"
STORED = {
    "label": ("relabelled", f"update training_set_member set label = 'foliage', revision_id = 'r' {ROW}"),
    "name": ("renamed", f"update training_set_member set label = 'foliage' {ROW}"),
    "revision": ("decided_anew", f"update training_set_member set revision_id = 'r' {ROW}"),
    "weight": ("reweighted", f"update training_set_member set weight = 1.000001 {ROW}"),
    "reason": ("other_reason", f"update training_set_member set reason = 'mined' {ROW}"),
    "row": ("in", f"delete from training_set_member {ROW}"),
}


def test_a_stored_row_that_was_changed_changes_the_digest_and_is_named(orchard: Any, field: Any) -> None:
    made = make(orchard, field)
    first = orchard.number("select min(sample_id) from sample")
    orchard.tamper("create table kept as select * from training_set_member")
    digests = set()
    for change, statement in STORED.values():
        orchard.tamper(statement)
        found = verify(orchard, made)
        digests.add(found.rows_digest)
        assert (found.is_equal, found.rebuilt_digest == found.digest, found.moved) == (False, True, "stored rows")
        assert [(row["change"], row["row_count"], row["sample_ids"]) for row in found.differences] == [
            (change, 1, [first])
        ]
        orchard.tamper("delete from training_set_member")
        orchard.tamper("insert into training_set_member select * from kept")
    assert len(digests) == len(STORED)
    assert verify(orchard, made).is_equal


FACTS = {
    "label": ("label_revision", f"update label_revision set label = 'foliage' {REVISION}"),
    "decision": ("label_revision", f"update label_revision set revision_id = 'r' {REVISION}"),
    "label gone": ("label_revision", f"delete from label_revision {REVISION}"),
    "features gone": ("sample_vector", f"delete from sample_vector {ROW}"),
    "feature": ("sample_vector", f"update sample_vector set vector = [9.0] || vector[2:] {ROW}"),
}


def test_a_fact_that_was_changed_changes_the_digest_and_is_told(orchard: Any, field: Any) -> None:
    made = make(orchard, field)
    (first, label) = orchard.ask(f"select sample_id, label from training_set_member {ROW}")[0]
    told = {}
    for name, (table, statement) in FACTS.items():
        orchard.tamper(f"create or replace table kept as select * from {table}")
        orchard.tamper(statement)
        found = verify(orchard, made)
        assert not found.is_equal
        assert found.rebuilt_digest != found.digest
        told[name] = (found.moved, [(row["change"], row["before"], row["after"]) for row in found.differences])
        assert all(row["sample_ids"] == [first] for row in (*found.differences, *found.features))
        assert [row["change"] for row in found.features] == ["features_gone"] * (name == "features gone")
        orchard.tamper(f"delete from {table}")
        orchard.tamper(f"insert into {table} select * from kept")
    revision = orchard.number(f"select revision_id from training_set_member {ROW}")
    assert told == {
        "label": ("facts", [("renamed", [label], ["foliage"])]),
        "decision": ("facts", [("decided_anew", [revision], ["r"])]),
        "label gone": ("facts", [("out", [label], [None])]),
        "features gone": ("facts", [("out", [label], [None])]),
        "feature": ("features", []),
    }
    assert verify(orchard, made).is_equal


def test_what_the_digest_does_not_hold_is_compared_too(orchard: Any, field: Any) -> None:
    """A row that names another fix, case or prediction would send whoever follows it back the wrong way."""
    made = make(orchard, field)
    orchard.tamper(f"update training_set_member set fix_id = 'f' {ROW}")
    found = verify(orchard, made)
    assert (found.is_equal, found.rows_digest == found.digest, found.moved) == (False, True, "lineage")
    (told,) = found.differences
    assert told["change"] == "other_lineage"
    assert "'fix_id': f" in told["before"][0] and "'fix_id': NULL" in told["after"][0]
    for name in ("group_id", "prediction_id", "case_name", "case_names"):
        assert f"'{name}': " in told["before"][0], "spelt out, since that is all that JSON says of it"


def test_what_is_not_known_by_its_name_is_named_with_the_nearest(orchard: Any, field: Any) -> None:
    with pytest.raises(UnknownNameError, match="there is none yet"):
        verify_training_set(orchard.loop, "obstacle-0001")
    made = make(orchard, field)
    with pytest.raises(UnknownNameError, match=f"obstacle-0001-0: no such training set; .*{made.version}"):
        verify_training_set(orchard.loop, "obstacle-0001-0")


# What an erasure leaves


def test_a_version_with_rows_of_an_erased_recording_says_so_and_compares_the_rest(
    orchard: Any, field: Any
) -> None:
    made = make(orchard, field)
    erase_recording(orchard.loop, "v-person-003")
    found = verify(orchard, made)
    assert (found.is_equal, found.is_erased, found.erased_rows, found.moved) == (False, True, 1, "erased")
    assert (found.row_count, found.stored_row_count, found.rebuilt_row_count) == (12, 12, 11)
    assert found.is_rest_equal
    kept = "select min(sample_id) from training_set_member where label is not null"
    orchard.tamper(f"update training_set_member set weight = 7 where sample_id = ({kept})")
    found = verify(orchard, made)
    assert (found.is_rest_equal, [row["change"] for row in found.differences]) == (False, ["reweighted"])


def test_rows_that_an_erased_one_had_kept_out_are_told(orchard: Any, field: Any) -> None:
    """A limit counted it, or a hold-out sample of it was too near: so the rest differs, by nobody's fault."""
    orchard.configure(field.settings + "[assemble]\ncaps = {base = 3}\n")
    limited = make(orchard, field)
    rows = (
        "select recording_id from training_set_member inner join known_sample using (sample_id) where version = $v"
    )
    erase_recording(orchard.loop, orchard.ask(f"{rows} limit 1", v=limited.version)[0][0])
    found = verify(orchard, limited)
    assert (found.erased_rows, [(row["change"], row["row_count"]) for row in found.differences]) == (
        1,
        [("in", 1)],
    )


def test_a_version_that_left_a_row_out_for_an_erased_holdout_sample_says_so(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(field.sights("person", 3, "v")))
    twin = field.sights("person", 1, "v")[0] | {"recording_id": "held-person-000"}
    orchard.pull(field.label([twin]))
    orchard.hold([twin])
    made = orchard.assemble()
    assert made.left_out == 1
    erase_recording(orchard.loop, "held-person-000")
    found = verify(orchard, made)
    assert (found.is_erased, found.erased_rows, found.moved) == (True, 0, "erased")
    assert [(row["change"], row["row_count"]) for row in found.differences] == [("in", 1)]


def test_a_version_that_an_erasure_did_not_touch_still_verifies(orchard: Any, field: Any) -> None:
    made = make(orchard, field)
    orchard.pull(field.label(field.sights("foliage", 2, "late")))
    erase_recording(orchard.loop, "late-foliage-001")
    assert verify(orchard, made).is_equal
