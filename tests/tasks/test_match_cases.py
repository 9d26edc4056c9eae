"""Cases gain the members that their `where` finds, once, and move from open to ready by themselves."""

from typing import TYPE_CHECKING

import pytest

from schemas.definitions import definition_of_case, hash_definition
from tasks.errors import ExpressionError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.match_cases import match_cases

if TYPE_CHECKING:
    from tests.tasks.conftest import InsertRows, MakeId, ReadRows, WriteCase, WriteRows

STATES = "select case_name, state, decided_by from case_state order by known_at, case_name"
PRESENT = "select case_name, sample_id, found_by from present_member order by all"


@pytest.fixture
def doubts(loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows") -> tuple[str, str]:
    """Two flagged samples: one by dusk with a label that disagrees, one by noon that is only doubted."""
    dusk, noon = write_predictions(
        loop,
        [
            {"object_id": "dusk", "context": {"light": "dusk"}},
            {"object_id": "noon", "context": {"light": "noon"}, "confidence": 0.5},
        ],
    )
    write_labels(loop, [{"object_id": "dusk"}])
    flag_mispredictions(loop)
    return dusk, noon


def test_two_cases_may_share_a_sample_and_a_second_run_adds_nothing(
    loop: Loop, doubts: tuple[str, str], write_case: "WriteCase", read_rows: "ReadRows", make_id: "MakeId"
) -> None:
    dusk, noon = doubts
    all_of_them = write_case(loop, "all-of-them", "true")
    by_dusk = write_case(loop, "by-dusk", "(context->>'light') = 'dusk' and truth = 'person' -- the picker")

    assert match_cases(loop, [all_of_them, by_dusk]) == {"all-of-them": 2, "by-dusk": 1}
    definition = hash_definition(definition_of_case(by_dusk))
    members = "select * exclude (known_at) from case_member order by case_name, sample_id"
    before = read_rows(loop, members)
    assert before[-1] == (
        "by-dusk",
        dusk,
        "label_disagrees",
        1.0,
        make_id(dusk, "obstacle-1", "served", "crate", None),
        definition,
    )

    assert match_cases(loop, [all_of_them, by_dusk]) == {"all-of-them": 0, "by-dusk": 0}
    assert read_rows(loop, members) == before
    assert read_rows(
        loop, "select case_name, definition_sha256 from failure_case where case_name = 'by-dusk'"
    ) == [("by-dusk", definition)]
    assert read_rows(loop, PRESENT) == sorted(
        [
            ("all-of-them", dusk, "label_disagrees"),
            ("all-of-them", noon, "low_margin"),
            ("by-dusk", dusk, "label_disagrees"),
        ]
    )
    assert read_rows(loop, STATES) == [("all-of-them", "open", None), ("by-dusk", "open", None)]


def test_a_changed_definition_finds_its_members_in_all_that_is_stored(
    loop: Loop, doubts: tuple[str, str], write_case: "WriteCase", read_rows: "ReadRows"
) -> None:
    dusk, noon = doubts
    by_dusk = write_case(loop, "light", "(context->>'light') = 'dusk'")
    match_cases(loop, [by_dusk])
    by_noon = write_case(loop, "light", "(context->>'light') = 'noon'")

    assert match_cases(loop, [by_noon]) == {"light": 1}
    assert read_rows(loop, PRESENT) == [("light", noon, "low_margin")]

    assert match_cases(loop, [by_dusk]) == {"light": 0}
    assert read_rows(loop, PRESENT) == [("light", dusk, "label_disagrees")]
    assert read_rows(loop, "select count(*), count(distinct definition_sha256) from failure_case") == [(3, 2)]


def test_a_flag_that_comes_later_brings_its_member(
    file_loop: Loop,
    write_predictions: "WriteRows",
    write_labels: "WriteRows",
    write_case: "WriteCase",
    read_rows: "ReadRows",
) -> None:
    case = write_case(file_loop, "mistaken", "truth = 'person'")
    (sample,) = write_predictions(file_loop, [{}])
    flag_mispredictions(file_loop)
    assert match_cases(file_loop, [case]) == {"mistaken": 0}

    write_labels(file_loop, [{}])
    assert match_cases(file_loop, [case]) == {"mistaken": 0}
    flag_mispredictions(file_loop)
    assert match_cases(file_loop, [case]) == {"mistaken": 1}
    assert read_rows(file_loop, PRESENT) == [("mistaken", sample, "label_disagrees")]


@pytest.mark.parametrize("is_flagged", [False, True])
@pytest.mark.parametrize(
    ("where", "why"),
    [
        ("predictd = 'crate'", "predictd"),
        ("exists (select 1)", "subquery"),
        ("now() > predicted_at", "reads the clock"),
        ("predicted", "VARCHAR, not true or false"),
    ],
)
def test_a_where_that_is_not_allowed_names_its_file_and_writes_nothing(
    file_loop: Loop,
    write_predictions: "WriteRows",
    write_case: "WriteCase",
    read_rows: "ReadRows",
    where: str,
    why: str,
    is_flagged: bool,
) -> None:
    if is_flagged:
        write_predictions(file_loop, [{"confidence": 0.5}])
        flag_mispredictions(file_loop)
    good, bad = write_case(file_loop, "good", "true"), write_case(file_loop, "bad", where)

    with pytest.raises(ExpressionError, match=rf"bad\.toml, members\.where: .*{why}"):
        match_cases(file_loop, [good, bad])

    assert read_rows(file_loop, "select count(*) from failure_case") == [(0,)]
    assert read_rows(file_loop, "select count(*) from case_member") == [(0,)]


def test_a_where_that_fails_on_a_value_names_its_file(
    file_loop: Loop, write_predictions: "WriteRows", write_case: "WriteCase", read_rows: "ReadRows"
) -> None:
    write_predictions(file_loop, [{"confidence": 0.5, "context": {"slope": "steep"}}])
    flag_mispredictions(file_loop)
    with pytest.raises(ExpressionError, match=r"steep\.toml, members\.where: fails on a stored sample"):
        match_cases(file_loop, [write_case(file_loop, "steep", "cast((context->>'slope') as double) > 10")])
    assert read_rows(file_loop, "select count(*) from failure_case") == [(0,)]


def _freeze(loop: Loop, insert_rows: "InsertRows", case_name: str) -> None:
    draw = {
        "holdout_id": f"holdout of {case_name}",
        "case_name": case_name,
        "attribute": "obstacle",
        "version": 1,
        "source": "draw",
        "size_wanted": 1,
        "definition": "{}",
        "definition_sha256": "x",
    }
    insert_rows(loop, "holdout", [draw])
    insert_rows(loop, "holdout_freeze", [{"holdout_id": draw["holdout_id"], "digest": "y"}])


def test_a_case_is_ready_once_it_has_a_settled_sample_and_a_frozen_holdout(
    loop: Loop,
    doubts: tuple[str, str],
    write_case: "WriteCase",
    insert_rows: "InsertRows",
    read_rows: "ReadRows",
) -> None:
    cases = [
        write_case(loop, "labelled", "object_id = 'dusk'"),
        write_case(loop, "not-frozen", "object_id = 'dusk'"),
        write_case(loop, "not-settled", "object_id = 'noon'"),
    ]
    match_cases(loop, cases)
    assert doubts
    for name in ("labelled", "not-settled"):
        _freeze(loop, insert_rows, name)

    match_cases(loop, cases)
    match_cases(loop, cases)

    assert read_rows(loop, STATES) == [
        ("labelled", "open", None),
        ("not-frozen", "open", None),
        ("not-settled", "open", None),
        ("labelled", "ready", None),
    ]


def test_a_parked_case_keeps_its_state_and_still_gathers_members(
    file_loop: Loop,
    write_predictions: "WriteRows",
    write_case: "WriteCase",
    insert_rows: "InsertRows",
    read_rows: "ReadRows",
) -> None:
    case = write_case(file_loop, "parked", "true")
    match_cases(file_loop, [case])
    parked = {"case_name": "parked", "state": "parked", "because": "next year", "decided_by": "dora"}
    insert_rows(file_loop, "case_state", [parked])
    _freeze(file_loop, insert_rows, "parked")
    write_predictions(file_loop, [{"confidence": 0.5}])
    flag_mispredictions(file_loop)

    assert match_cases(file_loop, [case]) == {"parked": 1}
    assert read_rows(file_loop, STATES) == [("parked", "open", None), ("parked", "parked", "dora")]
