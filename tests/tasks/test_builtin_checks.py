"""The built-in checks: what each lets through and what it stops, whom it names, what it says; invented data."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from duckdb import DuckDBPyConnection

from schemas.expectations import BUILT_IN_CHECKS, MUST, SHOULD, Assembly, Expectation, builtin_suite
from schemas.settings import ChecksSettings
from tasks.run_expectations import CheckResult, run_expectations

AS_OF = datetime(2026, 3, 1, 6, 30, 0, 123457, tzinfo=UTC)
LABELS = ["animal", "crate", "foliage", "ladder", "person"]
LIMITS = ChecksSettings(
    rows_a_class_at_least=10,
    rows_a_case_at_least=10,
    class_share_difference_at_most=0.2,
    untrained_slice_samples_at_most=5,
    recording_share_at_most=0.15,
)
KNOWN: Mapping[str, Any] = {
    "slices": ("unit_id",),
    "parent_row_count": 60,
    "is_audited": True,
    "guideline_sha256": "new",
    "looked_at": 60,
    "limits": LIMITS,
}
CLASSES = Assembly("class", AS_OF, LABELS, **KNOWN)
NUMBERS = Assembly("number", AS_OF, **KNOWN)


def run(
    connection: DuckDBPyConnection, suite: Sequence[Expectation]
) -> tuple[dict[str, CheckResult], dict[str, set[str]]]:
    results = run_expectations(connection, "judged_row", suite, failures="failed_row")
    assert [result.check_name for result in results] == [check.check_name for check in suite]
    rows = connection.execute("select check_name, sample_id from failed_row").fetchall()
    assert len(rows) == len(set(rows)), "a sample is named once a check"
    named: dict[str, set[str]] = {}
    for check_name, sample_id in rows:
        named.setdefault(check_name, set()).add(sample_id)
    return {result.check_name: result for result in results}, named


def find_failed(results: dict[str, CheckResult]) -> set[str]:
    return {name for name, result in results.items() if not result.passed}


@pytest.mark.parametrize("assembly", [CLASSES, NUMBERS], ids=["class", "number"])
def test_a_clean_set_passes_every_builtin_check_on_file_and_lake(
    either: DuckDBPyConnection, assembly: Assembly
) -> None:
    results, named = run(either, builtin_suite(assembly))
    assert find_failed(results) == set()
    assert named == {}
    assert {result.failing_count for result in results.values()} == {0}


def test_the_suite_holds_what_is_promised_and_how_strictly() -> None:
    suite = {check.check_name: check.requirement for check in builtin_suite(CLASSES)}
    must = {name for name, requirement in suite.items() if requirement == MUST}
    should = {name for name, requirement in suite.items() if requirement == SHOULD}
    assert must == {
        "one_row_a_sample",
        "valid_label",
        "settled_before_as_of",
        "passed_lot",
        "no_reserved_group",
        "features_finite_one_length",
        "no_near_duplicate",
    }
    assert should == {
        "enough_rows_a_class",
        "class_shares_near_parent",
        "growth_within_bounds",
        "lots_unaudited",
        "near_duplicates_left_out",
        "lots_open_left_out",
        "complete_lineage",
        "enough_rows_a_case",
        "machine_label_share",
        "synthetic_label_share",
        "old_guideline_share",
        "recording_share",
        "context_shift",
        "slices_never_trained",
        "suspected_labels",
    }
    assert set(suite) == set(BUILT_IN_CHECKS)
    first = {check.check_name for check in builtin_suite(Assembly("class", AS_OF, LABELS, is_audited=True))}
    assert set(suite) - first == {
        "class_shares_near_parent",
        "growth_within_bounds",
        "old_guideline_share",
        "context_shift",
        "slices_never_trained",
        "suspected_labels",
    }


def test_a_should_may_be_made_a_must_and_the_musts_come_first() -> None:
    stricter = replace(CLASSES, limits=replace(LIMITS, must=("complete_lineage", "suspected_labels")))
    requirements = {check.check_name: check.requirement for check in builtin_suite(stricter)}
    assert {name for name in ("complete_lineage", "suspected_labels") if requirements[name] == MUST} == {
        "complete_lineage",
        "suspected_labels",
    }
    assert list(requirements.values()) == sorted(requirements.values())  # "must" is before "should"


AFTER = (AS_OF + timedelta(microseconds=1)).isoformat()

# the check, what is planted in the clean set, and exactly whom the check must name
PLANTED = [
    ("one_row_a_sample", "insert into judged_row from judged_row where sample_id in ('s03', 's04')", "s03 s04"),
    ("valid_label", "update judged_row set label = 'cow' where sample_id = 's05'", "s05"),
    ("valid_label", "update judged_row set label = null where sample_id in ('s06', 's07')", "s06 s07"),
    ("valid_label", "update judged_row set label = 'Crate' where sample_id = 's01'", "s01"),
    ("settled_before_as_of", f"update judged_row set settled_at = '{AFTER}' where sample_id = 's08'", "s08"),
    ("settled_before_as_of", "update judged_row set settled_at = null where sample_id = 's09'", "s09"),
    ("passed_lot", "update judged_row set lot_passed = false where sample_id in ('s51', 's52')", "s51 s52"),
    ("passed_lot", "update judged_row set lot_passed = null where sample_id = 's53'", "s53"),
    ("no_reserved_group", "update judged_row set is_reserved = true where recording_id = 'g3'",
     "s03 s13 s23 s33 s43 s53"),
    ("no_reserved_group", "update judged_row set is_reserved = null where sample_id = 's02'", "s02"),
    ("features_finite_one_length", "update judged_row set feature_length = null where sample_id = 's10'",
     "s10"),
    ("features_finite_one_length", "update judged_row set feature_length = 0 where sample_id = 's11'", "s11"),
    ("features_finite_one_length", "update judged_row set feature_length = 17 where sample_id = 's12'", "s12"),
    ("features_finite_one_length", "update judged_row set is_finite = false where sample_id = 's13'", "s13"),
    ("features_finite_one_length", "update judged_row set is_finite = null where sample_id = 's14'", "s14"),
    ("features_finite_one_length",
     "update judged_row set feature_length = null, is_finite = null where sample_id = 's15'", "s15"),
    ("no_near_duplicate", "insert into near_duplicate values ('s20'), ('s21')", "s20 s21"),
    ("near_duplicates_left_out",
     "insert into left_out values ('x1', 'near_duplicate'), ('x2', 'reserved_group')", "x1"),
    ("lots_open_left_out", "insert into left_out values ('x1', 'lot_open'), ('x2', 'reserved_group')", "x1"),
    ("complete_lineage", "update judged_row set lacks = 'recording' where sample_id in ('s03', 's04')", "s03 s04"),
    ("old_guideline_share",
     "update judged_row set guideline_sha256 = 'old' where sample_id between 's50' and 's56'",
     "s50 s51 s52 s53 s54 s55 s56"),
    ("old_guideline_share", "update judged_row set guideline_sha256 = null where sample_id >= 's53'",
     "s53 s54 s55 s56 s57 s58 s59"),
    ("recording_share", "update judged_row set recording_id = 'g3' where sample_id < 's05'",
     "s00 s01 s02 s03 s04 s13 s23 s33 s43 s53"),
    ("suspected_labels",
     "insert into suspected_row by name select sample_id from judged_row where sample_id < 's04'",
     "s00 s01 s02 s03"),
]  # fmt: skip


@pytest.mark.parametrize(("check_name", "planted", "offending"), PLANTED)
def test_a_planted_offence_fails_its_check_alone_and_names_its_samples(
    connection: DuckDBPyConnection, check_name: str, planted: str, offending: str
) -> None:
    connection.execute(planted)
    results, named = run(connection, builtin_suite(CLASSES))
    assert find_failed(results) == {check_name}
    assert named == {check_name: set(offending.split())}
    assert results[check_name].failing_count == len(offending.split())


# the check, what is planted, what the check says that it saw, and how many offences it counts
PLANTED_IN_WHOLE = [
    ("enough_rows_a_class", "delete from judged_row where label = 'ladder' and sample_id > 's20'",
     "ladder has 4; at least 10 are asked for", 1),
    ("enough_rows_a_class", "delete from judged_row where label = 'ladder' or sample_id < 's16'",
     "ladder has 0, animal has 8, crate has 9, foliage has 9, person has 9; at least 10 are asked for", 5),
    ("enough_rows_a_case", "update judged_row set case_names = ['other'] where sample_id in ('s50', 's49')",
     "other has 2 rows, 1 of them new, crouched-picker has 9 rows, 9 of them new; at least 10 are asked for", 2),
    ("class_shares_near_parent", "update parent_row set label = 'crate' where label != 'person'",
     "crate: 0.200, parent 0.800; 0.000 of it from rows added for crouched-picker, -0.600 unexplained", 1),
    ("class_shares_near_parent",
     "update parent_row set label = 'person'; update judged_row set added_for = null",
     "person: 0.200, parent 1.000", 1),
    ("class_shares_near_parent",
     "update judged_row set label = null where not is_new and label in ('crate', 'ladder')",
     "(none): 0.333, parent 0.000; -0.067 of it from rows added for crouched-picker, 0.400 unexplained", 1),
    ("growth_within_bounds",
     "insert into judged_row select judged_row.* replace (sample_id || '-' || n as sample_id) "
     "from judged_row cross join range(3) as more (n)",
     "240 rows; the parent has 60, so 54 to 180 are expected", 1),
    ("growth_within_bounds", "delete from judged_row where sample_id < 's07'",
     "53 rows; the parent has 60, so 54 to 180 are expected", 1),
    ("machine_label_share", "update judged_row set origin = 'machine' where sample_id < 's19'",
     "0.317 of the rows (19 of 60) have a label of origin machine; at most 0.300", 1),
    ("synthetic_label_share", "update judged_row set origin = 'synthetic' where sample_id < 's13'",
     "0.217 of the rows (13 of 60) have a label of origin synthetic; at most 0.200", 1),
    ("context_shift",
     "update slice_count set kept_count = 50 where value = 'cart-1'; "
     "update slice_count set kept_count = 5, parent_count = 40 where value = 'cart-2'",
     "unit_id: index 1.245; cart-2 0.091, parent 0.571; at most 0.250", 1),
    ("slices_never_trained", "update slice_count set known_count = 6 where value = 'cart-3'",
     "unit_id = cart-3 has 6 samples and no training row", 1),
]  # fmt: skip


@pytest.mark.parametrize(("check_name", "planted", "observed", "failing_count"), PLANTED_IN_WHOLE)
def test_an_offence_of_no_single_sample_is_told_in_words(
    connection: DuckDBPyConnection, check_name: str, planted: str, observed: str, failing_count: int
) -> None:
    connection.execute(planted)
    results, named = run(connection, builtin_suite(CLASSES))
    told = results[check_name]
    assert (told.passed, told.observed, told.failing_count) == (False, observed, failing_count)
    assert check_name not in named


def test_a_check_that_passes_says_what_it_saw(connection: DuckDBPyConnection) -> None:
    results, _ = run(connection, builtin_suite(CLASSES))
    told = {name: result.observed for name, result in results.items()}
    assert told["valid_label"] == "0 of 60 rows offend"
    assert told["complete_lineage"] == "no row offends"
    assert told["enough_rows_a_class"] == "the rarest, animal, has 12; at least 10 are asked for"
    assert told["enough_rows_a_case"] == "crouched-picker has 10 rows, 10 of them new; at least 10 are asked for"
    assert told["recording_share"] == '"g0" has 0.100 of the rows (6 of 60); at most 0.150'
    assert told["machine_label_share"] == (
        "0.000 of the rows (0 of 60) have a label of origin machine; at most 0.300"
    )
    assert told["suspected_labels"] == (
        "0.000 of the labels judged (0 of 60) are suspected to be wrong; at most 0.050"
    )
    assert told["slices_never_trained"] == "every value with more than 5 samples has training rows"


def test_a_set_enriched_on_purpose_names_its_explained_part_and_is_judged_by_the_rest(
    connection: DuckDBPyConnection,
) -> None:
    """40 people added for two cases: their share more than doubles, and nothing of that is unexplained."""
    connection.execute(
        "insert into judged_row select r.* replace (r.sample_id || n as sample_id, 'person' as label, "
        "case n when 0 then 'crouched-picker' else 'kneeling' end as added_for) "
        "from judged_row as r cross join range(4) as t (n) where r.is_new"
    )
    connection.execute("update judged_row set label = 'person' where is_new")
    results, _ = run(connection, builtin_suite(CLASSES))
    told = results["class_shares_near_parent"]
    assert (told.passed, told.observed) == (
        True,
        "person: 0.600, parent 0.200; 0.160 of it from rows added for crouched-picker, "
        "0.240 of it from rows added for kneeling, 0.000 unexplained",
    )
    connection.execute("update judged_row set added_for = null where added_for = 'kneeling'")
    results, _ = run(connection, builtin_suite(CLASSES))
    told = results["class_shares_near_parent"]
    assert (told.passed, told.observed) == (
        False,
        "person: 0.600, parent 0.200; 0.100 of it from rows added for crouched-picker, 0.300 unexplained",
    )


def test_shares_of_exactly_the_limit_pass(connection: DuckDBPyConnection) -> None:
    connection.execute("delete from parent_row")
    connection.execute(
        "insert into parent_row select 'p' || i, case when i < 4 then 'crate' when i < 6 then 'ladder' "
        "when i < 8 then 'foliage' else 'animal' end, null from range(10) as t (i)"
    )
    connection.execute("update judged_row set origin = 'machine' where sample_id < 's18'")
    connection.execute("update judged_row set origin = 'synthetic' where sample_id >= 's48'")
    connection.execute("update judged_row set guideline_sha256 = 'old' where sample_id >= 's54'")
    connection.execute(
        "insert into suspected_row by name select sample_id from judged_row where sample_id < 's03'"
    )
    results, _ = run(connection, builtin_suite(CLASSES))
    assert find_failed(results) == set()
    assert str(results["class_shares_near_parent"].observed).startswith(("crate: 0.200", "person: 0.200"))


@pytest.mark.parametrize("size", [1, 10, 1000])
def test_the_index_of_a_shift_is_that_of_the_statistics_and_more_than_chance_gives(
    connection: DuckDBPyConnection, size: int
) -> None:
    from tasks.statistics import population_stability_index

    kept, parent = [9 * size, 6 * size, 5 * size], [5 * size, 6 * size, 10 * size]
    connection.execute("delete from slice_count")
    for value, now, before in zip("abc", kept, parent, strict=True):
        connection.execute(
            "insert into slice_count values ('unit_id', $v, $n, $p, $n, $n)", {"v": value, "n": now, "p": before}
        )
    index = population_stability_index(parent, kept)
    results, _ = run(
        connection, builtin_suite(replace(CLASSES, limits=replace(LIMITS, context_shift_at_most=0.2)))
    )
    told = results["context_shift"]
    assert f"unit_id: index {index:.3f}; c 0.250, parent 0.476" in str(told.observed)
    assert told.passed == (size == 1), "twenty rows a side differ so much by chance"


def test_rare_values_are_judged_together(connection: DuckDBPyConnection) -> None:
    """Sixty values that one row each has now and none had before: no shift of a set of a thousand, by chance."""
    connection.execute("delete from slice_count")
    connection.execute(
        "insert into slice_count select 'unit_id', 'cart-' || i, 1, 0, 1, 1 from range(60) as t (i) "
        "union all select 'unit_id', 'old-cart', 940, 940, 940, 940 "
        "union all select 'unit_id', 'odd-cart-' || i, 0, 1, 0, 1 from range(60) as t (i)"
    )
    results, _ = run(connection, builtin_suite(CLASSES))
    assert results["context_shift"].passed
    assert "index 0.000" in str(results["context_shift"].observed)


def test_a_set_of_which_nothing_was_kept_is_no_pass(connection: DuckDBPyConnection) -> None:
    connection.execute("update slice_count set kept_count = 0")
    results, _ = run(connection, builtin_suite(CLASSES))
    assert not results["context_shift"].passed


def test_suspects_that_could_not_be_looked_for_are_no_pass(connection: DuckDBPyConnection) -> None:
    results, _ = run(connection, builtin_suite(replace(CLASSES, looked_at=0)))
    assert find_failed(results) == {"suspected_labels"}
    assert str(results["suspected_labels"].observed).startswith("no label could be judged")


def test_a_label_settled_at_the_very_moment_of_as_of_counts(connection: DuckDBPyConnection) -> None:
    connection.execute(f"update judged_row set settled_at = '{AS_OF.isoformat()}' where sample_id = 's08'")
    results, _ = run(connection, builtin_suite(CLASSES))
    assert find_failed(results) == set()


def test_without_an_audit_a_should_check_says_so(connection: DuckDBPyConnection) -> None:
    unaudited = Assembly("class", AS_OF, LABELS, parent_row_count=60, limits=LIMITS)
    results, named = run(connection, builtin_suite(unaudited))
    assert find_failed(results) == {"lots_unaudited"}
    assert results["lots_unaudited"].requirement == SHOULD
    assert "10 rows from label fixes" in str(results["lots_unaudited"].observed)
    assert named == {}
    connection.execute("update judged_row set fix_id = null")
    results, _ = run(connection, [check for check in builtin_suite(unaudited) if check.query == "lots_unaudited"])
    told = (results["lots_unaudited"].passed, results["lots_unaudited"].failing_count)
    assert told == (True, 0), "where no row is from a label fix no audit is missing"


def test_a_number_must_be_there_and_finite(connection: DuckDBPyConnection) -> None:
    values = {"s01": math.nan, "s02": math.inf, "s03": -math.inf, "s04": None}
    for sample_id, value in values.items():
        connection.execute(
            "update judged_row set label_value = $v where sample_id = $s", {"v": value, "s": sample_id}
        )
    connection.execute("update judged_row set label_value = -1.7e308 where sample_id = 's05'")
    results, named = run(connection, builtin_suite(NUMBERS))
    assert find_failed(results) == {"valid_label"}
    assert named == {"valid_label": set(values)}
    assert results["valid_label"].observed == (
        "4 of 60 rows offend: label_value is -inf (1), inf (1), nan (1) and others"
    )
