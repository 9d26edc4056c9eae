"""A hold-out is drawn from the scope by group, is reserved at the draw, and never changes once it is frozen."""

from collections import Counter
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pytest

from schemas.sql_files import read_sql
from tasks.errors import ExpressionError, InputError, NotYetError

MEMBERS = (
    "select sample_id, group_id, stratum, inclusion_probability, is_seen "
    "from holdout_member where holdout_id = $id"
)
LIKE_MEMBERS = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
similar_to = "members"
similarity_at_least = 0.9
[mine]
nearest = 1
[holdout]
size = 50
"""


def read_members(orchard: Any, summary: Any) -> Any:
    return orchard.ask(MEMBERS, id=summary.holdout_id)


def name_samples(orchard: Any, summary: Any) -> set[tuple[str, str]]:
    rows = orchard.ask(
        "select recording_id, object_id from holdout_member inner join known_sample using (sample_id) "
        "where holdout_id = $id",
        id=summary.holdout_id,
    )
    return set(rows)


def test_at_most_three_samples_a_group_and_one_a_track_with_their_chances(any_orchard: Any, field: Any) -> None:
    """Two recordings of five tracks of two frames: of each three tracks, one frame; one recording is drawn."""
    rows = [
        field.sight("crouched", f"walk-{number}-crouched-1", f"t{track}", minute=frame)
        for number in range(2)
        for track in range(5)
        for frame in range(2)
    ]
    any_orchard.pull(field.predict(rows, "crate"))
    case = any_orchard.case(field.crouched.replace("size = 20", "size = 2"))

    summary = any_orchard.holdout(case)

    members = read_members(any_orchard, summary)
    assert (summary.members, summary.missing, len(members)) == (3, 3, 3)
    assert len({group for _, group, *_ in members}) == 1
    assert len(name_samples(any_orchard, summary)) == 3, "one sample a track"
    assert {member[3] for member in members} == {1 / 2 * 3 / 5 * 1 / 2}
    assert any_orchard.ask("select distinct attribute, case_name from holdout_reserved") == [
        ("obstacle", "crouched-picker")
    ]


def test_the_scope_is_drawn_from_and_not_the_errors(orchard: Any, field: Any) -> None:
    rows = field.sights("crouched", 10, "walk")
    noon = field.sights("crate", 10, "walk")
    orchard.pull(field.predict(rows[:4], "crate") + field.predict(rows[4:], "person") + field.predict(noon))
    orchard.pull(field.label(rows[:4]))
    case = orchard.case()
    orchard.flag(case)

    summary = orchard.holdout(case)

    assert (summary.members, summary.missing) == (10, 6)
    strata = Counter(member[2] for member in read_members(orchard, summary))
    assert strata == {"flagged": 4, "rest": 6}, "the members reserved now tell no pairs, so nothing is near"
    assert {name for name, _ in name_samples(orchard, summary)} == {row["recording_id"] for row in rows}
    wanted = orchard.ask("select reason, case_name, count(*) from fix_request group by all")
    assert wanted == [("holdout", "crouched-picker", 6)]


def test_what_is_called_as_the_errors_were_is_near(orchard: Any, field: Any) -> None:
    rows = field.sights("crouched", 9, "walk")
    orchard.pull(
        field.predict(rows[:3], "crate") + field.predict(rows[3:6], "crate") + field.predict(rows[6:], "person")
    )
    orchard.pull(field.label(rows[:3]))
    case = orchard.case()
    orchard.flag(case)
    strata = Counter(member[2] for member in read_members(orchard, orchard.holdout(case)))
    assert strata == {"flagged": 3, "near": 3, "rest": 3}


def test_a_member_is_in_scope_only_if_it_would_be_without_itself(orchard: Any, field: Any) -> None:
    """Two members alike, in groups of their own, and one far from all: itself is no reason to be in scope."""
    middle = [1.0] + [0.0] * 7
    alike = [
        field.sight("crouched", f"walk-crouched-{number}", features=[*middle[:-1], 0.01 * number])
        for number in range(2)
    ]
    lone = field.sight("crouched", "walk-crouched-9", features=[0.0] * 7 + [1.0])
    twin = field.sight("crouched", "walk-crouched-9", "2", features=[0.0] * 7 + [1.0])
    orchard.pull(field.predict([*alike, lone, twin], "crate"))
    orchard.pull(field.label([*alike, lone, twin]))
    case = orchard.case(LIKE_MEMBERS)
    orchard.flag(case)
    assert orchard.number("select count(*) from case_member") == 4

    summary = orchard.holdout(case)

    assert {name for name, _ in name_samples(orchard, summary)} == {"walk-crouched-0", "walk-crouched-1"}


def test_groups_that_a_model_in_service_learned_from_are_never_drawn(orchard: Any, field: Any) -> None:
    base = [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 12, "base")]
    orchard.pull(field.label(base))
    orchard.assemble()
    first = orchard.retrain()
    orchard.accept(first.model)
    again = field.sight("crate", "base-crate-000", "another", minute=500)
    fresh = field.sights("crate", 3, "new")
    orchard.pull(field.predict([*base, again, *fresh], model=first.model))

    summary = orchard.holdout()

    assert {name for name, _ in name_samples(orchard, summary)} == {row["recording_id"] for row in fresh}


@pytest.mark.parametrize("by", ["sample_id", "columns"])
def test_an_evaluation_set_that_exists_already_is_frozen_as_it_is(any_orchard: Any, field: Any, by: str) -> None:
    rows = field.sights("crate", 5, "eval")
    any_orchard.pull(field.label(rows))
    listed = any_orchard.write(
        [{name: row[name] for name in ("recording_id", "object_id", "observed_at")} for row in rows]
    )
    if by == "sample_id":
        listed = any_orchard.write(
            [{"sample_id": name} for (name,) in any_orchard.ask("select sample_id from sample")]
        )

    summary = any_orchard.holdout(listed=listed)

    assert (summary.case_name, summary.version, summary.members, summary.missing) == ("overall:obstacle", 1, 5, 0)
    assert any_orchard.number("select count(*) from holdout_freeze") == 1
    assert {(probability, seen) for *_, probability, seen in read_members(any_orchard, summary)} == {(None, False)}
    assert any_orchard.holdout(listed=listed) == summary
    assert any_orchard.holdout() == summary, "a listed set stays until another is listed"
    assert any_orchard.number("select count(*) from holdout_reserved") == 5


def test_the_same_set_by_id_and_by_columns_is_one_version(orchard: Any, field: Any) -> None:
    rows = field.sights("crate", 3, "eval")
    orchard.pull(field.label(rows))
    first = orchard.hold(rows)
    ids = [{"sample_id": name} for (name,) in orchard.ask("select sample_id from sample order by sample_id desc")]
    assert orchard.holdout(listed=orchard.write(ids + ids[:1])) == first


def test_an_offset_in_a_list_of_samples_is_honoured(orchard: Any, field: Any) -> None:
    rows = field.sights("crate", 2, "eval")
    orchard.pull(field.label(rows))
    elsewhere = [
        {name: row[name] for name in ("recording_id", "object_id")} | {"observed_at": text}
        for row, text in zip(rows, ["2026-05-04T08:00:00+02:00", "2026-05-04T01:01:00-05:00"], strict=True)
    ]
    assert orchard.holdout(listed=orchard.write(elsewhere)).members == 2


def test_samples_nobody_knows_are_refused_with_row_and_count_and_nothing_is_written(
    orchard: Any, field: Any
) -> None:
    rows = field.sights("crate", 4, "eval")
    orchard.pull(field.label(rows[:2]))
    with pytest.raises(InputError, match=r"2 of its 4 samples are not known, first at row 3 \(eval-crate-002 1"):
        orchard.hold(rows)
    assert orchard.ask("select (select count(*) from holdout), (select count(*) from holdout_reserved)") == [
        (0, 0)
    ]


def test_a_list_without_names_is_refused_by_row(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(field.sights("crate", 1, "eval")))
    with pytest.raises(InputError, match=r"1 of its 1 samples are not known, first at row 1 \(null\)"):
        orchard.holdout(listed=orchard.write([{"sample_id": None}]))


def test_members_of_groups_that_were_trained_on_are_marked_seen(orchard: Any, field: Any) -> None:
    base = [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 12, "base")]
    fresh = field.sights("crate", 2, "new")
    orchard.pull(field.label(base))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    orchard.pull(field.label(fresh))
    members = read_members(orchard, orchard.hold([base[0], *fresh]))
    assert sorted(member[4] for member in members) == [False, False, True]


def test_missing_labels_are_queued_and_the_set_freezes_when_it_is_full(any_orchard: Any, field: Any) -> None:
    rows = field.sights("crouched", 6, "walk")
    any_orchard.pull(field.predict(rows))
    any_orchard.pull(field.label(rows[:2]))
    case = any_orchard.case()
    summary = any_orchard.holdout(case)
    assert (summary.members, summary.missing) == (6, 4)
    assert any_orchard.ask("select reason, count(*) from label_fix group by all") == [("holdout", 4)]
    assert any_orchard.holdout(case) == summary
    assert any_orchard.number("select count(*) from label_fix") == 4

    any_orchard.answer()

    full = any_orchard.holdout(case)
    assert (full.holdout_id, full.missing) == (summary.holdout_id, 0)
    assert any_orchard.number("select count(*) from holdout_freeze") == 1
    assert any_orchard.number("select count(*) from holdout_label where revision_id is not null") == 6
    assert any_orchard.holdout(case) == full
    assert any_orchard.number("select count(*) from holdout") == 1


def test_a_member_that_ends_without_a_label_stays_without_one(orchard: Any, field: Any) -> None:
    orchard.pull(field.predict(field.sights("crouched", 3, "walk")))
    case = orchard.case()
    orchard.holdout(case)
    orchard.answer("unusable")
    orchard.answer()
    assert orchard.holdout(case).missing == 0
    assert orchard.ask("select count(*), count(revision_id) from holdout_label") == [(3, 0)]


def test_a_frozen_label_does_not_follow_a_later_correction(orchard: Any, field: Any) -> None:
    rows = field.sights("crate", 3, "eval", decided_at="2026-06-01T00:00:00Z")
    orchard.pull(field.label(rows))
    orchard.hold(rows)
    before = orchard.ask("select * from holdout_label order by all")
    orchard.pull([row | {"decided_at": "2026-07-01T00:00:00Z"} for row in field.label(rows, "person")])
    assert {row[0] for row in orchard.ask("select label from current_label")} == {"person"}
    orchard.hold(rows)
    assert orchard.ask("select * from holdout_label order by all") == before
    assert orchard.number("select count(*) from holdout_freeze") == 1


def test_grow_keeps_the_old_members_and_the_same_command_again_grows_nothing(any_orchard: Any, field: Any) -> None:
    rows = field.sights("crouched", 30, "walk")
    any_orchard.pull(field.predict(rows))
    any_orchard.pull(field.label(rows))
    case = any_orchard.case()
    first = any_orchard.holdout(case)
    old = {member[0] for member in read_members(any_orchard, first)}
    assert (first.members, first.version) == (20, 1)

    grown = any_orchard.holdout(case, grow=5)

    members = read_members(any_orchard, grown)
    assert (grown.version, grown.members) == (2, 25)
    assert old < {member[0] for member in members}
    assert [member[3] for member in members] == pytest.approx([25 / 30] * 25), "of 30 groups 25 are drawn"
    assert any_orchard.holdout(case, grow=5) == grown
    any_orchard.pull(field.predict(field.sights("crouched", 2, "later")))
    assert any_orchard.holdout(case, grow=5).members == 30


def test_a_changed_definition_draws_a_next_version_of_the_same_groups(orchard: Any, field: Any) -> None:
    rows = field.sights("crouched", 30, "walk")
    orchard.pull(field.predict(rows))
    first = orchard.holdout(orchard.case())
    wider = orchard.case(field.crouched.replace("= 'dusk'", "in ('dusk', 'noon')"))
    second = orchard.holdout(wider)
    assert (second.version, second.holdout_id != first.holdout_id) == (2, True)
    assert name_samples(orchard, second) == name_samples(orchard, first)
    assert orchard.number("select count(distinct group_id) from holdout_reserved") == 20


def test_the_size_alone_makes_no_next_version(orchard: Any, field: Any) -> None:
    orchard.pull(field.predict(field.sights("crouched", 30, "walk")))
    first = orchard.holdout(orchard.case())
    assert orchard.holdout(orchard.case(field.crouched.replace("size = 20", "size = 25"))) == first


def draw(rows: list[tuple[str, str, str, str, int]], *, seed: str, size: int, is_spread: bool) -> list[Any]:
    """Draw from rows of (sample, group, track, unit, week) alone; return (sample, group, probability)."""
    table = pa.table(
        {
            **{
                name: [row[place] for row in rows] for place, name in enumerate(("sample_id", "group_id", "track"))
            },
            "unit_id": [row[3] for row in rows],
            "week": [row[4] for row in rows],
            "is_old": [False] * len(rows),
            "stratum": ["rest"] * len(rows),
        }
    )
    with duckdb.connect() as connection:
        connection.register("eligible_sample", table)
        connection.execute(
            "create temp table carried_member (sample_id varchar, group_id varchar, stratum varchar, "
            "inclusion_probability double, is_seen boolean)"
        )
        connection.execute(
            read_sql("holdout/draw_members"),
            {"seed": seed, "per_group": 3, "size": size, "is_spread": is_spread},
        )
        return connection.execute("select sample_id, group_id, inclusion_probability from drawn_member").fetchall()


def test_the_overall_holdout_is_spread_over_units_and_weeks() -> None:
    rows = [
        (f"u{unit}-w{week}-{number}", f"u{unit}-w{week}-{number}", "1", f"u{unit}", week)
        for unit, count in ((1, 60), (2, 20))
        for week in range(2)
        for number in range(count)
    ]
    drawn = Counter(name.rsplit("-", 1)[0] for name, *_ in draw(rows, seed="s", size=40, is_spread=True))
    wanted = {"u1-w0": 15, "u1-w1": 15, "u2-w0": 5, "u2-w1": 5}
    assert set(drawn) == set(wanted)
    assert all(abs(drawn[block] - count) <= 1 for block, count in wanted.items()), drawn


def test_a_unit_with_few_recordings_is_drawn_from_as_often_as_the_others() -> None:
    """40 units of one recording and one of 40: of 8 drawn, about half are of the small units."""
    rows = [(f"small-{number}", f"small-{number}", "1", f"u{number}", 0) for number in range(40)]
    rows += [(f"large-{number}", f"large-{number}", "1", "large", 0) for number in range(40)]
    drawn = [
        name.split("-")[0] for seed in range(50) for name, *_ in draw(rows, seed=str(seed), size=8, is_spread=True)
    ]
    assert 0.4 < Counter(drawn)["small"] / len(drawn) < 0.6


def test_weighted_by_the_inclusion_probability_the_draw_is_unbiased() -> None:
    """Over 200 seeds the weighted share of a scope of uneven groups and tracks comes to the true one."""
    rng = np.random.default_rng(5)
    tracks = {f"g{group}": int(rng.integers(1, 8)) for group in range(60)}
    rows = [
        (f"{group}/{track}/{frame}", group, f"{group}/{track}", "u", 0)
        for group, count in tracks.items()
        for track in range(count)
        for frame in range(1 + track % 3)
    ]
    true_share = np.mean([tracks[group] <= 2 for _, group, *_ in rows])
    found = []
    for seed in range(200):
        drawn = draw(rows, seed=str(seed), size=45, is_spread=False)
        hits = np.array([tracks[group] <= 2 for _, group, _ in drawn])
        found.append((hits.mean(), np.average(hits, weights=[1 / chance for *_, chance in drawn])))
    plain, weighted = np.array(found).T
    assert abs(weighted.mean() - true_share) < 3 * weighted.std() / np.sqrt(200)
    assert abs(plain.mean() - true_share) > 3 * plain.std() / np.sqrt(200), "without weights it would be off"


@pytest.mark.parametrize("name", ["predicted", "confidence", "scores", "model_version", "rules"])
def test_a_scope_that_names_the_prediction_is_refused(orchard: Any, field: Any, name: str) -> None:
    orchard.pull(field.predict(field.sights("crouched", 3, "walk")))
    case = orchard.case(field.crouched.replace("(context->>'light') = 'dusk'", f"{name} is not null"))
    with pytest.raises(ExpressionError, match=f"scope.where: names {name}"):
        orchard.holdout(case)
    assert orchard.number("select count(*) from holdout") == 0


def test_nothing_to_draw_is_not_yet(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(field.sights("crate", 3, "eval")))
    with pytest.raises(NotYetError, match="overall:obstacle: nothing can be drawn"):
        orchard.holdout()


def test_a_list_of_nothing_but_seen_groups_is_refused(orchard: Any, field: Any) -> None:
    """It would judge nothing, and take the place of a hold-out that does."""
    rows = [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 12, "base")]
    orchard.pull(field.label(rows))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    with pytest.raises(InputError, match="trained on the groups of all samples in it"):
        orchard.hold(rows[:5])
    assert orchard.number("select count(*) from holdout") == 0
    fresh = field.sights("person", 2, "fresh")
    orchard.pull(field.label(fresh))
    assert orchard.hold(rows[:5] + fresh).seen == 5
