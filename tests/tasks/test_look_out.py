"""What a night tells of a loop, each watch once where it speaks and once where it has to be quiet."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from schemas.settings import ScheduleSettings
from tasks.list_watches import WATCHES
from tasks.look_out import Finding, look_out, mark_told
from tasks.loop import Loop
from tasks.warehouse import open_warehouse

Row = dict[str, Any]
Write = Callable[[Loop, Sequence[Row]], list[str]]
Read = Callable[..., list[tuple[Any, ...]]]
Insert = Callable[[Loop, str, Sequence[Row]], None]

NOW = datetime(2031, 6, 16, 2, tzinfo=UTC)  # a Monday, and later than any clock that these tests run by
SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate", "ladder"]
slices = ["unit_id"]
rules = ["label_disagrees"]
"""


def see(day: int, hour: int, number: int, **more: Any) -> Row:
    """Return an invented prediction, so many days before the last full day, of a track of its own."""
    moment = NOW.replace(hour=hour) - timedelta(days=day + 1) + timedelta(minutes=number)
    name = f"run-{day}-{hour}-{number}"
    return {
        "recording_id": name,
        "observed_at": moment.isoformat(),
        "unit_id": f"cart-{number % 2}",
        "predicted": "person" if number % 3 == 0 else "crate",
        "features": [1.0 + (day * 7 + hour * 3 + number * 5) % 11, 1.0 + (day * 5 + number) % 7],
    } | more


def usual(days: Sequence[int], **more: Any) -> list[Row]:
    """Return six predictions in each of three hours of these days."""
    return [see(day, hour, number, **more) for day in days for hour in (8, 9, 10) for number in range(6)]


def at(loop: Loop, moment: datetime = NOW, **limits: Any) -> Loop:
    watch = replace(loop.settings.watch, disk_share_at_most=1.0, **limits)
    return replace(loop, clock=lambda: moment, settings=replace(loop.settings, watch=watch))


def tell(loop: Loop, **limits: Any) -> dict[tuple[str, str], str]:
    """Return the findings by watch and subject."""
    return {(one.watch, one.subject): one.message for one in look_out(at(loop, **limits)).findings}


def test_a_usual_season_is_quiet_and_what_is_unusual_is_told_by_name(
    make_any_loop: Callable[..., Loop], write_predictions: Write
) -> None:
    """One history: quiet as it stands; then a flood, another mixture, shifted features and a replay are told."""
    loop = make_any_loop(SETTINGS)
    assert look_out(at(loop)).findings == () == look_out(at(loop)).unjudged
    ids = write_predictions(loop, usual(range(64)))
    quiet = look_out(at(loop))
    assert quiet.findings == ()
    assert quiet.unjudged == ()

    persons = [row["predicted"] == "person" for row in usual(range(64))][:300]
    hold(loop, ids[:300], [0.5] * 300)
    assert look_out(at(loop)).findings == (), "drawn evenly it is the same mixture"
    hold(loop, ids[:300], [0.01 if is_person else 1.0 for is_person in persons])
    told = tell(loop)
    assert set(told) == {("class_shift", "obstacle, against the general hold-out")}
    # 100 persons of weight 100 and 200 crates of weight 1: 200 of 10,200; both have shifted alike
    shifted = told["class_shift", "obstacle, against the general hold-out"]
    assert "crate: 0.667, there 0.020" in shifted or "person: 0.333, there 0.980" in shifted
    hold(loop, ids[:300], [0.5] * 300)

    flood = [see(0, 9, 10 + number % 40, recording_id=f"flood-{number}", unit_id="cart-0") for number in range(60)]
    moved = usual(range(7), object_id="late", predicted="ladder", features=[30.0, 3.0])
    replayed = [row | {"role": "replay", "predicted": "ladder"} for row in usual([1])]
    write_predictions(loop, flood + moved + replayed)
    told = tell(loop)
    assert set(told) == {
        ("hour_rows", "obstacle"),
        ("class_shift", "obstacle, against the four weeks before"),
        ("class_shift", "obstacle, against the general hold-out"),
        ("feature_shift", "obstacle"),
        ("replay_differs", "obstacle, obstacle-1"),
    }
    assert "the furthest, 2031-06-15 09:00 UTC, has 72, usual are 0 to 21" in told["hour_rows", "obstacle"]
    assert "ladder: 0." in told["class_shift", "obstacle, against the four weeks before"]
    assert "1 of 2 features have shifted" in told["feature_shift", "obstacle"]
    assert (
        "of 18 samples of obstacle that it served and was replayed on, 18 differ"
        in told["replay_differs", "obstacle, obstacle-1"]
    )
    off = ("hour_rows", "class_shift", "feature_shift", "replay_differs")
    assert tell(loop, off=off) == {}
    full = at(loop, off=off)
    watch = replace(full.settings.watch, disk_share_at_most=1e-9)
    full = replace(full, settings=replace(full.settings, watch=watch))
    assert {one.watch for one in look_out(full).findings} == {"disk"}


def test_hours_are_compared_by_the_clock_of_the_fleet_also_where_it_changes(
    make_any_loop: Callable[..., Loop], write_predictions: Write
) -> None:
    """Eight weeks of the same working hours, the one that a change of clocks repeats among them."""
    loop = make_any_loop(SETTINGS + '[schedule]\ntimezone = "Europe/Berlin"\n')
    berlin, evening = ZoneInfo("Europe/Berlin"), datetime(2031, 10, 26, 23, tzinfo=UTC)
    past = [datetime(2031, 10, 26, hour, minute, tzinfo=berlin) for hour in (2, 8, 9) for minute in range(60)]
    moments = [moment - timedelta(days=day) for moment in past for day in range(62)]  # by the clock on the wall
    moments += [moment.replace(fold=1) for moment in past if moment.hour == 2]
    rows = [see(0, 0, number, observed_at=moment.isoformat()) for number, moment in enumerate(moments)]
    write_predictions(loop, rows)
    only = tuple(name for name in WATCHES if name != "hour_rows")
    assert look_out(at(loop, evening, off=only)).findings == ()
    utc = replace(loop, settings=replace(loop.settings, schedule=ScheduleSettings()))
    (told,) = look_out(at(utc, evening, off=only)).findings
    assert told.message.startswith("2 of 24 hours have an unusual number of tracks"), told


def hold(loop: Loop, sample_ids: Sequence[str], chances: Sequence[float]) -> None:
    """Draw a general hold-out of these samples, each with its probability, as its next version."""
    with open_warehouse(loop, write=True) as warehouse:

        def put(known_at: datetime) -> None:
            ((version,),) = warehouse.connection.execute("select count(*) + 1 from holdout").fetchall()
            warehouse.connection.execute(
                "insert into holdout "
                "values ('h' || $version, 'overall:obstacle', 'obstacle', $version, 'drawn', 1, '{}', 'd', $at)",
                {"version": version, "at": known_at},
            )
            warehouse.connection.execute(
                "insert into holdout_member "
                "select 'h' || $version, unnest($ids), 'g', 's', unnest($chances), false",
                {"version": version, "ids": list(sample_ids), "chances": list(chances)},
            )

        warehouse.write(put)


def test_a_unit_that_stops_is_told_and_one_that_always_pauses_is_not(
    make_any_loop: Callable[..., Loop], write_predictions: Write
) -> None:
    loop = make_any_loop(SETTINGS)
    weekly = [see(day, 9, 3, unit_id="weekly", object_id="w") for day in (4, 11, 18, 25)]
    stopped = [see(day, 9, 5, unit_id="stopped", object_id="s") for day in range(3, 12)]
    write_predictions(loop, [*usual(range(20)), *weekly, *stopped])
    told = tell(loop, off=("hour_rows", "class_shift", "feature_shift"))
    assert set(told) == {("silent_units", "stopped")}
    assert "no log for 88 hours, the last of 2031-06-12 09:00" in told["silent_units", "stopped"]
    assert tell(loop, off=("hour_rows", "class_shift", "feature_shift"), laid_up=("stopped",)) == {}
    later = at(loop, NOW + timedelta(days=10), off=("hour_rows", "class_shift", "feature_shift"))
    assert [one.subject for one in look_out(later).findings] == ["all units"]
    gone = at(loop, NOW + timedelta(days=60), off=("hour_rows", "class_shift", "feature_shift"))
    assert [one.subject for one in look_out(gone).findings] == ["all units"], "still silent, however long"


def test_a_candidate_that_waits_for_a_person_and_a_file_that_nobody_reads_are_told(
    make_any_loop: Callable[..., Loop], insert_rows: Insert
) -> None:
    loop = make_any_loop(SETTINGS)
    for number, verdict in enumerate(("failed", "passed"), start=1):
        then = at(loop, NOW - timedelta(days=2, minutes=-number))
        model = {"model_version": f"obstacle-{number}", "attribute": "obstacle", "role": "candidate"}
        judged = {"candidate": f"obstacle-{number}", "criterion": "overall", "verdict": verdict, "reason": "why"}
        insert_rows(then, "model", [model])
        insert_rows(then, "gate_decision", [judged])
    (loop.folder / "inbox" / "predictions" / "exported.csv").write_text("recording_id\n")
    assert tell(loop) == {
        ("waiting_candidate", "obstacle-2"): "was judged passed on 2031-06-14 and waits for a person; "
        "read why: turnrow report obstacle-2; then accept or refuse it: turnrow sign-off obstacle-2 --by NAME "
        "--accept (or --refuse)",
        ("unread_files", "inbox"): "inbox/predictions/exported.csv is matched by no pattern of [pull], "
        "so never read; add one there, or take it away",
    }
    assert set(tell(loop, candidate_days=3)) == {("unread_files", "inbox")}
    signed = {"model_version": "obstacle-2", "attribute": "obstacle", "decision": "refuse", "signed_by": "ana"}
    insert_rows(at(loop), "sign_off", [signed | {"against_verdict": True}])
    assert set(tell(loop)) == {("unread_files", "inbox")}


def test_a_warehouse_that_was_written_by_a_clock_far_ahead_is_told(
    make_any_loop: Callable[..., Loop], insert_rows: Insert
) -> None:
    loop = make_any_loop(SETTINGS)
    model = {"model_version": "m1", "attribute": "obstacle", "role": "candidate"}
    insert_rows(at(loop, NOW + timedelta(minutes=50)), "model", [model])
    assert tell(loop) == {}, "hosts differ by some minutes"
    insert_rows(at(loop, NOW + timedelta(days=3650)), "model", [model])
    ((subject, told),) = tell(loop).items()
    assert subject == ("clock", "")
    assert told.startswith(
        "the warehouse's clock stands at 2041-06-13 02:00 UTC, this host's at 2031-06-16 02:00;"
    )


def test_a_fleet_that_rests_on_weekends_is_quiet_from_its_first_one_on(
    make_any_loop: Callable[..., Loop], write_predictions: Write
) -> None:
    """Monday to Friday, looked at on a Monday night; the last evening one object was followed for long."""
    loop = make_any_loop(SETTINGS)
    followed = [see(2, 22, step, recording_id="followed", object_id="o1", unit_id="cart-0") for step in range(40)]
    write_predictions(loop, [*usual(range(2, 7)), *followed])
    first = look_out(at(loop))
    assert first.findings == ()
    assert any("since less than eight days" in line for line in first.unjudged)
    write_predictions(loop, usual([day for day in range(7, 64) if day % 7 >= 2]))
    assert look_out(at(loop)).findings == ()


def test_a_finding_is_told_once_then_still_and_anew_after_it_went_away(
    make_any_loop: Callable[..., Loop], insert_rows: Insert, read_rows: Read
) -> None:
    """Until it was marked as told it stays new, so that a night that is killed in between tells it after all."""
    loop = make_any_loop(SETTINGS)
    insert_rows(loop, "label_fix", [_question("f1")])
    later = at(loop, NOW + timedelta(days=20))
    (first,), (again,) = look_out(later).findings, look_out(later).findings
    assert first == again and first.is_new
    assert first.message.endswith("have them answered: turnrow queue export questions.csv")
    mark_told(loop)
    (still,) = look_out(at(loop, NOW + timedelta(days=21))).findings
    assert not still.is_new and still.found_at == first.found_at
    assert str(still).startswith(f"old_questions obstacle: still (since {first.found_at:%Y-%m-%d}): its oldest")
    insert_rows(loop, "fix_outcome", [{"fix_id": "f1", "outcome": "ambiguous"}])
    assert look_out(at(loop, NOW + timedelta(days=21))).findings == ()
    assert read_rows(loop, "select count(*) from open_finding") == [(0,)]
    insert_rows(loop, "label_fix", [_question("f2")])
    (new,) = look_out(at(loop, NOW + timedelta(days=40))).findings
    assert new.is_new


def _question(fix_id: str) -> Row:
    return {
        "fix_id": fix_id,
        "sample_id": f"sample-{fix_id}",
        "attribute": "obstacle",
        "attempt": 1,
        "reason": "flagged",
        "priority": 1.0,
    }


def test_refusals_a_rising_case_and_an_untrained_value_are_told(
    make_any_loop: Callable[..., Loop], write_predictions: Write, insert_rows: Insert
) -> None:
    """Each first in a state in which it is no news."""
    loop = make_any_loop(SETTINGS)
    ids = write_predictions(loop, usual(range(35)))
    case = {"case_name": "tall-crate", "attribute": "obstacle", "severity": "low", "definition_sha256": "d"}
    insert_rows(loop, "failure_case", [case | {"definition": "{}"}])
    member = {
        "case_name": "tall-crate",
        "found_by": "label_disagrees",
        "prediction_id": "p",
        "definition_sha256": "d",
    }
    insert_rows(loop, "case_member", [member | {"sample_id": one} for one in ids[::30]])
    trained = [row for row in zip(ids, usual(range(35)), strict=True) if row[1]["unit_id"] == "cart-0"]
    put_incumbent(loop, insert_rows, [sample_id for sample_id, _ in trained])
    off = ("hour_rows", "class_shift", "feature_shift", "disk", "clock")  # its files came in at today's real date
    assert set(tell(loop, off=off, untrained_slice_tracks=200)) == set()
    insert_rows(loop, "case_member", [member | {"sample_id": one} for one in ids[:40]])
    told = tell(loop, off=off)
    assert set(told) == {("case_rate", "tall-crate"), ("untrained_slice", "obstacle, unit_id = cart-1")}
    assert told["case_rate", "tall-crate"].startswith("43 of 126 tracks of seven days are its members (34.1 %)")
    assert told["untrained_slice", "obstacle, unit_id = cart-1"].startswith("63 tracks of seven days")

    today = loop.clock()
    for days in (9, 5, 3):
        put_batch(loop, today - timedelta(days=days), "calm.jsonl", 1000, 2)
    put_batch(loop, today, "yesterday.jsonl", 1000, 3)
    assert [one for one in tell_of_files(loop, off) if one.watch == "refused_rows"] == []
    put_batch(loop, today, "torn.jsonl", 1000, 100)
    (refused,) = tell_of_files(loop, off)
    assert (refused.watch, refused.subject) == ("refused_rows", "others")
    assert "most often: confidence is 7; most in torn.jsonl" in refused.message

    attribute = replace(loop.settings.attribute["obstacle"], slices=("cast(unit_id as integer)",))
    broken = replace(loop, settings=replace(loop.settings, attribute={"obstacle": attribute}))
    tell(loop, off=off)
    told = tell(broken, off=off)
    assert told["untrained_slice", ""].startswith(
        "cannot be looked at: turnrow.toml, attribute.obstacle.slices: fails"
    )
    assert told["untrained_slice", "obstacle, unit_id = cart-1"], "what it had found stays open"
    assert told["case_rate", "tall-crate"], "and the others are looked at"


def put_incumbent(loop: Loop, insert_rows: Insert, sample_ids: Sequence[str]) -> None:
    """Store an invented training set of these samples and the model in service that learned from it."""
    row = {
        "version": "obstacle-v1",
        "group_id": "g",
        "revision_id": "r",
        "label": "crate",
        "weight": 1,
        "reason": "base",
    }
    with open_warehouse(loop, write=True) as warehouse:

        def put(_: datetime) -> None:
            names, places = ", ".join(row), ", ".join(f"${name}" for name in row)
            text = f"insert into training_set_member (sample_id, {names}) select unnest($ids), {places}"
            warehouse.connection.execute(text, row | {"ids": list(sample_ids)})

        warehouse.write(put)
    model = {"model_version": "obstacle-2", "attribute": "obstacle"}
    insert_rows(loop, "model", [model | {"role": "candidate", "training_set_version": "obstacle-v1"}])
    insert_rows(loop, "sign_off", [model | {"decision": "accept", "against_verdict": False, "signed_by": "ana"}])


def put_batch(loop: Loop, moment: datetime, name: str, read: int, refused: int) -> None:
    """Store a file of that moment with so many refused rows."""
    with open_warehouse(loop, write=True) as warehouse:

        def put(_: datetime) -> None:
            values = {"id": f"{name}{moment}", "name": name, "read": read, "bad": refused, "at": moment}
            warehouse.connection.execute(
                "insert into pull_batch "
                "values ($id, $name, $id, 'predictions', $read, $read - $bad, 0, $bad, null, $at)",
                values,
            )
            warehouse.connection.execute(
                "insert into quarantined_row select $id, number, 'confidence is 7', '{}', $at "
                "from range(1, $bad + 1) as numbers(number)",
                {name: values[name] for name in ("id", "bad", "at")},
            )

        warehouse.write(put)


def tell_of_files(loop: Loop, off: tuple[str, ...]) -> list[Finding]:
    others = (*off, "case_rate", "untrained_slice", "silent_units")
    return list(look_out(at(loop, loop.clock() + timedelta(minutes=1), off=others)).findings)
