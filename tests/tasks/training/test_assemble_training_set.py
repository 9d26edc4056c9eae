"""A version is a composition as of a moment: the same facts give the same rows, names and digest."""

import hashlib
import struct
from datetime import timedelta
from typing import Any

import pytest

from tasks.errors import InputError, NotYetError, UnknownNameError
from tasks.find_near_duplicates import find_near_duplicates
from tasks.verify_training_set import verify_training_set

KINDS = ("person", "crate", "foliage")
ROWS = (
    "select m.sample_id, m.revision_id, m.label, m.weight, m.reason, v.vector from training_set_member as m "
    "inner join sample_vector as v on v.sample_id = m.sample_id where m.version = $version"
)
BY_NAME = (
    "select k.recording_id, m.reason, m.label, m.case_name, m.fix_id is not null from training_set_member as m "
    "inner join known_sample as k on k.sample_id = m.sample_id where m.version = $version"
)


def make_base(field: Any, count: int = 4) -> list[Any]:
    return [row for kind in KINDS for row in field.sights(kind, count, "base")]


def make_digest(rows: list[Any]) -> str:
    """The digest of `digest_rows`, made again with hashlib and struct alone."""
    rows = sorted(rows)
    lines = "".join(
        f"{sample}\t{revision}\t{label}\t{weight:.6f}\t{reason}\n"
        for sample, revision, label, weight, reason, _ in rows
    )
    vectors = b"".join(struct.pack(f"<{len(vector)}f", *vector) for *_, vector in rows)
    return hashlib.sha256(lines.encode() + vectors).hexdigest()


def serve_members(orchard: Any, field: Any, case: Any) -> Any:
    """A model known by its logs alone is in service; it misreads 5 crouched people, 3 of them labelled."""
    rows = field.sights("crouched", 5, "log")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows[:3]))
    orchard.flag(case)
    return rows


def accept_first(orchard: Any, field: Any) -> Any:
    """A first version of base rows, trained and in service."""
    orchard.pull(field.label(make_base(field)))
    first = orchard.assemble()
    orchard.accept(orchard.retrain().model)
    return first


def read_version(orchard: Any, version: str) -> dict[str, Any]:
    """Recording -> (reason, label, case, has a fix)."""
    return {name: tuple(rest) for name, *rest in orchard.ask(BY_NAME, version=version)}


def test_a_first_version_takes_every_labelled_sample_as_base(any_orchard: Any, field: Any) -> None:
    base = make_base(field)
    any_orchard.pull(field.label(base))
    any_orchard.pull(field.predict(field.sights("crate", 3, "unlabelled")))
    bare = [
        {key: value for key, value in row.items() if key != "features"} for row in field.sights("crate", 2, "bare")
    ]
    any_orchard.pull(field.label(bare))
    case = any_orchard.case()
    members = serve_members(any_orchard, field, case)

    made = any_orchard.assemble()

    assert (made.state, made.row_count, made.left_out, made.rows_by_reason) == ("passed", 15, 0, {"base": 15})
    rows = any_orchard.ask(ROWS, version=made.version)
    assert len(rows) == 15
    digest = make_digest(rows)
    assert any_orchard.ask("select version, digest, parent_version from training_set") == [
        (f"obstacle-0001-{digest[:8]}", digest, None)
    ]
    assert {row["recording_id"] for row in members[:3]} < set(read_version(any_orchard, made.version))
    again = any_orchard.assemble()
    assert (again.version, again.is_new) == (made.version, False)
    assert any_orchard.number("select count(*) from training_set") == 1


def test_the_digest_is_the_same_on_both_kinds_of_warehouse_and_in_any_order_of_files(
    make_file_loop: Any, make_lake_loop: Any, field: Any, orchard: Any
) -> None:
    digests = set()
    for maker, order in ((make_file_loop, 1), (make_lake_loop, -1)):
        other = type(orchard)(maker(field.settings, f"other{order}"))
        for row in make_base(field, 2)[::order]:
            other.pull(field.label([row]))
        digests.add(other.assemble().version)
    assert len(digests) == 1


def test_a_later_version_keeps_its_parents_rows_and_adds_fixed_and_mined_ones(orchard: Any, field: Any) -> None:
    first = accept_first(orchard, field)
    case = orchard.case()
    model = orchard.number("select model_version from incumbent")
    rows = field.sights("crouched", 5, "log")
    orchard.pull(field.predict(rows, model=model))
    orchard.pull(field.label(rows[:3]))
    orchard.pull(field.label(field.sights("crate", 2, "later")))
    corrected = field.sights("crate", 1, "base")
    orchard.pull([row | {"decided_at": "2026-07-01T00:00:00Z"} for row in field.label(corrected)])
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer()

    second = orchard.assemble()

    assert (
        orchard.number("select parent_version from training_set where version = $v", v=second.version)
        == first.version
    )
    assert second.rows_by_reason == {"base": 12, "fixed": 3, "mined": 2}
    found = read_version(orchard, second.version)
    assert found["log-crouched-000"] == ("fixed", "person", "crouched-picker", False)
    assert found["log-crouched-004"] == ("mined", "person", "crouched-picker", True)
    assert "later-crate-000" not in found, "a label file that no case asked for waits for a new base"

    orchard.accept(orchard.retrain(case).model, "good enough")
    kept = orchard.ask(
        "select * exclude (version) from training_set_member where version = $v order by all", v=second.version
    )
    third = orchard.assemble()
    assert (
        orchard.ask(
            "select * exclude (version) from training_set_member where version = $v order by all", v=third.version
        )
        == kept
    )
    assert (
        orchard.number("select parent_version from training_set where version = $v", v=third.version)
        == second.version
    )


def test_a_corrected_label_is_taken_and_the_reason_kept(orchard: Any, field: Any) -> None:
    orchard.pull(field.label([row | {"decided_at": "2026-06-01T00:00:00Z"} for row in make_base(field)]))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    wrong = field.sights("crate", 1, "base", decided_at="2026-07-01T00:00:00Z")
    orchard.pull(field.label(wrong, "foliage"))
    second = orchard.assemble()
    assert read_version(orchard, second.version)["base-crate-000"][:2] == ("base", "foliage")


def test_look_alikes_are_named_so(orchard: Any, field: Any) -> None:
    accept_first(orchard, field)
    case = orchard.case(
        field.crouched.replace("look_alikes = 0.0", "look_alikes = 0.5").replace("budget = 40", "budget = 4")
    )
    model = orchard.number("select model_version from incumbent")
    rows = field.sights("crouched", 11, "log")
    orchard.pull(field.predict(rows[:6], "crate", model) + field.predict(rows[6:], "person", model))
    orchard.pull(field.label(rows[:1]))
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer()
    assert orchard.assemble().rows_by_reason == {"base": 12, "fixed": 1, "mined": 2, "look_alike": 2}


def test_a_dry_run_writes_nothing(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    dry = orchard.assemble(is_dry_run=True)
    assert (dry.version, dry.state, dry.row_count, dry.is_new) == (None, "passed", 12, False)
    assert orchard.number("select count(*) from training_set") == 0
    assert orchard.assemble().rows_by_reason == dry.rows_by_reason


def test_nothing_to_train_on_is_not_yet(orchard: Any, field: Any) -> None:
    orchard.pull(field.predict(make_base(field)))
    with pytest.raises(NotYetError, match="no sample has a label and features in features:1"):
        orchard.assemble()


def test_a_check_of_the_users_own_fails_a_version_which_cannot_be_trained_on(orchard: Any, field: Any) -> None:
    base = make_base(field)
    orchard.pull(field.label(base))
    passed = orchard.assemble()
    orchard.configure(
        field.settings
        + '\n[[check]]\nname = "no_first"\nattribute = "obstacle"\nrequirement = "must"\n'
        + "where = \"recording_id like '%-000'\"\n"
    )
    failed = orchard.assemble()
    assert (failed.state, failed.version != passed.version, failed.is_new) == ("failed", True, True)
    assert orchard.number("select count(*) from check_failure where check_name = 'no_first'") == 3
    assert orchard.assemble().version == failed.version, "run again it is the same failed version"
    with pytest.raises(NotYetError, match=f"{failed.version}: failed its checks"):
        orchard.retrain()
    assert orchard.number("select count(*) from model") == 0

    orchard.configure(field.settings)
    mended = orchard.assemble()
    assert mended.state == "passed"
    assert orchard.assemble().version == mended.version
    assert orchard.retrain().training_set == mended.version


def test_a_should_check_only_warns(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    orchard.configure(
        field.settings
        + '\n[[check]]\nname = "no_noon"\nattribute = "obstacle"\nwhere = "(context->>\'light\') = \'noon\'"\n'
    )
    made = orchard.assemble()
    (check,) = [check for check in made.checks if check.check_name == "no_noon"]
    assert (made.state, check.passed, check.failing_count) == ("passed", False, 12)


def test_caps_and_weights_go_by_reason(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + "\n[assemble]\ncaps = {base = 7}\nweights = {base = 0.333333}\n")
    orchard.pull(field.label(make_base(field)))
    made = orchard.assemble()
    rows = orchard.ask(ROWS, version=made.version)
    assert (made.row_count, {row[3] for row in rows}) == (7, {0.333333})
    assert orchard.number("select digest from training_set") == make_digest(rows)
    assert verify_training_set(orchard.loop, made.version).is_equal


# What must not get in


def test_no_row_of_a_reserved_group_gets_in_though_its_holdout_has_no_label_yet(orchard: Any, field: Any) -> None:
    base = make_base(field)
    orchard.pull(field.label(base))
    held = field.sight("crouched", "base-crate-000", "held", minute=900)
    orchard.pull(field.predict([held], "crate"))
    case = orchard.case()
    assert orchard.holdout(case).missing == 1
    made = orchard.assemble()
    assert made.row_count == 11
    assert "base-crate-000" not in read_version(orchard, made.version)


def test_a_renamed_copy_and_a_noisy_copy_of_a_holdout_sample_are_left_out_and_named(
    orchard: Any, field: Any
) -> None:
    base = make_base(field)
    held = field.sights("person", 3, "held")
    copies = [
        row | {"recording_id": f"copy-person-{number:03d}", "features": [scale * x for x in row["features"]]}
        for number, (row, scale) in enumerate(zip(held, (1.0, 1.02, 1.2), strict=True))
    ]
    orchard.pull(field.label(base + held + copies))
    orchard.hold(held)

    made = orchard.assemble()

    assert (made.state, made.row_count, made.left_out) == ("passed", 13, 2)
    (told,) = [check for check in made.checks if check.check_name == "near_duplicates_left_out"]
    assert (told.requirement, told.passed, told.failing_count) == ("should", False, 2)
    named = orchard.ask(
        "select k.recording_id from check_failure as f inner join known_sample as k on k.sample_id = f.sample_id "
        "where f.check_name = 'near_duplicates_left_out' order by all"
    )
    assert named == [("copy-person-000",), ("copy-person-001",)]
    assert {"copy-person-002"} == {name for name in read_version(orchard, made.version) if name.startswith("copy")}


@pytest.mark.parametrize(("distance", "is_near"), [(0.0499, True), (0.0501, False)])
def test_near_is_nearer_than_the_share_of_the_holdout_samples_norm(distance: float, is_near: bool) -> None:
    import duckdb

    held = [3.0, 4.0]
    row = [3.0, 4.0 + 5 * distance]
    with duckdb.connect() as connection:
        connection.execute("attach ':memory:' as wh")
        connection.execute("use wh")
        stamp = "timestamptz '2026-01-01 00:00:00+00'"
        connection.execute(
            f"create table holdout as select 'h' as holdout_id, 'a' as attribute, {stamp} as known_at"
        )
        connection.execute("create table holdout_member as select 'h' as holdout_id, 'held' as sample_id")
        connection.execute(
            f"create table sample_vector as select *, 's' as space, {stamp} as known_at "
            "from (values ('held', $held::float[]), ('row', $row::float[])) as t (sample_id, vector)",
            {"held": held, "row": row},
        )
        connection.execute("create temp table composed_row as select 'row' as sample_id, null as why")
        place = {"attribute": "a", "feature_space": "s", "reserved_until": "2026-01-02 00:00:00+00"}
        assert find_near_duplicates(connection, place, 0.05) == (["row"] if is_near else [])


def test_a_set_whose_groups_were_reserved_since_is_not_trained_on(orchard: Any, field: Any) -> None:
    base = make_base(field)
    orchard.pull(field.label(base))
    made = orchard.assemble()
    orchard.hold(base[:2])
    with pytest.raises(NotYetError, match=f"{made.version}: 2 of its rows .* reserved for a hold-out since"):
        orchard.retrain()
    assert orchard.assemble().row_count == 10
    assert orchard.retrain().training_set.startswith("obstacle-0002-")


# Rebuilding


def test_a_version_is_rebuilt_exactly_after_further_files_answers_and_holdouts(
    any_orchard: Any, field: Any
) -> None:
    case = any_orchard.case()
    rows = serve_members(any_orchard, field, case)
    any_orchard.pull(field.label([row | {"decided_at": "2026-06-01T00:00:00Z"} for row in make_base(field)]))
    made = any_orchard.assemble()
    any_orchard.answer()
    any_orchard.pull(field.label(field.sights("crate", 3, "later")))
    any_orchard.pull(field.label(field.sights("crate", 1, "base", decided_at="2026-08-01T00:00:00Z"), "person"))
    near = [row | {"recording_id": "twin-of-base"} for row in field.sights("foliage", 1, "base")]
    any_orchard.pull(field.label(near, "foliage"))
    any_orchard.hold(rows[:2], case)
    any_orchard.hold(near)

    summary = verify_training_set(any_orchard.loop, made.version)

    assert (summary.is_equal, summary.digest) == (True, summary.rebuilt_digest)


def test_features_that_a_holdout_sample_gets_later_change_no_version_of_before(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    (twin,) = field.sights("crate", 1, "base")
    bare = {key: value for key, value in twin.items() if key != "features"} | {"recording_id": "held-crate-000"}
    orchard.pull(field.label([bare], "crate"))
    orchard.hold([bare])
    made = orchard.assemble()
    assert made.row_count == 12
    orchard.pull(field.predict([bare | {"features": twin["features"]}], "crate"))
    assert verify_training_set(orchard.loop, made.version).is_equal
    assert orchard.assemble().left_out == 1


@pytest.mark.parametrize(
    "statement",
    [
        "update training_set_member set label = 'person' where sample_id = (select min(sample_id) from sample)",
        "update training_set_member set weight = 2 where sample_id = (select min(sample_id) from sample)",
        "update training_set_member set reason = 'mined' where sample_id = (select min(sample_id) from sample)",
        "delete from training_set_member where sample_id = (select min(sample_id) from sample)",
        "update label_revision set label = 'foliage' where label = 'crate'",
        "delete from label_revision where label = 'crate'",
        "update sample_vector set vector = list_transform(vector, lambda x: cast(x + 0.001 as float))",
        "update training_set set digest = replace(digest, '0', '1')",
    ],
)
def test_tampering_shows(orchard: Any, field: Any, statement: str) -> None:
    orchard.pull(field.label(make_base(field, 2)))
    made = orchard.assemble()
    assert verify_training_set(orchard.loop, made.version).is_equal
    orchard.tamper(statement)
    assert not verify_training_set(orchard.loop, made.version).is_equal


def test_as_of_a_past_moment_the_past_is_rebuilt(orchard: Any, field: Any) -> None:
    orchard.pull(field.label([row | {"decided_at": "2026-06-01T00:00:00Z"} for row in make_base(field)]))
    past = orchard.assemble()
    ((moment,),) = orchard.ask("select as_of from training_set")
    orchard.pull(field.label(field.sights("crate", 3, "later")))
    orchard.pull(field.label(field.sights("crate", 1, "base", decided_at="2026-08-01T00:00:00Z"), "person"))
    assert orchard.assemble().row_count == 15
    again = orchard.assemble(as_of=moment)
    assert (again.version, again.is_new) == (past.version, False)
    with pytest.raises(InputError, match="in the future"):
        orchard.assemble(as_of=moment + timedelta(days=36500))


def test_an_unknown_version_or_attribute_is_named(orchard: Any) -> None:
    with pytest.raises(UnknownNameError, match="obstacle-0009: no such training set"):
        verify_training_set(orchard.loop, "obstacle-0009")


def test_a_group_stays_reserved_though_a_later_file_moves_its_members(make_orchard: Any, field: Any) -> None:
    """`group_by` reads a field that a later row fills: by today's groups nothing would be reserved."""
    settings = field.settings.replace(
        "answers_needed", 'group_by = "coalesce(unit_id, recording_id)"\nanswers_needed'
    )
    orchard = make_orchard(settings)
    rows = [
        field.sight("person", f"log-person-{n:03d}", f"thing-{m}", minute=m) for n in range(6) for m in range(3)
    ]
    orchard.pull(field.label(rows))
    held = rows[:1]  # two more samples share its recording
    orchard.hold(held)
    orchard.pull(field.label([row | {"unit_id": f"cart-{row['recording_id']}"} for row in rows]))

    made = orchard.assemble()

    inside = orchard.ask("select recording_id from training_set_member inner join known_sample using (sample_id)")
    assert (made.row_count, (held[0]["recording_id"],) in inside) == (15, False)
