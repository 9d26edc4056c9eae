"""Quality checks of a set as it is really assembled: what they find in the warehouse, and whom they name."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pytest

from schemas.sql_files import read_sql
from tasks.check_training_set import check_training_set
from tasks.compose_rows import compose_rows
from tasks.errors import ExpressionError
from tasks.import_model import import_model
from tasks.plan_composition import Moment, read_composition
from tasks.run_expectations import CheckResult
from tasks.warehouse import Warehouse, as_utc, open_warehouse

KINDS = ("person", "crate", "foliage")


def make_base(field: Any, count: int = 4, **more: Any) -> list[Any]:
    return [row for kind in KINDS for row in field.sights(kind, count, "base", **more)]


def accept_first(orchard: Any, field: Any) -> Any:
    """A first version of base rows, trained and in service."""
    orchard.pull(field.label(make_base(field)))
    first = orchard.assemble()
    orchard.accept(orchard.retrain().model)
    return first


def gather_case(orchard: Any, field: Any) -> None:
    """Five crouched people whom the incumbent calls crates: three are labelled by file, two mined and answered."""
    case = orchard.case()
    model = orchard.number("select model_version from incumbent")
    rows = field.sights("crouched", 5, "log")
    orchard.pull(field.predict(rows, model=model))
    orchard.pull(field.label(rows[:3]))
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer()


def find_check(summary: Any, check_name: str) -> CheckResult:
    (found,) = [check for check in summary.checks if check.check_name == check_name]
    return found  # type: ignore[no-any-return]


def name_failures(orchard: Any, version: str, check_name: str) -> list[str]:
    rows = orchard.ask(
        "select k.recording_id from check_failure as f inner join known_sample as k using (sample_id) "
        "where f.version = $v and f.check_name = $c order by 1",
        v=version,
        c=check_name,
    )
    return [name for (name,) in rows]


@dataclass
class Recheck:
    """A stored version composed again in an open warehouse, whose facts can be damaged and are rolled back."""

    warehouse: Warehouse
    attribute: Any
    version: str

    def run(self, statement: str) -> tuple[dict[str, CheckResult], dict[str, list[str]]]:
        """Return what the checks find after `statement`: results by name, and the recordings that they name."""
        connection = self.warehouse.connection
        row = connection.execute(
            "select composition, parent_version, as_of, reserved_until from training_set where version = $v",
            {"v": self.version},
        ).fetchone()
        assert row is not None
        moment = Moment(as_utc(row[2]), as_utc(row[3]))
        composition = read_composition(row[0])
        compose_rows(self.warehouse, self.attribute, composition, row[1], moment)
        connection.execute(
            "create or replace temp table place as select sample_id, recording_id from known_sample"
        )
        connection.execute(statement)
        results = check_training_set(self.warehouse, self.attribute, composition, row[1], moment, is_past=False)
        named: dict[str, list[str]] = {}
        for check_name, recording in connection.execute(
            "select check_name, recording_id from failing_row inner join place using (sample_id) order by all"
        ).fetchall():
            named.setdefault(check_name, []).append(recording)
        return {result.check_name: result for result in results}, named


@contextmanager
def recheck(orchard: Any, version: str) -> Iterator[Recheck]:
    with open_warehouse(orchard.loop, write=True) as warehouse:
        yield Recheck(warehouse, orchard.loop.settings.attribute["obstacle"], version)


FILE, FIXED, MINED = "base-crate-000", "log-crouched-000", "log-crouched-004"
OF_FILE = f"sample_id in (select sample_id from place where recording_id = '{FILE}')"
OF_FIXED = f"sample_id in (select sample_id from place where recording_id = '{FIXED}')"
OF_MINED = f"sample_id in (select sample_id from place where recording_id = '{MINED}')"
FIX = f"fix_id in (select fix_id from wh.main.label_fix where {OF_MINED})"

# what is damaged, whom the check must name, and what it must say
DAMAGED = [
    (f"delete from wh.main.sample where {OF_FILE}", FILE, "1 without the recording"),
    (f"delete from wh.main.label_revision where {OF_FILE}", FILE, "1 without the label revision"),
    (
        f"update wh.main.label_revision set batch_id = 'gone' where {OF_FILE}",
        FILE,
        "1 without the file of its label",
    ),
    (
        f"update wh.main.label_revision set batch_id = null where {OF_FILE}",
        FILE,
        "1 without the file of its label",
    ),
    (f"delete from wh.main.label_fix where {OF_MINED}", MINED, "1 without the label fix"),
    (f"delete from wh.main.fix_outcome where {FIX}", MINED, "1 without the settlement of its label fix"),
    (
        f"update wh.main.fix_outcome set outcome = 'lot_failed' where {FIX}",
        MINED,
        "1 without the settlement of its label fix",
    ),
    (f"delete from wh.main.prediction where {OF_FIXED}", FIXED, "1 without the prediction"),
    (
        f"update wh.main.prediction set batch_id = 'gone' where {OF_FIXED}",
        FIXED,
        "1 without the file of its prediction",
    ),
    (
        f"delete from wh.main.misprediction where {OF_FIXED}",
        FIXED,
        "1 without the rule that flagged its prediction",
    ),
    (
        f"update wh.main.misprediction set known_at = timestamptz '2999-01-01' where {OF_FIXED}",
        FIXED,
        "1 without the rule that flagged its prediction",
    ),
]


def test_a_row_whose_lineage_has_a_hole_is_named_with_what_is_missing(orchard: Any, field: Any) -> None:
    accept_first(orchard, field)
    gather_case(orchard, field)
    made = orchard.assemble()
    assert made.rows_by_reason == {"base": 12, "fixed": 3, "mined": 2}
    whole = find_check(made, "complete_lineage")
    assert (whole.requirement, whole.passed, whole.observed) == ("should", True, "no row offends")
    for statement, recording, observed in DAMAGED:
        with recheck(orchard, made.version) as again:
            results, named = again.run(statement)
        told = results["complete_lineage"]
        assert (told.passed, told.observed, told.failing_count) == (False, observed, 1), statement
        assert named["complete_lineage"] == [recording], statement


def test_lineage_on_a_lake_is_whole_too(make_lake_loop: Any, field: Any, orchard: Any) -> None:
    lake = type(orchard)(make_lake_loop(field.settings, "lake"))
    import_model(lake.loop, "obstacle", None, model_version="m1", signed_by="A. Picker")
    lake.pull(field.label(make_base(field)))
    gather_case(lake, field)
    made = lake.assemble()
    assert made.rows_by_reason == {"base": 12, "fixed": 3, "mined": 2}
    assert find_check(made, "complete_lineage").passed
    with recheck(lake, made.version) as again:
        _, named = again.run(f"delete from wh.main.misprediction where {OF_FIXED}")
    assert named["complete_lineage"] == [FIXED]


def test_a_set_enriched_for_a_case_names_what_the_case_explains(orchard: Any, field: Any) -> None:
    accept_first(orchard, field)
    gather_case(orchard, field)
    made = orchard.assemble()
    shares, rows = find_check(made, "class_shares_near_parent"), find_check(made, "enough_rows_a_case")
    assert (shares.passed, shares.observed) == (
        True,
        "person: 0.529, parent 0.333; 0.196 of it from rows added for crouched-picker, 0.000 unexplained",
    )
    assert (rows.requirement, rows.passed, rows.observed) == (
        "should",
        False,
        "crouched-picker has 5 rows, 5 of them new; at least 30 are asked for",
    )
    orchard.configure(field.settings + "\n[checks]\nrows_a_case_at_least = 5\n")
    assert find_check(orchard.assemble(), "enough_rows_a_case").passed


def test_what_was_erased_from_the_parent_is_no_shift(orchard: Any, field: Any) -> None:
    """Erasing takes the label of a stored row away, and its sample out of every later set."""
    accept_first(orchard, field)
    gather_case(orchard, field)
    made = orchard.assemble()
    with recheck(orchard, made.version) as again:
        results, _ = again.run(
            "update wh.main.training_set_member set label = null where label = 'crate'; "
            "delete from assembled where label = 'crate'"
        )
    told = results["class_shares_near_parent"]
    assert (told.passed, told.observed) == (
        True,
        "person: 0.692, parent 0.500; 0.192 of it from rows added for crouched-picker, 0.000 unexplained",
    )


def test_a_case_without_new_rows_is_not_targeted(orchard: Any, field: Any) -> None:
    first = accept_first(orchard, field)
    orchard.case()
    made = orchard.assemble()
    assert made.version != first.version or not made.is_new
    told = find_check(made, "enough_rows_a_case")
    assert (told.passed, told.observed) == (True, "no case has rows that the parent lacks")


def test_a_renamed_label_is_no_shift_of_classes(orchard: Any, field: Any) -> None:
    accept_first(orchard, field)
    orchard.configure(field.settings.replace('"foliage"]', '"bush"]\nwas = {foliage = "bush"}'))
    made = orchard.assemble()
    assert (made.state, find_check(made, "class_shares_near_parent").passed) == ("passed", True)


def test_labels_by_machine_above_the_limit_are_told(orchard: Any, field: Any) -> None:
    base = make_base(field)
    by_machine = [row | {"origin": "machine"} for row in field.label(base[:4])]
    orchard.pull(by_machine + field.label(base[4:]))
    told = find_check(orchard.assemble(), "machine_label_share")
    assert (told.passed, told.observed) == (
        False,
        "0.333 of the rows (4 of 12) have a label of origin machine; at most 0.300",
    )
    orchard.configure(field.settings + "\n[checks]\nmachine_share_at_most = 0.34\n")
    assert find_check(orchard.assemble(), "machine_label_share").passed


def test_a_recording_with_too_many_rows_is_told_and_its_samples_named(orchard: Any, field: Any) -> None:
    long = [field.sight("person", "log-person-000", f"thing-{n}", minute=n) for n in range(3)]
    orchard.pull(field.label(make_base(field, 5) + long))
    made = orchard.assemble()
    told = find_check(made, "recording_share")
    assert (told.passed, told.observed, told.failing_count) == (
        False,
        '"log-person-000" has 0.167 of the rows (3 of 18); at most 0.100',
        3,
    )
    assert name_failures(orchard, made.version, "recording_share") == ["log-person-000"] * 3


# Guidelines


def write_guideline(orchard: Any, text: str) -> None:
    (orchard.loop.folder / "guide.md").write_text(text, encoding="utf-8")


def test_labels_under_an_older_guideline_are_named_and_the_past_is_judged_by_its_own(
    make_orchard: Any, field: Any
) -> None:
    orchard = make_orchard(field.settings.replace("answers_needed", 'guideline = "guide.md"\nanswers_needed'))
    write_guideline(orchard, "Call a kneeling picker a person.")
    accept_first(orchard, field)
    gather_case(orchard, field)
    before = orchard.assemble()
    assert find_check(before, "old_guideline_share").observed == (
        "0.000 of the rows (0 of 17) have a label decided under an older guideline; at most 0.100"
    )
    ((moment,),) = orchard.ask("select as_of from training_set where version = $v", v=before.version)

    write_guideline(orchard, "Call a kneeling picker a person, a scarecrow a crate.")
    after = orchard.assemble()
    told = find_check(after, "old_guideline_share")
    assert (told.passed, told.failing_count, told.observed) == (
        False,
        2,
        "0.118 of the rows (2 of 17) have a label decided under an older guideline; at most 0.100",
    )
    past = orchard.assemble(as_of=moment)
    assert find_check(past, "old_guideline_share").passed, "then it was the guideline in force"
    (orchard.loop.folder / "guide.md").unlink()
    assert not find_check(orchard.assemble(), "old_guideline_share").passed, "a guideline that is not there"


def test_without_a_guideline_nothing_is_said_about_one(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    assert "old_guideline_share" not in {check.check_name for check in orchard.assemble().checks}


# Slices

SLICED = 'slices = ["unit_id", "(context->>\'light\')", "truth"]\nanswers_needed'


def test_a_shift_of_what_is_kept_of_the_parent_names_the_slice_and_added_rows_are_none(
    make_orchard: Any, field: Any
) -> None:
    settings = field.settings.replace("answers_needed", SLICED)
    orchard = make_orchard(settings)
    first, second = (field.sights("person", 30, name, unit_id=f"cart-{name}") for name in ("early", "late"))
    crates = field.sights("crate", 30, "early", unit_id="cart-early")
    orchard.pull(field.label(first + second + crates))
    orchard.assemble()
    orchard.accept(orchard.retrain().model)
    gather_case(orchard, field)
    added = orchard.assemble()
    told = find_check(added, "context_shift")
    assert (told.requirement, told.passed) == ("should", True), "dusk came with the rows of a targeted case alone"

    stale = "unit_id = 'cart-late' and recording_id <> 'late-person-000'"
    orchard.configure(
        f'{settings}\n[[leave_out]]\nattribute = "obstacle"\nwhere = "{stale}"\nbecause = "a bent mast"\n'
    )
    told = find_check(orchard.assemble(), "context_shift")
    assert not told.passed
    assert str(told.observed).startswith("unit_id: index ")
    assert "cart-late 0.016, parent 0.333" in str(told.observed)
    assert "light" not in str(told.observed)
    assert "truth" not in str(told.observed)


def test_a_slice_value_that_was_never_trained_on_is_named(make_orchard: Any, field: Any) -> None:
    settings = field.settings.replace("answers_needed", SLICED)
    orchard = make_orchard(settings + "\n[checks]\nuntrained_slice_samples_at_most = 3\n")
    orchard.pull(field.label(make_base(field, unit_id="cart-1")))
    orchard.pull(field.predict(field.sights("crate", 3, "log", unit_id="cart-2")))
    assert find_check(orchard.assemble(), "slices_never_trained").passed
    orchard.pull(field.predict(field.sights("person", 4, "log", unit_id="cart-3")))
    told = find_check(orchard.assemble(), "slices_never_trained")
    assert (told.passed, told.observed, told.failing_count) == (
        False,
        "unit_id = cart-3 has 4 samples and no training row",
        1,
    )


def test_a_slice_that_fails_on_a_sample_stops_with_its_name(make_orchard: Any, field: Any) -> None:
    sliced = "slices = [\"cast((context->>'light') as integer)\"]\nanswers_needed"
    orchard = make_orchard(field.settings.replace("answers_needed", sliced))
    orchard.pull(field.label(make_base(field)))
    with pytest.raises(ExpressionError, match=r"attribute.obstacle.slices: fails on a stored sample"):
        orchard.assemble()
    assert orchard.number("select count(*) from training_set") == 0


def test_check_setup_knows_the_very_columns_that_a_check_may_name(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    made = orchard.assemble()
    with recheck(orchard, made.version) as again:
        again.run("select 1")
        connection = again.warehouse.connection
        columns = "select column_name, column_type from (describe training_row)"
        real = connection.execute(columns).fetchall()
        connection.execute(read_sql("setup/training_row"))
        assert connection.execute(columns).fetchall() == real


def test_every_result_is_stored_with_what_it_saw(any_orchard: Any, field: Any) -> None:
    any_orchard.pull(field.label(make_base(field)))
    made = any_orchard.assemble()
    stored = any_orchard.ask(
        "select check_name, requirement, passed, observed, failing_count from quality_check where version = $v",
        v=made.version,
    )
    assert sorted(stored) == sorted(
        (c.check_name, c.requirement, c.passed, c.observed, c.failing_count) for c in made.checks
    )
    assert all(observed for _, _, _, observed, _ in stored)
