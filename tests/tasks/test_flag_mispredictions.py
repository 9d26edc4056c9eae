"""`flag` raises what its rules say, once, and each flag lives only as long as its reason."""

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tasks.errors import ExpressionError
from tasks.flag_mispredictions import FlagSummary, flag_mispredictions
from tasks.loop import Loop
from tasks.read_settings import read_settings

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import InsertRows, MakeId, ReadRows, WriteRows

OBSTACLE = '[attribute.obstacle]\nlabels = ["person", "animal", "crate", "ladder", "foliage"]\n'
LIVE = "select rule, sample_id from live_flag order by all"


def change_settings(loop: Loop, settings: str) -> Loop:
    """Return the loop with other settings; the warehouse stays where it is."""
    head = "".join(
        line + "\n"
        for line in (loop.folder / "turnrow.toml").read_text(encoding="utf-8").splitlines()
        if line.startswith(("[warehouse]", "location", "data_path", "metadata_schema"))
    )
    (loop.folder / "turnrow.toml").write_text(head + settings, encoding="utf-8")
    return replace(loop, settings=read_settings(loop.folder))


def test_a_label_that_contradicts_a_served_prediction_flags_it(
    loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows", make_id: "MakeId"
) -> None:
    wrong, *_ = write_predictions(
        loop,
        [
            {"object_id": "wrong", "predicted": "crate"},
            {"object_id": "right", "predicted": "person"},
            {"object_id": "unlabelled"},
        ],
    )
    write_labels(loop, [{"object_id": "wrong"}, {"object_id": "right"}])

    assert flag_mispredictions(loop) == FlagSummary(samples=3, flagged=1, lapsed=0)

    (definition,) = read_rows(
        loop,
        "select definition_sha256 from rule_definition where rule = 'label_disagrees' and attribute = 'obstacle'",
    )[0]
    prediction_id = make_id(wrong, "obstacle-1", "served", "crate", None)
    revision_id = make_id(wrong, "person", None, "person", None, None, None)
    assert read_rows(loop, "select * exclude (known_at) from misprediction") == [
        (
            make_id(wrong, prediction_id, "label_disagrees", definition, revision_id),
            wrong,
            prediction_id,
            "obstacle",
            "label_disagrees",
            definition,
            1.0,
            revision_id,
        )
    ]


def test_running_again_adds_nothing_and_looks_at_nothing(
    loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    write_predictions(loop, [{"object_id": name} for name in "abc"])
    write_labels(loop, [{"object_id": "a"}])
    flag_mispredictions(loop)
    facts = (
        "select misprediction_id, known_at from misprediction union all select rule, known_at from rule_definition"
    )
    before = sorted(read_rows(loop, facts))

    assert flag_mispredictions(loop) == FlagSummary(samples=0, flagged=0, lapsed=0)

    assert sorted(read_rows(loop, facts)) == before


def test_a_later_run_looks_only_at_what_is_new(
    file_loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows"
) -> None:
    write_predictions(file_loop, [{"object_id": f"old-{i}"} for i in range(50)])
    flag_mispredictions(file_loop)
    write_predictions(file_loop, [{"object_id": "new"}])
    write_labels(file_loop, [{"object_id": "old-7"}])

    assert flag_mispredictions(file_loop) == FlagSummary(samples=2, flagged=1, lapsed=0)


def test_a_number_is_flagged_beyond_its_tolerance_and_not_at_it(
    loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    """The tolerance is 0.2; as binary fractions 2.2 - 2.0 and 0.3 - 0.1 lie on either side of it."""
    predicted = {"at": "2.2", "at_too": "0.3", "beyond": "2.21", "below": "1.79", "exact": "-0.0"}
    labels = {"at": "2.0", "at_too": "0.1", "beyond": "2.0", "below": "2.0", "exact": "0"}
    rows = [{"object_id": name, "attribute": "distance"} for name in predicted]
    ids = dict(
        zip(
            predicted,
            write_predictions(loop, [r | {"predicted": predicted[r["object_id"]]} for r in rows]),
            strict=True,
        )
    )
    write_labels(loop, [r | {"label": labels[r["object_id"]]} for r in rows])

    flag_mispredictions(loop)

    assert read_rows(loop, LIVE) == sorted([("label_disagrees", ids["beyond"]), ("label_disagrees", ids["below"])])


def test_low_margin_asks_the_scores_else_the_confidence_until_the_truth_agrees(
    loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    """The threshold is 0.2. Without scores the margin is at least 2 x confidence - 1."""
    cases: dict[str, dict[str, object]] = {
        "close": {"scores": {"crate": 0.5, "person": 0.4, "animal": 0.1}},
        "far": {"scores": {"crate": 0.7, "person": 0.2}, "confidence": 0.5},
        "unsure": {"confidence": 0.55},
        "very_unsure": {"confidence": 0.3},
        "sure": {"confidence": 0.95},
        "agreed": {"confidence": 0.55},
    }
    ids = dict(
        zip(cases, write_predictions(loop, [{"object_id": n} | row for n, row in cases.items()]), strict=True)
    )
    write_labels(loop, [{"object_id": "agreed", "label": "crate"}])

    flag_mispredictions(loop)

    found = read_rows(
        loop, "select sample_id, round(score, 6) from live_flag where rule = 'low_margin' order by all"
    )
    assert found == sorted([(ids["close"], 0.9), (ids["unsure"], 0.9), (ids["very_unsure"], 1.0)])


def test_a_doubt_is_over_once_the_truth_agrees(
    loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    write_predictions(loop, [{"confidence": 0.5}])
    flag_mispredictions(loop)
    assert [rule for rule, _ in read_rows(loop, LIVE)] == ["low_margin"]

    write_labels(loop, [{"label": "crate"}])
    assert flag_mispredictions(loop).flagged == 0

    assert read_rows(loop, LIVE) == []


def test_replays_are_never_flagged(loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows") -> None:
    write_predictions(loop, [{"role": "replay", "confidence": 0.5}])
    write_labels(loop, [{}])

    assert flag_mispredictions(loop).flagged == 0


def test_two_rules_and_two_models_make_a_flag_each_and_one_row_a_prediction(
    loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    (sample, *_) = write_predictions(
        loop,
        [
            {"model_version": "obstacle-1", "confidence": 0.5},
            {"model_version": "obstacle-2", "confidence": 0.55, "predicted": "animal"},
            {"model_version": "obstacle-2", "role": "replay", "predicted": "foliage"},
        ],
    )
    write_labels(loop, [{}])

    assert flag_mispredictions(loop).flagged == 4

    assert read_rows(
        loop, "select sample_id, model_version, predicted, rules, truth, score from flagged_sample order by all"
    ) == [
        (sample, "obstacle-1", "crate", ["label_disagrees", "low_margin"], "person", 1.0),
        (sample, "obstacle-2", "animal", ["label_disagrees", "low_margin"], "person", 1.0),
    ]


def test_a_corrected_label_ends_the_flag_and_a_restored_one_brings_it_back(
    loop: Loop,
    write_predictions: "WriteRows",
    write_labels: "WriteRows",
    insert_rows: "InsertRows",
    read_rows: "ReadRows",
) -> None:
    (sample,) = write_predictions(loop, [{"predicted": "crate"}])
    write_labels(loop, [{"label": "person", "decided_at": "2026-05-02T00:00:00Z"}])
    flag_mispredictions(loop)
    assert read_rows(loop, LIVE) == [("label_disagrees", sample)]

    write_labels(loop, [{"label": "crate", "decided_at": "2026-05-03T00:00:00Z"}])
    flag_mispredictions(loop)
    assert read_rows(loop, LIVE) == []

    write_labels(loop, [{"label": "ladder", "decided_at": "2026-05-04T00:00:00Z"}])
    flag_mispredictions(loop)
    assert read_rows(loop, LIVE) == [("label_disagrees", sample)]
    assert len(read_rows(loop, "select * from misprediction")) == 2


def test_a_rule_of_the_users_own_flags_what_its_where_matches(
    make_any_loop: "MakeLoop", write_predictions: "WriteRows", read_rows: "ReadRows"
) -> None:
    rule = (
        '[[rule]]\nname = "late_crate"\nattribute = "obstacle"\nwhere = "(context->>\'light\') = \'dusk\' -- x"\n'
    )
    loop = make_any_loop(OBSTACLE + "rules = []\n" + rule)
    dusk, *_ = write_predictions(
        loop,
        [
            {"object_id": "a", "context": {"light": "dusk"}},
            {"object_id": "b", "context": {"light": "noon"}},
            {"object_id": "c"},
        ],
    )
    flag_mispredictions(loop)

    assert read_rows(loop, LIVE) == [("late_crate", dusk)]


def test_a_flag_lapses_when_its_rule_no_longer_holds(
    file_loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows"
) -> None:
    """A later file may tell what an earlier one left out: here the light."""
    rule = '\n[[rule]]\nname = "unlit"\nattribute = "obstacle"\nwhere = "(context->>\'light\') is null"\n'
    loop = change_settings(file_loop, OBSTACLE + "rules = []\n" + rule)
    write_predictions(loop, [{}])
    assert flag_mispredictions(loop) == FlagSummary(1, 1, 0)
    write_predictions(loop, [{"context": {"light": "dusk"}, "role": "replay"}])

    assert flag_mispredictions(loop) == FlagSummary(1, 0, 1)
    assert flag_mispredictions(loop) == FlagSummary(0, 0, 0)

    assert read_rows(loop, LIVE) == []
    assert read_rows(loop, "select because from misprediction_lapse") == [("the rule no longer holds",)]


def test_a_changed_rule_flags_anew_and_a_withdrawn_ones_flags_are_dead(
    loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows"
) -> None:
    a, b = write_predictions(
        loop, [{"object_id": "a", "confidence": 0.55}, {"object_id": "b", "confidence": 0.65}]
    )
    flag_mispredictions(loop)
    assert read_rows(loop, LIVE) == [("low_margin", a)]

    wider = change_settings(loop, OBSTACLE + 'rules = ["low_margin"]\nlow_margin = 0.5\n')
    assert flag_mispredictions(wider) == FlagSummary(samples=2, flagged=2, lapsed=0)
    assert read_rows(wider, LIVE) == sorted([("low_margin", a), ("low_margin", b)])

    without = change_settings(loop, OBSTACLE + 'rules = ["label_disagrees"]\n')
    flag_mispredictions(without)
    assert read_rows(without, LIVE) == []

    back = change_settings(loop, OBSTACLE + 'rules = ["low_margin"]\nlow_margin = 0.5\n')
    assert flag_mispredictions(back).flagged == 0
    assert read_rows(back, LIVE) == sorted([("low_margin", a), ("low_margin", b)])


def test_a_renamed_label_counts_by_its_present_name_for_every_rule(
    file_loop: Loop, write_predictions: "WriteRows", write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    """`trestle` was a label of its own; once it is merged into `ladder`, prediction and label agree."""
    rule = '\n[[rule]]\nname = "any_ladder"\nattribute = "obstacle"\nwhere = "predicted = \'ladder\'"\n'
    labels = '[attribute.obstacle]\nrules = ["label_disagrees"]\nlabels = ["person", "crate", "ladder"'
    loop = change_settings(file_loop, labels + ', "trestle"]\n' + rule)
    (sample,) = write_predictions(loop, [{"predicted": "trestle"}])
    write_labels(loop, [{"label": "ladder"}])
    flag_mispredictions(loop)
    assert read_rows(loop, LIVE) == [("label_disagrees", sample)]

    merged = change_settings(loop, labels + ']\nwas = {"trestle" = "ladder"}\n' + rule)
    flag_mispredictions(merged)

    assert read_rows(merged, LIVE) == [("any_ladder", sample)]
    assert read_rows(merged, "select predicted from prediction") == [("trestle",)]


@pytest.mark.parametrize(
    ("where", "why"),
    [
        ("predicted = (select 'crate')", "rule.bad.where"),
        ("no_such_column = 1", "no_such_column"),
        ("cast((context->>'slip') as double) > 1", "rule.bad.where.*use try_cast"),
    ],
)
def test_a_rule_that_is_not_allowed_or_fails_writes_nothing_and_is_named(
    file_loop: Loop, write_predictions: "WriteRows", read_rows: "ReadRows", where: str, why: str
) -> None:
    rule = f'\n[[rule]]\nname = "bad"\nattribute = "obstacle"\nwhere = "{where}"\n'
    loop = change_settings(file_loop, OBSTACLE + rule)
    write_predictions(loop, [{"confidence": 0.5, "context": {"slip": "much"}}])

    with pytest.raises(ExpressionError, match=why):
        flag_mispredictions(loop)

    assert read_rows(loop, "select count(*) from misprediction") == [(0,)]
