"""Once in service: what the watch says of models, rules and cases, and what becomes of a cured case."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from flows.cli import main
from tasks.compare_service import SEASON, compare_versions
from tasks.describe_cases import describe_case
from tasks.draw_watch import draw_watch
from tasks.follow_cases import follow_cases
from tasks.match_cases import insert_state
from tasks.measure_service import measure_service, read_watched
from tasks.sign_off import insert_sign_off
from tasks.warehouse import open_warehouse

Orchard = Any
Field = Any
Row = dict[str, Any]


def serve(orchard: Orchard, field: Field, week: int, model: str, *, wrong: int, right: int) -> None:
    """Pull a week's log of crouched people, so many of them called crates, with a person's word on each."""
    rows = [
        row
        | {
            "observed_at": (datetime.fromisoformat(row["observed_at"]) + timedelta(days=7 * week)).isoformat(),
            "unit_id": "cart-1",
        }
        for row in field.sights("crouched", wrong + right, f"{model}w{week}")
    ]
    orchard.pull(field.predict(rows[:wrong], "crate", model) + field.predict(rows[wrong:], "person", model))
    orchard.pull(field.label(rows))


def cure(orchard: Orchard, model: str) -> None:
    """Write what accepting a model that cures the case leaves."""
    with open_warehouse(orchard.loop, write=True) as warehouse:

        def insert(known_at: datetime) -> None:
            connection = warehouse.connection
            insert_sign_off(connection, model, "obstacle", "accept", "Ina", None, known_at, against=False)
            insert_state(connection, "crouched-picker", "cured", "its targets passed", "Ina", known_at)

        warehouse.write(insert)


def look(orchard: Orchard, case: Any) -> list[tuple[str, str]]:
    """Draw what is due, flag, and follow the cases; return the new states."""
    draw_watch(orchard.loop)
    orchard.flag(case)
    return [(one.case_name, one.state) for one in follow_cases(orchard.loop)]


def test_a_cured_case_is_watched_in_service_and_reopened_when_its_errors_come_back(
    orchard: Orchard, field: Field, capsys: pytest.CaptureFixture[str]
) -> None:
    """Real logs, week by week; a few errors are not yet a return, and nothing swings back by itself."""
    case = orchard.case()
    serve(orchard, field, 0, "m1", wrong=20, right=0)
    assert look(orchard, case) == []
    cure(orchard, "m2")
    assert look(orchard, case) == []
    serve(orchard, field, 1, "m1", wrong=9, right=1)
    serve(orchard, field, 1, "m2", wrong=2, right=18)
    assert look(orchard, case) == [("crouched-picker", "watched")]
    assert look(orchard, case) == []
    told = describe_case(orchard.loop, case).service
    assert told is not None and told.comparison is not None
    assert (told.comparison.strata, told.comparison.note) == (1, "")
    assert told.comparison.ratio == pytest.approx((2 / 20) / (9 / 10))
    assert (told.shares["m1"].value, told.shares["m2"].value) == (29 / 30, 0.1)
    serve(orchard, field, 2, "m2", wrong=18, right=2)
    assert look(orchard, case) == [("crouched-picker", "reopened")]
    because = orchard.ask("select because from case_state order by known_at desc limit 1")[0][0]
    assert because.startswith(
        "20 of its errors in the latest weeks of the watch since its cure; before against after"
    )
    assert SEASON in because and "0.52 times the share" in because, because
    serve(orchard, field, 3, "m2", wrong=0, right=20)
    assert look(orchard, case) == []
    assert orchard.ask("select state from case_state order by known_at") == [
        ("open",),
        ("cured",),
        ("watched",),
        ("reopened",),
    ]
    capsys.readouterr()
    assert main(["case", "crouched-picker", "--at", str(orchard.loop.folder)]) == 0
    shown = capsys.readouterr().out
    assert "in 1 week and site where both ran: 2 of 20 tracks since its cure, 9 of 10 tracks" in shown, shown
    assert main(["watch", "--at", str(orchard.loop.folder)]) == 0
    shown = capsys.readouterr().out
    assert "obstacle: 4 weeks drawn, 0 not closed yet" in shown and "33.3 % (" in shown, shown
    assert main(["status", "--at", str(orchard.loop.folder)]) == 0
    assert "Random watch" in capsys.readouterr().out


def test_a_case_goes_on_to_reopened_on_a_lake_too(make_lake_loop: Any, make_orchard: Any, field: Field) -> None:
    """In one week at one site both models ran, and the new one is hardly better."""
    orchard = replace(make_orchard(), loop=make_lake_loop(field.settings, "lake"))
    case = orchard.case()
    cure(orchard, "m2")
    serve(orchard, field, 1, "m1", wrong=9, right=1)
    serve(orchard, field, 1, "m2", wrong=8, right=2)
    assert look(orchard, case) == [("crouched-picker", "watched")]
    (again,) = follow_cases(orchard.loop)
    assert (again.state, "where both ran (1) 8 of 10 tracks" in again.because) == ("reopened", True)
    assert follow_cases(orchard.loop) == []


def test_rules_are_measured_against_what_was_drawn_whether_they_doubted_it_or_not(
    make_orchard: Any, field: Field
) -> None:
    """Of ten tracks four are wrong; the rule doubts three of these and one that is right."""
    settings = field.settings.replace('["label_disagrees"]', '["label_disagrees", "low_margin"]')
    orchard = make_orchard(settings)
    rows = field.sights("crouched", 10, "wk")
    sure = [0.51, 0.52, 0.53, 0.99, 0.54, 0.99, 0.99, 0.99, 0.99, 0.99]
    logged = [
        field.predict([row], "crate" if n < 4 else "person", confidence=sure[n])[0] for n, row in enumerate(rows)
    ]
    orchard.pull(logged)
    orchard.flag(orchard.case())
    assert draw_watch(orchard.loop).drawn == 10
    orchard.pull(field.label(rows))
    orchard.flag(orchard.case())
    with open_warehouse(orchard.loop, write=False) as warehouse:
        attribute = orchard.loop.settings.attribute["obstacle"]
        found = measure_service(warehouse, attribute, read_watched(warehouse, attribute))
    (rule,), (model,) = found.rules, found.models
    assert (rule.rule, rule.precision.value, rule.recall.value) == ("low_margin", 0.75, 0.75)
    assert (model.track_count, model.watched, model.errors.value) == (10, 10, 0.4)
    assert model.errors.low < 0.2 and model.errors.high > 0.6


def test_a_watch_with_open_questions_is_silent_and_not_biased(orchard: Orchard, field: Field) -> None:
    """Ten of forty tracks are wrong. Corrections are there first; then half of the rest is answered; then all."""
    rows = field.sights("crouched", 40, "wk")
    orchard.pull(field.predict(rows[:10], "crate") + field.predict(rows[10:], "person"))
    orchard.pull(field.label(rows[:5]))
    draw_watch(orchard.loop)
    attribute = orchard.loop.settings.attribute["obstacle"]
    told = []
    for answered in (rows[:5], rows[5:20], rows[20:38], [], rows[38:]):
        if answered:
            orchard.pull(field.label(answered))
        else:
            orchard.tamper("insert into watch_close select attribute, week, 'a test', known_at from watch_draw")
        with open_warehouse(orchard.loop, write=False) as warehouse:
            (model,) = measure_service(warehouse, attribute, read_watched(warehouse, attribute)).models
        told.append((model.answered, model.open, model.errors.value))
    assert told[:3] == [(5, 35, None), (20, 20, None), (38, 2, None)]
    assert told[3:] == [(38, 2, 10 / 38), (40, 0, 0.25)], "once closed, a twentieth may be missing"


def test_errors_that_cluster_by_recording_widen_the_interval_and_that_is_said() -> None:
    """Ten recordings of eight tracks: all wrong or all right."""
    after = [("w", f"r{n // 8}", n < 16, 1.0) for n in range(80)]
    before = [("w", f"q{n // 8}", n < 40, 1.0) for n in range(80)]
    found = compare_versions(after, before)
    spread = [("w", f"r{n}", row[2], 1.0) for n, row in enumerate(after)]
    plain = compare_versions(spread, [("w", f"q{n}", row[2], 1.0) for n, row in enumerate(before)])
    assert found and plain and found.high and plain.high and found.ratio == plain.ratio == pytest.approx(0.4)
    assert found.dispersion_p is not None and found.dispersion_p < 0.001 and plain.dispersion_p is None
    assert found.scale > 5 and found.high > plain.high and "vary" in found.note and plain.note == ""


def test_where_the_two_never_ran_together_the_weights_count_and_the_season_is_named() -> None:
    """One wrong track of a low probability stands for many."""
    after = [("w2", "a", True, 10.0), *[("w2", f"b{n}", False, 1.0) for n in range(10)]]
    before = [("w1", f"c{n}", n < 5, 1.0) for n in range(10)]
    found = compare_versions(after, before)
    assert found and found.ratio == pytest.approx(1.0) and (found.strata, found.note) == (0, SEASON)
    assert compare_versions(after, []) is None
    none = compare_versions([("w", "a", False, 1.0)], [("w", "b", False, 1.0)])
    assert none and (none.ratio, none.low, none.high) == (None, None, None)
