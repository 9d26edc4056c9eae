"""The quality suite: what each check lets through, what it stops, and whom it names. All data is invented."""

import gc
import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pytest
from duckdb import DuckDBPyConnection

from schemas.expectations import (
    MUST,
    SHOULD,
    Assembly,
    Expectation,
    SuiteLimits,
    builtin_suite,
    expect_no_row,
)
from tasks.errors import TurnrowError
from tasks.loop import Loop
from tasks.run_expectations import CheckResult, run_expectations
from tasks.warehouse import open_warehouse

MakeLoop = Callable[..., Loop]
AS_OF = datetime(2026, 3, 1, 6, 30, 0, 123457, tzinfo=UTC)
LABELS = ["animal", "crate", "foliage", "ladder", "person"]
LIMITS = SuiteLimits(rows_a_class_at_least=10, share_difference_at_most=0.2)
CLASSES = Assembly("class", AS_OF, LABELS, parent_row_count=60, is_audited=True, limits=LIMITS)
NUMBERS = Assembly("number", AS_OF, parent_row_count=60, is_audited=True, limits=LIMITS)
LAKE = '[warehouse]\nlocation = "ducklake:lake.ducklake"\n[attribute.obstacle]\nlabels = ["person", "crate"]\n'

CLEAN_SET = """
create or replace temp table assembled as
select
    format('s{:02d}', i) as sample_id,
    format('g{}', i % 10) as group_id,
    format('r{:02d}', i) as revision_id,
    (['animal', 'crate', 'foliage', 'ladder', 'person'])[i % 5 + 1] as label,
    i / 10.0::double as label_value,
    'person' as origin,
    timestamptz '2026-02-01 00:00:00+00' as decided_at,
    timestamptz '2026-02-02 00:00:00+00' as settled_at,
    1.0::double as weight,
    case when i < 50 then 'base' else 'fixed' end as reason,
    case when i >= 50 then format('f{:02d}', i) end as fix_id,
    case when i >= 50 then 'crouched-picker' end as case_name,
    case when i >= 50 then format('p{:02d}', i) end as prediction_id,
    16 as feature_length,
    true as is_finite,
    false as is_reserved,
    true as lot_passed
from range(60) as rows (i);
create or replace temp table near_duplicate (sample_id varchar);
create or replace temp table left_out (sample_id varchar, why varchar);
create or replace temp table parent_share as
select label, count(*) / sum(count(*)) over () as share from assembled group by label;
"""


@pytest.fixture(params=["file", "lake"])
def either(request: pytest.FixtureRequest, make_file_loop: Callable[..., Loop]) -> Iterator[DuckDBPyConnection]:
    """A connection that uses an attached warehouse of either kind and holds a clean set."""
    loop = make_file_loop() if request.param == "file" else make_file_loop(LAKE)
    with open_warehouse(loop, write=True) as warehouse:
        warehouse.connection.execute(CLEAN_SET)
        yield warehouse.connection


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[DuckDBPyConnection]:
    """A bare connection, used as the steps use theirs: in memory, a file attached and in use."""
    with duckdb.connect() as opened:
        opened.execute("set TimeZone = 'UTC'")
        opened.execute(f"attach '{tmp_path / 'warehouse.duckdb'}' as wh; use wh")
        opened.execute(CLEAN_SET)
        yield opened


def run(
    connection: DuckDBPyConnection, suite: Sequence[Expectation]
) -> tuple[dict[str, CheckResult], dict[str, set[str]]]:
    results = run_expectations(connection, "assembled", suite, failures="failed_row")
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
    }
    first = {check.check_name for check in builtin_suite(Assembly("class", AS_OF, LABELS, is_audited=True))}
    assert set(suite) - first == {"class_shares_near_parent", "growth_within_bounds"}


AFTER = (AS_OF + timedelta(microseconds=1)).isoformat()

# the check, what is planted in the clean set, and exactly whom the check must name
PLANTED = [
    ("one_row_a_sample", "insert into assembled from assembled where sample_id in ('s03', 's04')", "s03 s04"),
    ("valid_label", "update assembled set label = 'cow' where sample_id = 's05'", "s05"),
    ("valid_label", "update assembled set label = null where sample_id in ('s06', 's07')", "s06 s07"),
    ("valid_label", "update assembled set label = 'Crate' where sample_id = 's01'", "s01"),
    ("settled_before_as_of", f"update assembled set settled_at = '{AFTER}' where sample_id = 's08'", "s08"),
    ("settled_before_as_of", "update assembled set settled_at = null where sample_id = 's09'", "s09"),
    ("passed_lot", "update assembled set lot_passed = false where sample_id in ('s51', 's52')", "s51 s52"),
    ("passed_lot", "update assembled set lot_passed = null where sample_id = 's53'", "s53"),
    ("no_reserved_group", "update assembled set is_reserved = true where group_id = 'g3'",
     "s03 s13 s23 s33 s43 s53"),
    ("no_reserved_group", "update assembled set is_reserved = null where sample_id = 's02'", "s02"),
    ("features_finite_one_length", "update assembled set feature_length = null where sample_id = 's10'",
     "s10"),
    ("features_finite_one_length", "update assembled set feature_length = 0 where sample_id = 's11'", "s11"),
    ("features_finite_one_length", "update assembled set feature_length = 17 where sample_id = 's12'", "s12"),
    ("features_finite_one_length", "update assembled set is_finite = false where sample_id = 's13'", "s13"),
    ("features_finite_one_length", "update assembled set is_finite = null where sample_id = 's14'", "s14"),
    ("features_finite_one_length",
     "update assembled set feature_length = null, is_finite = null where sample_id = 's15'", "s15"),
    ("no_near_duplicate", "insert into near_duplicate values ('s20'), ('s21')", "s20 s21"),
    ("near_duplicates_left_out",
     "insert into left_out values ('x1', 'near_duplicate'), ('x2', 'reserved_group')", "x1"),
    ("lots_open_left_out", "insert into left_out values ('x1', 'lot_open'), ('x2', 'reserved_group')", "x1"),
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
    ("enough_rows_a_class", "delete from assembled where label = 'ladder' and sample_id > 's20'",
     "ladder has 4", 1),
    ("enough_rows_a_class", "delete from assembled where label = 'ladder' or sample_id < 's16'",
     "ladder has 0, crate has 9, foliage has 9, person has 9, animal has 8", 5),
    ("class_shares_near_parent",
     "update parent_share set share = case label when 'crate' then 0.8 when 'person' then 0.2 else 0 end",
     "crate: 0.200, parent 0.800", 1),
    ("class_shares_near_parent",
     "delete from parent_share where label != 'person'; update parent_share set share = 1",
     "person: 0.200, parent 1.000", 1),
    ("growth_within_bounds",
     "insert into assembled select assembled.* replace (sample_id || '-' || n as sample_id) "
     "from assembled cross join range(3) as more (n)", "240", 1),
]  # fmt: skip


@pytest.mark.parametrize(("check_name", "planted", "observed", "failing_count"), PLANTED_IN_WHOLE)
def test_an_offence_of_no_single_sample_is_told_in_words(
    connection: DuckDBPyConnection, check_name: str, planted: str, observed: str, failing_count: int
) -> None:
    connection.execute(planted)
    results, named = run(connection, builtin_suite(CLASSES))
    told = results[check_name]
    assert (told.passed, told.failing_count) == (False, failing_count)
    assert sorted(str(told.observed).split(", ")) == sorted(observed.split(", "))
    assert check_name not in named


def test_a_difference_of_exactly_the_limit_passes(connection: DuckDBPyConnection) -> None:
    connection.execute(
        "update parent_share set share = case label when 'crate' then 0.4 when 'person' then 0.0 else 0.2 end"
    )
    results, _ = run(connection, builtin_suite(CLASSES))
    assert find_failed(results) == set()


def test_a_label_settled_at_the_very_moment_of_as_of_counts(connection: DuckDBPyConnection) -> None:
    connection.execute(f"update assembled set settled_at = '{AS_OF.isoformat()}' where sample_id = 's08'")
    results, _ = run(connection, builtin_suite(CLASSES))
    assert find_failed(results) == set()


def test_without_an_audit_a_should_check_says_so(connection: DuckDBPyConnection) -> None:
    unaudited = Assembly("class", AS_OF, LABELS, parent_row_count=60, limits=LIMITS)
    results, named = run(connection, builtin_suite(unaudited))
    assert find_failed(results) == {"lots_unaudited"}
    assert results["lots_unaudited"].requirement == SHOULD
    assert "10 rows from label fixes" in str(results["lots_unaudited"].observed)
    assert named == {}


def test_a_number_must_be_there_and_finite(connection: DuckDBPyConnection) -> None:
    values = {"s01": math.nan, "s02": math.inf, "s03": -math.inf, "s04": None}
    for sample_id, value in values.items():
        connection.execute(
            "update assembled set label_value = $v where sample_id = $s", {"v": value, "s": sample_id}
        )
    connection.execute("update assembled set label_value = -1.7e308 where sample_id = 's05'")
    results, named = run(connection, builtin_suite(NUMBERS))
    assert find_failed(results) == {"valid_label"}
    assert named == {"valid_label": set(values)}
    assert results["valid_label"].observed == "4 of 60 rows"


def test_many_offences_at_once_are_all_named_on_file_and_lake(either: DuckDBPyConnection) -> None:
    """More than the twenty rows that the library itself lists, of a column and of a query."""
    either.execute("update assembled set label = 'cow' where sample_id < 's45'")
    either.execute("update assembled set is_finite = false where sample_id >= 's30'")
    results, named = run(either, builtin_suite(CLASSES))
    assert named["valid_label"] == {f"s{i:02d}" for i in range(45)}
    assert named["features_finite_one_length"] == {f"s{i:02d}" for i in range(30, 60)}
    assert results["valid_label"].observed == "45 of 60 rows"
    assert results["features_finite_one_length"].observed == (
        "0 without features, 30 not finite, 0 of another length"
    )


@pytest.mark.parametrize("label", ["it's", "50%", "a\\b", ":colon", "{brace}", "$1", '"quoted"', "größe 果樹"])
def test_a_label_may_hold_any_character(connection: DuckDBPyConnection, label: str) -> None:
    connection.execute("update assembled set label = $l where sample_id < 's30'", {"l": label})
    check = Expectation(
        "odd_label", MUST, "expect_column_values_to_be_in_set", {"column": "label", "value_set": [label]}
    )
    results, named = run(connection, [check])
    assert named == {"odd_label": {f"s{i:02d}" for i in range(30, 60)}}
    assert results["odd_label"].failing_count == 30


def test_nulls_may_be_allowed(connection: DuckDBPyConnection) -> None:
    connection.execute("update assembled set case_name = 'stranger' where sample_id = 's50'")
    arguments = {"column": "case_name", "value_set": ["crouched-picker"]}
    kind = "expect_column_values_to_be_in_set"
    suite = [
        Expectation("strict", MUST, kind, arguments),
        Expectation("lenient", MUST, kind, arguments, is_null_allowed=True),
    ]
    _, named = run(connection, suite)
    assert named == {"strict": {f"s{i:02d}" for i in range(51)}, "lenient": {"s50"}}


def test_a_column_without_any_value_is_no_pass(connection: DuckDBPyConnection) -> None:
    """The library calls a column of nulls a success, as no value contradicts it."""
    connection.execute("update assembled set label = null")
    results, named = run(connection, builtin_suite(CLASSES))
    assert not results["valid_label"].passed
    assert len(named["valid_label"]) == 60


def test_a_users_own_check_names_the_rows_it_matches(either: DuckDBPyConnection) -> None:
    where = "label || ':x{}%' like '%rate:x{}\\%' escape '\\' and weight > 0.5"
    text = f"select sample_id from assembled where {where};"
    results, named = run(either, [expect_no_row("no_crates", MUST, text)])
    assert named == {"no_crates": {f"s{i:02d}" for i in range(1, 60, 5)}}
    assert results["no_crates"] == CheckResult(
        "no_crates", MUST, passed=False, observed="12 rows", failing_count=12
    )


def test_a_view_is_checked_like_a_table(connection: DuckDBPyConnection) -> None:
    connection.execute("create view kept as select * from range(3) as rows (i)")
    connection.execute(
        "create or replace view wh.main.kept as select 's' || i as sample_id, i from range(3) as rows (i)"
    )
    check = Expectation("small", MUST, "expect_column_values_to_be_between", {"column": "i", "max_value": 1})
    (result,) = run_expectations(connection, "kept", [check], failures="failed_row")
    assert (result.passed, result.failing_count) == (False, 1)
    assert connection.execute("from failed_row").fetchall() == [("small", "s2")]


BETWEEN = "expect_column_values_to_be_between"
BROKEN = [
    Expectation("broken", MUST, "expect_column_values_to_not_be_null", {"column": "nowhere"}),
    Expectation("broken", MUST, BETWEEN, {"column": "label", "min_value": 1}),
    Expectation("broken", MUST, BETWEEN, {"column": "feature_length"}),
    Expectation("broken", MUST, BETWEEN, {"column": "feature_length", "max": 1}),
    Expectation("broken", MUST, "expect_the_unheard_of", {}),
    Expectation("broken", MUST, "unexpected_rows", {}),
    Expectation("broken", MUST, "unexpected_rows", {"missing": 1}, text="select sample_id from assembled"),
    expect_no_row("broken", MUST, "select sample_id frm assembled"),
    expect_no_row("broken", MUST, "select sample_id from assembled where nowhere"),
    expect_no_row("broken", MUST, "select group_id from assembled"),
    expect_no_row("broken", MUST, "select sample_id from assembled where cast(label as integer) = 1"),
]


@pytest.mark.parametrize("broken", BROKEN, ids=range(len(BROKEN)))
def test_a_check_that_cannot_run_raises_by_name_and_is_no_pass(
    connection: DuckDBPyConnection, broken: Expectation
) -> None:
    connection.execute("update assembled set label = 'cow' where sample_id = 's05'")
    sound = [check for check in builtin_suite(CLASSES) if check.check_name == "valid_label"]
    with pytest.raises(TurnrowError, match="check 'broken' could not run") as caught:
        run(connection, [*sound, broken])
    assert "\n" not in str(caught.value)
    assert connection.execute("from failed_row").fetchall() == [("valid_label", "s05")]
    results, _ = run(connection, sound)
    assert find_failed(results) == {"valid_label"}


def test_a_name_given_twice_is_refused(connection: DuckDBPyConnection) -> None:
    check = expect_no_row("twin", MUST, "select sample_id from assembled where false")
    with pytest.raises(TurnrowError, match="two checks are named 'twin'"):
        run(connection, [check, check])


def test_the_owners_transaction_stays_the_owners(either: DuckDBPyConnection) -> None:
    either.execute("create table wh.main.kept (i integer)")
    either.execute("commit")
    either.execute("begin transaction")
    either.execute("insert into kept values (1)")
    either.execute("update assembled set label = 'cow' where sample_id = 's05'")
    _, named = run(either, builtin_suite(CLASSES))
    assert named == {"valid_label": {"s05"}}
    either.execute("rollback")
    either.execute("begin transaction")
    assert either.execute("select count(*) from kept").fetchone() == (0,)
    assert run(either, builtin_suite(CLASSES))[1] == {}


def test_failures_are_added_to_the_callers_temp_table_and_to_no_table_of_that_name(
    connection: DuckDBPyConnection,
) -> None:
    connection.execute("create table wh.main.failed_row (check_name varchar, sample_id varchar)")
    connection.execute("create temp table failed_row as select 'earlier' as check_name, 's00' as sample_id")
    connection.execute("insert into near_duplicate values ('s20')")
    _, named = run(connection, builtin_suite(CLASSES))
    assert named == {"earlier": {"s00"}, "no_near_duplicate": {"s20"}}
    assert connection.execute("select count(*) from wh.main.failed_row").fetchone() == (0,)


def test_nothing_is_left_on_the_connection_and_the_file_is_free_when_it_goes(tmp_path: Path) -> None:
    file = tmp_path / "warehouse.duckdb"
    opened = duckdb.connect(str(file))
    opened.execute(CLEAN_SET)
    before = set(opened.execute("select name from (show all tables)").fetchall())
    run_expectations(opened, "assembled", builtin_suite(CLASSES), failures="failed_row")
    after = set(opened.execute("select name from (show all tables)").fetchall())
    assert after - before == {("failed_row",)}
    del opened
    gc.collect()
    script = f"import duckdb; duckdb.connect({str(file)!r}).execute('create table free (i integer)')"
    subprocess.run([sys.executable, "-c", script], check=True, timeout=60)


QUIET = f"""
import socket, sys
CALLS = []
sys.addaudithook(lambda event, _: CALLS.append(event) if event in
    ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto") else None)
from datetime import UTC, datetime
import duckdb
from schemas.expectations import Assembly, Expectation, builtin_suite
from tasks.run_expectations import run_expectations
heavy = {{"great_expectations", "sqlalchemy", "pandas"}} & set(sys.modules)
opened = duckdb.connect()
opened.execute({CLEAN_SET!r})
opened.execute("update assembled set label = null where sample_id < 's30'")
suite = builtin_suite(Assembly("class", datetime(2026, 3, 1, tzinfo=UTC), ["person"], parent_row_count=1))
results = run_expectations(opened, "assembled", suite, failures="failed_row")
try:
    broken = Expectation("broken", "must", "expect_column_values_to_not_be_null", {{"column": "nowhere"}})
    run_expectations(opened, "assembled", [broken], failures="failed_row")
except Exception:
    results.append(None)
sys.exit(0 if len(results) == 13 and not CALLS and not heavy else 7)
"""


def test_a_run_prints_nothing_calls_nobody_leaves_no_file_and_loads_late(tmp_path: Path) -> None:
    """The usage reports are switched off; Python's own sockets are watched, in a process of its own."""
    folder = tmp_path / "home"
    folder.mkdir()
    environment = {
        "PATH": os.environ["PATH"],
        "PYTHONPATH": os.pathsep.join(sys.path),
        "PYTHONDONTWRITEBYTECODE": "1",
        "HOME": str(folder),
        "TMPDIR": str(folder),
    }
    done = subprocess.run(
        [sys.executable, "-c", QUIET],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert list(folder.iterdir()) == []
