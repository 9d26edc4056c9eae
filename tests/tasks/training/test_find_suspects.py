"""A label that is probably wrong is found by a model that never saw its group and by its neighbours, and asked."""

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.find_suspects import find_suspects
from tasks.fit_folds import count_confident, deal_folds, limit_count
from tasks.pull_logs import pull_files
from tasks.queue_suspects import stage_second_looks
from tasks.vote_neighbours import NEIGHBOURS, vote_neighbours
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import MakeLoop
    from tests.tasks.training.conftest import Orchard

KINDS = ("person", "crate", "foliage")
ASSEMBLED = """
create temp table assembled as
select m.*, len(v.vector) as feature_length, true as is_finite
from training_set_member as m
inner join sample_vector as v on v.sample_id = m.sample_id
"""
FOUND = """
select k.recording_id, given_label, likely_label
from suspected_row inner join known_sample as k using (sample_id) order by place
"""
ASKED = """
select k.recording_id, f.attempt from label_fix as f inner join known_sample as k using (sample_id)
where f.reason = 'second_look' order by all
"""


def make_rows(field: Any, count: int = 40) -> list[dict[str, Any]]:
    """So many of each kind, each a recording of its own, rightly labelled."""
    return [row for kind in KINDS for row in field.label(field.sights(kind, count, "r"))]


def mislabel(field: Any, name: str, *, says: str = "foliage", **more: Any) -> dict[str, Any]:
    """A crate that somebody labelled as something else."""
    return dict(field.label([field.sight("crate", name, **more)], says)[0])


def find(orchard: "Orchard", query: str = FOUND, **more: Any) -> list[tuple[Any, ...]]:
    """What a query gives once suspects were looked for among the rows of the only version."""
    attribute = orchard.loop.settings.attribute["obstacle"]
    with open_warehouse(orchard.loop, write=False) as warehouse:
        warehouse.connection.execute(ASSEMBLED)
        judged = find_suspects(warehouse.connection, attribute, attribute.feature_space, **more)
        return [(judged,), *warehouse.connection.execute(query).fetchall()]


def set_attribute(orchard: "Orchard", **changed: Any) -> None:
    settings = orchard.loop.settings
    attribute = {"obstacle": replace(settings.attribute["obstacle"], **changed)}
    orchard.loop = replace(orchard.loop, settings=replace(settings, attribute=attribute))


def test_a_wrong_label_among_right_ones_is_the_only_suspect(orchard: "Orchard", field: Any) -> None:
    orchard.pull([*make_rows(field), mislabel(field, "r-wrong-1")])
    orchard.assemble()
    assert find(orchard) == [(121,), ("r-wrong-1", "foliage", "crate")]
    place, doubt = (
        "select place, neighbours, rank_sum from ranked_row where recording_id = 'r-wrong-1'",
        (1, 1.0, 2.0),
    )
    named = place.replace("ranked_row", "ranked_row inner join known_sample using (sample_id)")
    assert find(orchard, named)[1:] == [doubt]


def test_where_every_label_is_right_none_is_suspected(orchard: "Orchard", field: Any) -> None:
    orchard.pull(make_rows(field))
    orchard.assemble()
    assert find(orchard) == [(120,)]


@pytest.mark.parametrize("is_one_group", [True, False])
def test_copies_of_one_group_do_not_vouch_for_each_other(
    orchard: "Orchard", field: Any, is_one_group: bool
) -> None:
    """Twelve pictures of one crate, all called foliage: as twelve recordings they are a kind of their own."""
    features = field.measure("crate", "the one")
    copies = [
        mislabel(field, "r-wrong-1" if is_one_group else f"r-wrong-{minute}", minute=minute, features=features)
        for minute in range(12)
    ]
    orchard.pull([*make_rows(field, 60), *copies])
    orchard.assemble()
    judged, *found = find(orchard)
    assert judged == (192,)
    assert found == ([("r-wrong-1", "foliage", "crate")] * 12 if is_one_group else [])


def test_the_order_of_arrival_and_the_threads_change_nothing(
    make_orchard: "Callable[..., Orchard]", field: Any
) -> None:
    rows = [*make_rows(field), *(mislabel(field, f"r-wrong-{i}") for i in range(3))]
    query = "select sample_id, out_of_fold, neighbours, rank_sum from ranked_row order by place"
    one, other = make_orchard(), make_orchard(name="other")
    one.pull(rows)
    other.pull(rows[60:][::-1])
    other.pull(rows[:60])
    one.assemble()
    other.assemble()
    assert ("r-wrong-1", "foliage", "crate") in find(one)
    assert find(one, query) == find(one, query, threads=2) == find(other, query)


def test_beyond_the_limit_a_sample_by_label_is_looked_at(orchard: "Orchard", field: Any) -> None:
    """Of the rare label its hundred, of the others the same share; the same rows every time, whatever is wrong."""
    rows = [
        {**field.label([field.sight(kind, f"r-{kind}-{n}")])[0], "recording_id": f"{kind}-{n}"}
        for kind, count in {"person": 300, "crate": 600, "foliage": 100}.items()
        for n in range(count)
    ]
    orchard.pull(rows)
    orchard.assemble()
    counts = "select label, count(*) from looked_row group by label order by label"
    assert find(orchard, counts, at_most=510)[1:] == [("crate", 273), ("foliage", 100), ("person", 137)]
    ids = "select sample_id from looked_row order by sample_id"
    assert find(orchard, ids, at_most=510) == find(orchard, ids, at_most=510)


def test_a_label_with_too_few_rows_elsewhere_is_not_judged(orchard: "Orchard", field: Any) -> None:
    """Seven crates could never be most of fifteen neighbours, however right they are."""
    few = field.label(field.sights("crate", 7, "r"))
    orchard.pull([*(row for row in make_rows(field) if row["label"] != "crate"), *few])
    orchard.assemble()
    assert find(orchard) == [(80,)]


def test_where_nothing_can_be_judged_it_is_said(make_orchard: "Callable[..., Orchard]", field: Any) -> None:
    """One recording alone; a model that diverges; numbers, of which nobody looks for any."""
    one, wild, number = (make_orchard(name=name) for name in ("one", "wild", "number"))
    one.pull([row | {"recording_id": "r-1", "object_id": str(n)} for n, row in enumerate(make_rows(field, 10))])
    one.assemble()
    assert find(one) == [(0,)]
    wild.pull(make_rows(field))
    wild.assemble()
    set_attribute(wild, trainer_settings={"learning_rate": 1e30})
    assert find(wild) == [(0,)]
    number.pull(make_rows(field))
    number.assemble()
    set_attribute(number, kind="number")
    assert find(number) == [(None,)]


def test_folds_are_even_and_split_no_group() -> None:
    groups = np.array([0] * 7 + [1] * 4 + [2] * 2 + [3, 4, 5])
    folds = deal_folds(groups, 3)
    assert all(len(set(folds[groups == group])) == 1 for group in range(6))
    assert sorted(np.bincount(folds)) == [4, 5, 7]


def test_neighbours_are_the_nearest_of_other_groups() -> None:
    """Against plain distances in float64, one row after the other; more rows than one part holds."""
    random = np.random.default_rng(3)
    features = random.normal(size=(1500, 5)).astype(np.float32)
    groups = np.sort(random.integers(0, 40, 1500))
    groups[:700] = 0
    labels, likely = random.integers(0, 3, 1500), random.integers(0, 3, 1500)
    votes = vote_neighbours(features, groups, labels, likely, threads=2)
    for row in range(0, 1500, 7):
        distances = np.linalg.norm(features.astype(np.float64) - features[row], axis=1)
        distances[groups == groups[row]] = np.inf
        nearest = labels[np.argsort(distances)[:NEIGHBOURS]]
        assert votes.found[row] == NEIGHBOURS
        assert votes.given_share[row] == pytest.approx((nearest == labels[row]).mean())
        assert votes.likely_share[row] == pytest.approx((nearest == likely[row]).mean())


def test_fewer_neighbours_than_asked_for_are_all_that_there_are() -> None:
    features = np.arange(10, dtype=np.float32)[:, None]
    groups = np.array([0] * 6 + [1] * 4)
    labels = np.array([0, 0, 0, 1, 1, 1, 0, 1, 1, 1])
    votes = vote_neighbours(features, groups, labels, labels, threads=1)
    assert votes.found.tolist() == [4] * 6 + [6] * 4
    assert votes.given_share.tolist() == [0.25] * 3 + [0.75] * 3 + [0.5] * 4


def test_rows_that_are_all_alike_have_neighbours_too() -> None:
    votes = vote_neighbours(
        np.ones((3000, 4), dtype=np.float32), np.arange(3000), np.zeros(3000, int), np.ones(3000, int), threads=1
    )
    assert set(votes.found) == {NEIGHBOURS}
    assert set(votes.given_share) == {1.0}


def test_confident_counts_by_hand() -> None:
    """Thresholds are the mean own probabilities, .7 and .6; the last row reaches neither.

    Of label 0 two rows count as 0 and one as 1: a third of its 4 rows. Of label 1 two count as 1, one as 0: a
    third of its 3 rows. The confident joint of Northcutt, Jiang & Chuang 2021, calibrated, as it is defined.
    """
    first = np.array([0.95, 0.95, 0.30, 0.60, 0.10, 0.20, 0.90])
    probabilities = np.column_stack([first, 1 - first]).astype(np.float32)
    labels = np.array([0, 0, 0, 0, 1, 1, 1])
    assert count_confident(probabilities, labels) == pytest.approx(4 / 3 + 3 / 3)


def test_an_upper_limit_of_a_count() -> None:
    """Of a Poisson mean, 95 % one-sided: 3.00, 4.74 and 16.96 at 0, 1 and 10 (Garwood 1936; from memory)."""
    assert [limit_count(0), limit_count(1), limit_count(10)] == [3, 5, 17]


def asked(orchard: "Orchard") -> list[tuple[Any, ...]]:
    return orchard.ask(ASKED)


def plant(orchard: "Orchard", field: Any, count: int = 1, **more: Any) -> None:
    orchard.pull([*make_rows(field), *(mislabel(field, f"r-crate-w{n}", **more) for n in range(count))])


def test_a_new_version_asks_for_a_second_look_once(any_orchard: "Orchard", field: Any) -> None:
    """Assembled again without a new fact nothing changes; the question is about the revision that is doubted."""
    plant(any_orchard, field)
    first = any_orchard.assemble()
    assert asked(any_orchard) == [("r-crate-w0", 1)]
    facts = "select fix_id, about_revisions, known_at from label_fix union all select reason, null, known_at from "
    before = any_orchard.ask(f"{facts} fix_request order by all")
    assert any_orchard.assemble().version == first.version
    assert any_orchard.ask(f"{facts} fix_request order by all") == before
    about = "select about_revisions = [revision_id] from label_fix inner join label_revision using (sample_id)"
    assert any_orchard.ask(about) == [(True,)]


def test_a_corrected_label_is_no_suspect_any_more(orchard: "Orchard", field: Any) -> None:
    plant(orchard, field)
    orchard.assemble()
    assert orchard.answer("crate") == 1
    assert orchard.assemble().is_new
    assert asked(orchard) == [("r-crate-w0", 1)]


def test_what_a_second_look_confirmed_is_not_asked_again(orchard: "Orchard", field: Any) -> None:
    plant(orchard, field)
    orchard.assemble()
    assert orchard.answer("foliage") == 1
    assert orchard.assemble().is_new
    assert asked(orchard) == [("r-crate-w0", 1)]
    assert orchard.answer("foliage") == 0


def test_no_more_are_asked_than_the_queue_has_room_for(make_orchard: "Callable[..., Orchard]", field: Any) -> None:
    """The most doubtful first; the rest is asked by a later version, not by assembling the same again."""
    orchard = make_orchard(field.settings + "\n[queue]\nask_per_run = 2\n")
    plant(orchard, field, 5)
    orchard.assemble()
    orchard.assemble()
    first = asked(orchard)
    assert len(first) == 2
    orchard.answer("crate")
    orchard.assemble()
    assert len(asked(orchard)) == 4
    assert {name for name, _ in first} < {name for name, _ in asked(orchard)}


def test_a_week_that_is_spent_asks_nothing(make_orchard: "Callable[..., Orchard]", field: Any) -> None:
    orchard = make_orchard(field.settings + "\n[queue]\nper_week = 0\n")
    plant(orchard, field)
    assert orchard.assemble().state == "passed"
    assert asked(orchard) == []


def test_what_may_not_be_queued_is_not_asked(make_orchard: "Callable[..., Orchard]", field: Any) -> None:
    text = '\n[[restriction]]\nwhere = "recording_id = \'r-crate-w0\'"\nnever = ["queue"]\n'
    orchard = make_orchard(field.settings + text)
    plant(orchard, field, 2)
    orchard.assemble()
    assert asked(orchard) == [("r-crate-w1", 1)]


def test_a_sample_with_an_open_question_is_not_asked_another(orchard: "Orchard", field: Any) -> None:
    plant(orchard, field)
    orchard.tamper(
        "insert into label_fix select 'f1', sample_id, 'obstacle', 1, 'watch', 180, null, [], "
        "(select known_at from warehouse_clock) from sample where recording_id = 'r-crate-w0'"
    )
    orchard.assemble()
    assert orchard.ask("select reason from label_fix") == [("watch",)]
    assert orchard.ask("select count(*) from fix_request") == [(0,)]


@pytest.mark.parametrize("is_reserved", [False, True])
def test_a_group_that_is_reserved_is_not_asked(
    make_orchard: "Callable[..., Orchard]", field: Any, is_reserved: bool
) -> None:
    """Only its hold-out asks about it, also where it is reserved while a version that holds it stands."""
    orchard = make_orchard(field.settings + "\n[checks]\nlook_for_suspects = false\n")
    plant(orchard, field)
    orchard.assemble()
    if is_reserved:
        orchard.tamper(
            "insert into holdout_reserved by name select 'obstacle' as attribute, 'r-crate-w0' as group_id, "
            "'overall' as case_name, known_at from warehouse_clock"
        )
    attribute = orchard.loop.settings.attribute["obstacle"]
    with open_warehouse(orchard.loop, write=True) as warehouse:
        warehouse.connection.execute(ASSEMBLED)
        find_suspects(warehouse.connection, attribute, attribute.feature_space)
        assert stage_second_looks(warehouse, attribute) == (0 if is_reserved else 1)


def test_a_sample_is_looked_at_twice_at_most(orchard: "Orchard", field: Any) -> None:
    """Two looks that a file's later label overruled: there is no third."""
    plant(orchard, field)
    for attempt, day in ((1, 5), (2, 6)):
        orchard.assemble()
        assert asked(orchard) == [("r-crate-w0", n) for n in range(1, attempt + 1)]
        orchard.answer("foliage", at=f"2026-06-0{day}T00:00:00Z")
        later = {"decided_by": "zoe", "decided_at": f"2026-07-0{day}T00:00:00Z"}
        orchard.pull([mislabel(field, "r-crate-w0") | later])
    orchard.assemble()
    assert len(asked(orchard)) == 2


def test_of_a_track_that_one_answer_serves_one_question_is_asked(
    make_orchard: "Callable[..., Orchard]", field: Any
) -> None:
    constant = field.settings.replace("answers_needed = 1", 'answers_needed = 1\nwithin_track = "constant"')
    for settings, expected in ((constant, 1), (field.settings, 3)):
        orchard = make_orchard(settings, f"asks-{expected}")
        frames = [mislabel(field, "r-crate-w0", minute=minute) for minute in range(6)]
        orchard.pull([*make_rows(field), *frames])
        orchard.assemble()
        assert len(asked(orchard)) == expected


def test_a_dry_run_and_a_version_of_the_past_ask_nothing(orchard: "Orchard", field: Any) -> None:
    plant(orchard, field)
    orchard.assemble(is_dry_run=True)
    orchard.assemble(as_of=orchard.number("select known_at from warehouse_clock"))
    assert asked(orchard) == []


def test_with_the_search_switched_off_nothing_is_asked(make_orchard: "Callable[..., Orchard]", field: Any) -> None:
    orchard = make_orchard(field.settings + "\n[checks]\nlook_for_suspects = false\n")
    plant(orchard, field)
    summary = orchard.assemble()
    assert "suspected_labels" not in {check.check_name for check in summary.checks}
    assert asked(orchard) == []


def test_an_attribute_of_numbers_is_left_alone(make_file_loop: "MakeLoop", field: Any) -> None:
    loop = make_file_loop()
    rows = [
        field.sight("crate", f"r-{n}") | {"attribute": "distance", "label": str(n), "origin": "person"}
        for n in range(20)
    ]
    path = loop.folder / "numbers.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    pull_files(loop, [path])
    summary = assemble_training_set(loop, "distance")
    assert "suspected_labels" not in {check.check_name for check in summary.checks}
