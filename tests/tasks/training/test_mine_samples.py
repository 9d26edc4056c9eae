"""Mining queues what is most like a case's settled members, within one vector space and the budget."""

from collections import Counter
from typing import Any

import pytest

from tasks.errors import NotYetError

BY_LIKENESS = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
[mine]
nearest = 2
budget = {budget}
look_alikes = {look_alikes}
[scope]
similar_to = "members"
similarity_at_least = {least}
"""


def make_case(orchard: Any, budget: int = 5, look_alikes: float = 0.0, least: float = 0.7) -> Any:
    return orchard.case(BY_LIKENESS.format(budget=budget, look_alikes=look_alikes, least=least))


def settle_members(orchard: Any, field: Any, case: Any, count: int = 3) -> None:
    rows = field.sights("crouched", count, "known")
    orchard.pull(field.predict(rows))
    orchard.pull(field.label(rows))
    orchard.flag(case)


def read_asked(orchard: Any) -> dict[str, str]:
    """Recording -> reason of what mining asked."""
    return dict(
        orchard.ask(
            "select recording_id, q.reason from fix_request as q inner join label_fix as f on f.fix_id = q.fix_id "
            "inner join known_sample as k on k.sample_id = f.sample_id where q.reason in ('mined', 'look_alike')"
        )
    )


def test_what_is_like_the_settled_members_is_queued_and_run_again_adds_nothing(
    any_orchard: Any, field: Any
) -> None:
    case = make_case(any_orchard)
    settle_members(any_orchard, field, case)
    any_orchard.pull(field.predict(field.sights("crouched", 8, "pool") + field.sights("foliage", 20, "pool")))

    summary = any_orchard.mine(case)

    assert (summary.case_name, summary.mined, summary.look_alikes, summary.budget_left) == (
        "crouched-picker",
        5,
        0,
        0,
    )
    asked = read_asked(any_orchard)
    assert len(asked) == 5
    assert all(name.startswith("pool-crouched") for name in asked)
    before = any_orchard.ask("select * from label_fix order by all")
    assert any_orchard.mine(case).mined == 0
    assert any_orchard.ask("select * from label_fix order by all") == before


def test_the_same_facts_in_another_order_choose_the_same(make_orchard: Any, field: Any) -> None:
    pool = field.sights("crouched", 12, "pool")
    chosen = []
    for name, rows in {"one": pool, "two": pool[::-1]}.items():
        orchard = make_orchard(name=name)
        case = make_case(orchard)
        settle_members(orchard, field, case)
        orchard.pull(field.predict(rows))
        orchard.mine(case)
        chosen.append(read_asked(orchard))
    assert chosen[0] == chosen[1]


def test_without_a_settled_member_mining_says_what_to_do(orchard: Any, field: Any) -> None:
    case = make_case(orchard)
    orchard.pull(field.predict(field.sights("crouched", 3, "pool")))
    orchard.flag(case)
    with pytest.raises(NotYetError, match="no settled member outside the hold-outs has a vector in features:1"):
        orchard.mine(case)


def test_vectors_are_compared_within_one_space_only(orchard: Any, field: Any) -> None:
    """A pool row with features of another version is not comparable, however like its numbers are."""
    case = make_case(orchard, budget=20)
    settle_members(orchard, field, case)
    orchard.pull(field.predict(field.sights("crouched", 4, "new", feature_version="2")))
    orchard.pull(field.predict(field.sights("crouched", 3, "old")))
    orchard.mine(case)
    assert Counter(name.split("-")[0] for name in read_asked(orchard)) == {"old": 3}


def test_an_embedding_in_use_is_what_likeness_is_measured_in(make_orchard: Any, field: Any) -> None:
    """By features the foliage is far from the members; by the embedding that is in use it is the nearest."""
    settings = field.settings.replace("answers_needed = 1", 'answers_needed = 1\nembedder = "eye-1"')
    orchard = make_orchard(settings)
    case = make_case(orchard, budget=3)
    like, unlike = [1.0, 0.1], [-1.0, 0.5]
    known = field.sights("crouched", 3, "known", embedding=like, embedder="eye-1")
    orchard.pull(field.predict(known))
    orchard.pull(field.label(known))
    orchard.flag(case)
    orchard.pull(field.predict(field.sights("foliage", 3, "pool", embedding=like, embedder="eye-1")))
    orchard.pull(field.predict(field.sights("crouched", 3, "pool", embedding=unlike, embedder="eye-1")))
    orchard.pull(field.predict(field.sights("crate", 3, "pool", embedding=like, embedder="eye-2")))
    orchard.mine(case)
    assert Counter(name.split("-")[1] for name in read_asked(orchard)) == {"foliage": 3}


def test_near_copies_do_not_eat_the_budget(orchard: Any, field: Any) -> None:
    """Ten copies of one sample are a little more like the members than three others: one copy is enough."""
    case = make_case(orchard, budget=4, least=-1.0)
    axis = [1.0] + [0.0] * 7
    member = field.sight("crouched", "known-crouched-0", features=axis)
    orchard.pull(field.predict([member]))
    orchard.pull(field.label([member]))
    orchard.flag(case)
    copies = [
        field.sight("crouched", f"copy-crouched-{number}", features=[1.0, 0.3, *[0.0] * 6]) for number in range(10)
    ]
    others = [
        field.sight(
            "crouched", f"other-crouched-{place}", features=[1.0, *[0.0] * place, 0.33, *[0.0] * (6 - place)]
        )
        for place in range(1, 4)
    ]
    orchard.pull(field.predict([*copies, *others]))
    orchard.mine(case)
    assert Counter(name.split("-")[0] for name in read_asked(orchard)) == {"copy": 1, "other": 3}


def test_a_share_goes_to_look_alikes_that_are_predicted_otherwise(orchard: Any, field: Any) -> None:
    case = make_case(orchard, budget=10, look_alikes=0.3)
    settle_members(orchard, field, case)
    pool = field.sights("crouched", 40, "pool")
    orchard.pull(field.predict(pool[:25], "crate") + field.predict(pool[25:], "person"))
    summary = orchard.mine(case)
    assert (summary.mined, summary.look_alikes) == (7, 3)
    named = {row["recording_id"]: row["predicted"] for row in field.predict(pool[:25], "crate")}
    assert all(name not in named for name, reason in read_asked(orchard).items() if reason == "look_alike")


def test_the_look_alikes_share_is_not_lost_where_there_are_none(orchard: Any, field: Any) -> None:
    case = make_case(orchard, budget=10, look_alikes=0.5)
    settle_members(orchard, field, case)
    orchard.pull(field.predict(field.sights("crouched", 20, "pool"), "crate"))
    assert orchard.mine(case).mined == 10
    assert orchard.mine(case).mined == 0


def test_the_budget_counts_open_fixes_and_those_answered_since_the_last_round(orchard: Any, field: Any) -> None:
    case = make_case(orchard, budget=6)
    settle_members(orchard, field, case)
    orchard.pull(field.predict(field.sights("crouched", 30, "pool")))
    assert orchard.mine(case).mined == 6
    orchard.answer()
    assert orchard.mine(case).mined == 0, "answered since the last round: there was none yet"
    orchard.pull(field.label(field.sights("crate", 12, "base") + field.sights("foliage", 12, "base")))
    orchard.assemble()
    orchard.retrain(case)
    assert orchard.mine(case).mined == 6, "the round starts the budget anew"


def test_one_run_asks_no_more_than_ask_per_run_however_often_it_is_started(make_orchard: Any, field: Any) -> None:
    orchard = make_orchard(field.settings + "\n[queue]\nask_per_run = 4\n")
    case = make_case(orchard, budget=30)
    settle_members(orchard, field, case)
    orchard.pull(field.predict(field.sights("crouched", 20, "pool")))
    assert [orchard.mine(case).mined for _ in range(2)] == [4, 0]
    orchard.answer()
    assert orchard.mine(case).mined == 4


def test_reserved_groups_and_labelled_samples_are_never_asked(orchard: Any, field: Any) -> None:
    case = make_case(orchard, budget=30)
    settle_members(orchard, field, case)
    pool = field.sights("crouched", 12, "pool")
    beside = field.sight("crouched", "pool-crouched-000", "2", minute=700)
    orchard.pull(field.predict([*pool, beside]))
    orchard.pull(field.label(pool[:5]))
    orchard.hold(pool[:2], case)
    orchard.mine(case)
    assert set(read_asked(orchard)) == {row["recording_id"] for row in pool[5:]}


def test_reserved_members_are_no_references(orchard: Any, field: Any) -> None:
    case = make_case(orchard)
    rows = field.sights("crouched", 3, "known")
    orchard.pull(field.predict(rows + field.sights("crouched", 5, "pool")))
    orchard.pull(field.label(rows))
    orchard.flag(case)
    orchard.hold(rows, case)
    with pytest.raises(NotYetError, match="no settled member outside the hold-outs"):
        orchard.mine(case)


def test_mining_asks_a_few_samples_of_a_track_in_all(orchard: Any, field: Any) -> None:
    """Mined ones, look-alikes and what was asked before count together; the budget goes to other tracks."""
    case = make_case(orchard, budget=12, look_alikes=0.5)
    settle_members(orchard, field, case)
    long = [field.sight("crouched", "pool-crouched-long", minute=minute) for minute in range(20)]
    others = field.sights("crouched", 6, "pool")
    orchard.pull(field.predict([*long[:10], *others], "crate") + field.predict(long[10:], "person"))
    asked = "select recording_id, count(*) from label_fix inner join known_sample using (sample_id) group by all"

    summary = orchard.mine(case)
    assert (summary.mined + summary.look_alikes, dict(orchard.ask(asked))["pool-crouched-long"]) == (9, 3)
    orchard.answer()
    orchard.pull(field.predict([field.sight("crouched", "pool-crouched-long", minute=30)]))
    assert orchard.mine(case).mined == 0


def test_mining_keeps_to_the_weeks_budget_and_leaves_other_cases_their_part(make_orchard: Any, field: Any) -> None:
    """12 a week and two cases: 3 are kept for each, so the first may take 9."""
    orchard = make_orchard(field.settings + "\n[queue]\nper_week = 12\n")
    case = make_case(orchard, budget=30)
    settle_members(orchard, field, case)
    text = BY_LIKENESS.format(budget=30, look_alikes=0.0, least=0.7)
    other = orchard.case(text.replace("crouched-picker", "other-picker"))
    orchard.flag(case, other)
    orchard.pull(field.predict(field.sights("crouched", 30, "pool")))
    assert [orchard.mine(each).mined for each in (case, case, other, other)] == [9, 0, 3, 0]
