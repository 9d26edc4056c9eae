"""What a composition takes, what it leaves out and why; and that it is made again whatever came since."""

import hashlib
import json
from datetime import timedelta
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.print_results import print_assemble
from tasks.errors import ExpressionError, NotYetError, SettingsError
from tasks.fit_shares import fit_shares
from tasks.flag_mispredictions import flag_mispredictions
from tasks.make_plain import make_plain
from tasks.plan_composition import Composition, read_composition
from tasks.read_settings import read_settings
from tasks.verify_training_set import verify_training_set

KINDS = ("person", "crate", "foliage")
SECOND_CASE = """
case = "dusk-crates"
attribute = "obstacle"
question = "Is it a crate at dusk?"
severity = "low"
[members]
where = "predicted = 'crate' and (context->>'light') = 'dusk' and truth is not null"
"""


def make_base(field: Any, count: int = 4) -> list[Any]:
    return [row for kind in KINDS for row in field.sights(kind, count, "base")]


def read_rows(orchard: Any, version: str) -> dict[str, Any]:
    """Recording -> (reason, label, case_name, case_names, weight)."""
    rows = orchard.ask(
        "select k.recording_id, m.reason, m.label, m.case_name, m.case_names, m.weight "
        "from training_set_member as m inner join known_sample as k on k.sample_id = m.sample_id "
        "where m.version = $version",
        version=version,
    )
    assert len(rows) == len({name for name, *_ in rows}), "one row a sample"
    return {name: tuple(rest) for name, *rest in rows}


def serve_base(orchard: Any, field: Any, count: int = 4) -> Any:
    """A first version of base rows, its model in service."""
    orchard.pull(field.label([row | {"decided_at": "2026-06-01T00:00:00Z"} for row in make_base(field, count)]))
    first = orchard.assemble()
    orchard.accept(orchard.retrain().model)
    return first


def log_crouched(orchard: Any, field: Any, rows: list[Any], labelled: int) -> None:
    orchard.pull(field.predict(rows, "crate", orchard.number("select model_version from incumbent")))
    orchard.pull(field.label(rows[:labelled], "person"))


def in_hash_order(orchard: Any, recordings: str) -> list[str]:
    """Recordings that match, in the order in which limits keep them: SHA-256 of the sample_id, by hashlib."""
    rows = orchard.ask("select sample_id, recording_id from known_sample where recording_id like $r", r=recordings)
    return [name for sample_id, name in sorted(rows, key=lambda row: hashlib.sha256(row[0].encode()).hexdigest())]


# Several cases, caps and weights


def test_a_row_that_several_cases_want_stands_once_and_names_them_the_most_severe_first(
    any_orchard: Any, field: Any
) -> None:
    serve_base(any_orchard, field, 2)
    cases = [any_orchard.case(), any_orchard.case(SECOND_CASE)]
    log_crouched(any_orchard, field, field.sights("crouched", 4, "log"), 3)
    any_orchard.flag(*cases)
    any_orchard.mine(cases[0])
    any_orchard.answer()

    made = any_orchard.assemble()

    assert made.rows_by_reason == {"base": 6, "fixed": 3, "mined": 1}
    found = read_rows(any_orchard, made.version)
    both = ["crouched-picker", "dusk-crates"]
    assert found["log-crouched-000"] == ("fixed", "person", "crouched-picker", both, 1.0)
    assert found["log-crouched-003"][:3] == ("mined", "person", "crouched-picker")
    assert found["base-crate-000"] == ("base", "crate", None, None, 1.0)
    counts = dict(any_orchard.ask("select case_name, in_training from case_counts"))
    assert counts["dusk-crates"] >= 3


def test_a_cap_keeps_the_first_in_hash_order_and_the_others_are_named(orchard: Any, field: Any) -> None:
    serve_base(orchard, field)
    case = orchard.case()
    log_crouched(orchard, field, field.sights("crouched", 5, "log"), 5)
    orchard.flag(case)
    orchard.configure(field.settings + "\n[assemble]\ncaps = {fixed = 2, base = 11}\nweights = {fixed = 2.5}\n")

    made = orchard.assemble()

    assert made.rows_by_reason == {"base": 11, "fixed": 2}
    assert made.left_out_by_why == {"over_cap": 4}
    fixed = {name: row for name, row in read_rows(orchard, made.version).items() if row[0] == "fixed"}
    assert set(fixed) == set(in_hash_order(orchard, "log%")[:2])
    assert {row[4] for row in fixed.values()} == {2.5}
    assert verify_training_set(orchard.loop, made.version).is_equal


# No recording oversampled


def test_no_recording_brings_more_added_rows_than_allowed_and_base_rows_are_not_counted(
    orchard: Any, field: Any
) -> None:
    serve_base(orchard, field)
    case = orchard.case()
    track = [field.sight("crouched", "log-crouched-000", f"thing-{n}", minute=n) for n in range(6)]
    base = [field.sight("crouched", "base-crate-000", f"thing-{n}", minute=100 + n) for n in range(3)]
    log_crouched(orchard, field, track + base + field.sights("crouched", 1, "solo"), 10)
    orchard.flag(case)
    orchard.configure(field.settings + "\n[assemble]\nrows_a_recording_at_most = 2\n")

    made = orchard.assemble()

    assert made.rows_by_reason == {"base": 12, "fixed": 5}
    assert made.left_out_by_why == {"over_recording": 5}
    kept = orchard.ask(
        "select k.recording_id, count(*) from training_set_member as m join known_sample as k using (sample_id) "
        "where m.version = $v and m.reason <> 'base' group by 1 order by 1",
        v=made.version,
    )
    assert kept == [("base-crate-000", 2), ("log-crouched-000", 2), ("solo-crouched-000", 1)]
    assert verify_training_set(orchard.loop, made.version).is_equal


# Shares of label origins


@pytest.mark.parametrize(
    ("people", "machines", "synthetic", "shares", "kept"),
    [
        (7, 3, 0, {"machine": 0.3}, {}),
        (7, 4, 0, {"machine": 0.3}, {"machine": 3}),
        (70, 1000, 0, {"machine": 0.3}, {"machine": 30}),
        (50, 1000, 1000, {"machine": 0.3, "synthetic": 0.2}, {"machine": 30, "synthetic": 20}),
        (50, 1000, 5, {"machine": 0.3, "synthetic": 0.2}, {"machine": 23}),
        (50, 5, 1000, {"synthetic": 0.2}, {"synthetic": 13}),
        (10, 5, 5, {"machine": 1.0, "synthetic": 0.0}, {"synthetic": 0}),
        (0, 10, 0, {"machine": 0.3}, {"machine": 0}),
        (0, 10, 10, {"machine": 0.6, "synthetic": 0.6}, {}),
        (10, 0, 0, {"machine": 0.3}, {}),
    ],
)
def test_shares_are_of_the_set_as_it_ends(
    people: int, machines: int, synthetic: int, shares: dict[str, float], kept: dict[str, int]
) -> None:
    counts = {"person": people, "machine": machines, "synthetic": synthetic}
    assert fit_shares(counts, shares) == kept


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.tuples(*[st.integers(0, 12)] * 3),
    st.tuples(*[st.sampled_from([0.0, 0.1, 0.25, 0.3, 0.5, 0.7, 1.0])] * 2),
)
def test_no_larger_set_keeps_the_shares(counts: tuple[int, int, int], shares: tuple[float, float]) -> None:
    """Against trying every number of rows that could stay."""
    people, machines, synthetic = counts
    cut = fit_shares(
        {"person": people, "machine": machines, "synthetic": synthetic},
        {"machine": shares[0], "synthetic": shares[1]},
    )

    def is_allowed(m: int, s: int) -> bool:
        rows = people + m + s
        return m * 100 <= round(shares[0] * 100) * rows and s * 100 <= round(shares[1] * 100) * rows

    allowed = [(m, s) for m, s in product(range(machines + 1), range(synthetic + 1)) if is_allowed(m, s)]
    assert (cut.get("machine", machines), cut.get("synthetic", synthetic)) == max(allowed, key=sum)


def test_labels_beyond_their_origins_share_are_left_out_base_rows_too(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + "\n[assemble]\nshares = {machine = 0.3, synthetic = 0.2}\n")
    orchard.pull(field.label(field.sights("crate", 5, "base")))
    orchard.pull([row | {"origin": "machine"} for row in field.label(field.sights("person", 9, "auto"))])
    orchard.pull([row | {"origin": "synthetic"} for row in field.label(field.sights("foliage", 9, "drawn"))])

    made = orchard.assemble()

    assert (made.row_count, made.left_out_by_why) == (10, {"over_origin_share": 13})
    found = set(read_rows(orchard, made.version))
    assert {name for name in found if name.startswith("auto")} == set(in_hash_order(orchard, "auto%")[:3])
    assert {name for name in found if name.startswith("drawn")} == set(in_hash_order(orchard, "drawn%")[:2])
    assert verify_training_set(orchard.loop, made.version).is_equal
    orchard.configure(field.settings)
    assert verify_training_set(orchard.loop, made.version).is_equal, "the limits stand in the version"


def test_where_the_share_leaves_nothing_it_says_so(orchard: Any, field: Any) -> None:
    orchard.configure(field.settings + "\n[assemble]\nshares = {machine = 0.3}\n")
    orchard.pull([row | {"origin": "machine"} for row in field.label(field.sights("person", 3, "auto"))])
    with pytest.raises(NotYetError, match="every sample with a label is left out, 3 as over_origin_share"):
        orchard.assemble()


# What a person leaves out, with the reason


STALE = (
    '\n[[leave_out]]\nattribute = "obstacle"\nwhere = "recording_id like \'%-000\'"\nbecause = "old lens"\n'
    '[[leave_out]]\nattribute = "obstacle"\nwhere = "truth = \'foliage\'"\nbecause = "the leaves have grown"\n'
)


def test_stale_rows_are_left_out_for_the_reason_that_somebody_wrote_down(make_orchard: Any, field: Any) -> None:
    orchard = make_orchard(field.settings + STALE)
    orchard.pull(field.label(make_base(field)))

    made = orchard.assemble()

    assert (made.row_count, made.left_out_by_why) == (6, {"left_out": 6})
    assert made.left_out_notes == {"old lens": 3, "the leaves have grown": 3}
    assert verify_training_set(orchard.loop, made.version).is_equal
    composition = json.loads(orchard.number("select composition from training_set"))
    assert [table["because"] for table in composition["leave_out"]] == ["old lens", "the leaves have grown"]
    printed = "\n".join(print_assemble(make_plain(made)))
    assert "6 left out, by a [[leave_out]]" in printed and "3: old lens" in printed


@pytest.mark.parametrize(
    ("where", "message"),
    [
        ("cast((context->>'light') as integer) = 1", r"leave_out.where \(worn\): fails on a stored sample"),
        ("recording = 'x'", r"leave_out.where \(worn\): current_sample has no column recording"),
        ("sample_id in (select sample_id from sample)", r"leave_out.where \(worn\)"),
    ],
)
def test_a_bad_where_stops_the_set_and_names_the_table(orchard: Any, field: Any, where: str, message: str) -> None:
    orchard.pull(field.label(make_base(field)))
    orchard.configure(
        field.settings + f'\n[[leave_out]]\nattribute = "obstacle"\nbecause = "worn"\nwhere = """{where}"""\n'
    )
    with pytest.raises(ExpressionError, match=message):
        orchard.assemble()
    assert orchard.number("select count(*) from training_set") == 0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[[leave_out]]\nattribute = 'obstacles'\nwhere = 'true'\nbecause = 'x'",
            "nearest known one is `obstacle`",
        ),
        ("[[leave_out]]\nattribute = 'obstacle'\nwhere = 'true'", "leave_out #1.because: is missing"),
        ("[assemble]\nshares = {person = 0.5}", "shares"),
        ("[assemble]\nshares = {machine = 1.5}", "shares.machine: is 1.5"),
        ("[assemble]\nrows_a_recording_at_most = -1", "rows_a_recording_at_most: is -1"),
    ],
)
def test_bad_settings_are_named(orchard: Any, field: Any, text: str, message: str) -> None:
    (orchard.loop.folder / "turnrow.toml").write_text(f"{field.settings}\n{text}\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=message.replace(".", r"\.")):
        read_settings(orchard.loop.folder)


# Labels renamed and merged


def rename(field: Any, was: str, labels: str = '["person", "crate", "foliage"]') -> str:
    """The settings with other labels, and what they were called before."""
    text: str = field.settings.replace('["person", "crate", "foliage"]', labels)
    return text.replace("answers_needed", f"was = {was}\nanswers_needed")


def test_two_labels_that_became_one_bear_its_name_in_parent_rows_too(make_orchard: Any, field: Any) -> None:
    before = rename(field, "{}", '["person", "crate", "bush", "tree"]')
    orchard = make_orchard(before)
    orchard.pull(field.label(field.sights("person", 3, "base") + field.sights("crate", 3, "base")))
    orchard.pull(field.label(field.sights("foliage", 2, "base"), "bush"))
    orchard.pull(field.label(field.sights("foliage", 2, "more"), "tree"))
    both = field.sights("foliage", 1, "both")
    orchard.pull(field.label(both, "bush"))
    orchard.pull(field.label(both, "tree"))
    first = orchard.assemble()
    assert first.row_count == 10, "what is a bush and a tree has no label"
    orchard.accept(orchard.retrain().model)
    text = (orchard.loop.folder / "turnrow.toml").read_text(encoding="utf-8")
    orchard.configure(
        text.replace('"bush", "tree"', '"foliage"').replace(
            "was = {}", 'was = {bush = "foliage", tree = "foliage"}'
        )
    )

    second = orchard.assemble()

    assert second.state == "passed"
    labels = {name: row[1] for name, row in read_rows(orchard, second.version).items()}
    assert labels["base-foliage-000"] == labels["more-foliage-000"] == "foliage"
    assert second.version.split("-")[-1] != first.version.split("-")[-1], "another label is another digest"
    assert verify_training_set(orchard.loop, first.version).is_equal, "labels are named as they were then"
    assert verify_training_set(orchard.loop, second.version).is_equal
    assert orchard.assemble().version == second.version
    flag_mispredictions(orchard.loop)
    assert verify_training_set(orchard.loop, first.version).is_equal
    assert orchard.assemble().version == second.version, "that a later step notes the rename too changes nothing"


def test_the_merged_labels_of_one_sample_agree(orchard: Any, field: Any) -> None:
    orchard.configure(rename(field, "{}", '["person", "crate", "bush", "tree"]'))
    orchard.pull(field.label(field.sights("person", 2, "base")))
    both = field.sights("foliage", 1, "both")
    orchard.pull(field.label(both, "bush"))
    orchard.pull(field.label(both, "tree"))
    assert orchard.assemble().row_count == 2
    orchard.configure(rename(field, '{bush = "foliage", tree = "foliage"}'))
    assert read_rows(orchard, orchard.assemble().version)["both-foliage-000"][1] == "foliage"


def test_settings_changed_between_assemble_and_verify_change_no_version(orchard: Any, field: Any) -> None:
    orchard.configure(rename(field, "{}", '["person", "crate", "bush"]'))
    orchard.pull(field.label(field.sights("person", 2, "base")))
    orchard.pull(field.label(field.sights("foliage", 2, "base"), "bush"))
    made = orchard.assemble()
    orchard.configure(rename(field, '{bush = "foliage"}') + "\n[assemble]\ncaps = {base = 1}\n" + STALE)
    assert verify_training_set(orchard.loop, made.version).is_equal, "before any step has noted the rename"
    flag_mispredictions(orchard.loop)
    assert verify_training_set(orchard.loop, made.version).is_equal, "and after"


def test_a_past_moment_is_assembled_with_the_labels_of_today(orchard: Any, field: Any) -> None:
    orchard.configure(rename(field, "{}", '["person", "crate", "bush"]'))
    orchard.pull(field.label(field.sights("person", 2, "base")))
    orchard.pull(field.label(field.sights("foliage", 2, "base"), "bush"))
    orchard.assemble()
    ((past,),) = orchard.ask("select as_of from training_set")
    orchard.configure(rename(field, '{bush = "foliage"}'))
    dry = orchard.assemble(is_dry_run=True)
    assert (dry.state, dry.row_count) == ("passed", 4), "a dry run knows the rename that no step has noted"
    orchard.pull(field.label(field.sights("crate", 2, "later")))

    again = orchard.assemble(as_of=past)

    assert (again.state, again.row_count) == ("passed", 4)
    assert read_rows(orchard, again.version)["base-foliage-000"][1] == "foliage"
    assert verify_training_set(orchard.loop, again.version).is_equal
    assert orchard.assemble(as_of=past).version == again.version


# Any moment of the past


def test_before_the_first_label_there_is_nothing_yet(orchard: Any, field: Any) -> None:
    orchard.pull(field.predict(make_base(field)))
    ((before,),) = orchard.ask("select known_at from warehouse_clock")
    with pytest.raises(NotYetError, match=r"obstacle: no label was known as of .*; it has none yet"):
        orchard.assemble(as_of=before)
    orchard.pull(field.label(make_base(field)))
    for moment in (before, before - timedelta(days=100_000)):
        with pytest.raises(
            NotYetError, match=f"no label was known as of {moment:%Y}.*; its first is known since 2"
        ):
            orchard.assemble(as_of=moment)
    assert orchard.number("select count(*) from training_set") == 0


def test_every_moment_gives_what_was_known_then(orchard: Any, field: Any) -> None:
    moments = []
    for number, row in enumerate(make_base(field, 2)):
        orchard.pull(field.label([row]))
        moments.append((orchard.number("select known_at from warehouse_clock"), number + 1))
    made = [(orchard.assemble(as_of=moment), count) for moment, count in moments]
    assert all(version.row_count == count for version, count in made)
    assert all(verify_training_set(orchard.loop, version.version).is_equal for version, _ in made)


# A dry run


def test_a_dry_run_tells_all_and_leaves_the_warehouse_byte_for_byte(orchard: Any, field: Any) -> None:
    own = '\n[[check]]\nname = "no_crate"\nattribute = "obstacle"\nrequirement = "must"\n'
    own += "where = \"label = 'crate'\"\n"
    orchard.configure(field.settings + own + STALE + "[assemble]\ncaps = {base = 5}\n")
    orchard.pull(field.label(make_base(field)))
    path = orchard.loop.folder / "warehouse.duckdb"
    before = hashlib.sha256(path.read_bytes()).hexdigest()

    dry = orchard.assemble(is_dry_run=True)

    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert (dry.version, dry.state, dry.rows_by_reason) == (None, "failed", {"base": 5})
    assert dry.left_out_by_why == {"left_out": 6, "over_cap": 1}
    assert len(dry.failing["no_crate"]) in (2, 3)
    printed = list(print_assemble(make_plain(dry)))
    (told,) = [line for line in printed if "would not pass" in line]
    assert "no_crate (must)" in told and "enough_rows_a_class (should)" in told
    assert orchard.assemble().left_out_by_why == dry.left_out_by_why


# The text of a composition


def test_a_composition_of_an_earlier_turnrow_keeps_its_text() -> None:
    text = (
        '{"attribute": "obstacle", "caps": {"base": 7}, "feature_space": "features:1", '
        '"group_by": "recording_id", "is_audited": false, "is_first": true, "near_duplicate": 0.05, '
        '"takes_all": true, "weights": {}}'
    )
    assert read_composition(text).to_text() == text


def test_all_that_decides_about_rows_comes_back_from_the_text(orchard: Any, field: Any) -> None:
    orchard.configure(
        rename(field, '{bush = "foliage"}')
        + STALE
        + '[[restriction]]\nwhere = "unit_id = \'cart-7\'"\nnever = ["train"]\n'
        + "[assemble]\nshares = {machine = 0.3}\nrows_a_recording_at_most = 4\n"
    )
    orchard.pull(field.label(make_base(field)))
    orchard.assemble()
    text = orchard.number("select composition from training_set")
    composition = read_composition(text)
    assert isinstance(composition, Composition)
    assert composition.to_text() == text
    assert composition.restrictions[0].where == "unit_id = 'cart-7'"
    assert (composition.shares, composition.rows_a_recording_at_most) == ({"machine": 0.3}, 4)
