"""How a suite is run: in the owner's transaction, naming every offending sample, and never passing what broke."""

import gc
import os
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest
from duckdb import DuckDBPyConnection

from schemas.expectations import MUST, Assembly, Expectation, builtin_suite, expect_no_row
from schemas.settings import ChecksSettings
from tasks.errors import TurnrowError
from tasks.run_expectations import CheckResult, run_expectations

LABELS = ["animal", "crate", "foliage", "ladder", "person"]
LIMITS = ChecksSettings(rows_a_class_at_least=10, rows_a_case_at_least=10)
CLASSES = Assembly(
    "class", datetime(2026, 3, 1, tzinfo=UTC), LABELS, parent_row_count=60, is_audited=True, limits=LIMITS
)
CLEAN_SET = Path(__file__).with_name("clean_set.sql").read_text(encoding="utf-8")


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


def test_many_offences_at_once_are_all_named_on_file_and_lake(either: DuckDBPyConnection) -> None:
    """More than the twenty rows that the library itself lists, of a column and of a query."""
    either.execute("update judged_row set label = 'cow' where sample_id < 's45'")
    either.execute("update judged_row set is_finite = false where sample_id >= 's30'")
    results, named = run(either, builtin_suite(CLASSES))
    assert named["valid_label"] == {f"s{i:02d}" for i in range(45)}
    assert named["features_finite_one_length"] == {f"s{i:02d}" for i in range(30, 60)}
    assert results["valid_label"].observed == "45 of 60 rows offend: label is cow (45)"
    assert results["features_finite_one_length"].observed == (
        "0 without features, 30 not finite, 0 of another length"
    )


@pytest.mark.parametrize("label", ["it's", "50%", "a\\b", ":colon", "{brace}", "$1", '"quoted"', "größe 果樹"])
def test_a_label_may_hold_any_character(connection: DuckDBPyConnection, label: str) -> None:
    connection.execute("update judged_row set label = $l where sample_id < 's30'", {"l": label})
    check = Expectation(
        "odd_label", MUST, "expect_column_values_to_be_in_set", {"column": "label", "value_set": [label]}
    )
    results, named = run(connection, [check])
    assert named == {"odd_label": {f"s{i:02d}" for i in range(30, 60)}}
    assert results["odd_label"].failing_count == 30


def test_nulls_may_be_allowed(connection: DuckDBPyConnection) -> None:
    connection.execute("update judged_row set added_for = 'stranger' where sample_id = 's50'")
    arguments = {"column": "added_for", "value_set": ["crouched-picker"]}
    kind = "expect_column_values_to_be_in_set"
    suite = [
        Expectation("strict", MUST, kind, arguments),
        Expectation("lenient", MUST, kind, arguments, is_null_allowed=True),
    ]
    _, named = run(connection, suite)
    assert named == {"strict": {f"s{i:02d}" for i in range(51)}, "lenient": {"s50"}}


def test_a_column_without_any_value_is_no_pass(connection: DuckDBPyConnection) -> None:
    """The library calls a column of nulls a success, as no value contradicts it."""
    connection.execute("update judged_row set label = null")
    results, named = run(connection, builtin_suite(CLASSES))
    assert not results["valid_label"].passed
    assert len(named["valid_label"]) == 60


def test_a_users_own_check_names_the_rows_it_matches(either: DuckDBPyConnection) -> None:
    where = "label || ':x{}%' like '%rate:x{}\\%' escape '\\' and label_value >= 0"
    text = f"select sample_id from judged_row where {where};"
    results, named = run(either, [expect_no_row("no_crates", MUST, text)])
    assert named == {"no_crates": {f"s{i:02d}" for i in range(1, 60, 5)}}
    assert results["no_crates"] == CheckResult(
        "no_crates", MUST, passed=False, observed="12 rows offend", failing_count=12
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
    Expectation("broken", MUST, "unexpected_rows", {"missing": 1}, text="select sample_id from judged_row"),
    expect_no_row("broken", MUST, "select sample_id frm judged_row"),
    expect_no_row("broken", MUST, "select sample_id from judged_row where nowhere"),
    expect_no_row("broken", MUST, "select label from judged_row"),
    expect_no_row("broken", MUST, "select sample_id from judged_row where cast(label as integer) = 1"),
]


@pytest.mark.parametrize("broken", BROKEN, ids=range(len(BROKEN)))
def test_a_check_that_cannot_run_raises_by_name_and_is_no_pass(
    connection: DuckDBPyConnection, broken: Expectation
) -> None:
    connection.execute("update judged_row set label = 'cow' where sample_id = 's05'")
    sound = [check for check in builtin_suite(CLASSES) if check.check_name == "valid_label"]
    with pytest.raises(TurnrowError, match="check 'broken' could not run") as caught:
        run(connection, [*sound, broken])
    assert "\n" not in str(caught.value)
    assert connection.execute("from failed_row").fetchall() == [("valid_label", "s05")]
    results, _ = run(connection, sound)
    assert find_failed(results) == {"valid_label"}


def test_a_name_given_twice_is_refused(connection: DuckDBPyConnection) -> None:
    check = expect_no_row("twin", MUST, "select sample_id from judged_row where false")
    with pytest.raises(TurnrowError, match="two checks are named 'twin'"):
        run(connection, [check, check])


def test_the_owners_transaction_stays_the_owners(either: DuckDBPyConnection) -> None:
    either.execute("create table wh.main.kept (i integer)")
    either.execute("commit")
    either.execute("begin transaction")
    either.execute("insert into kept values (1)")
    either.execute("update judged_row set label = 'cow' where sample_id = 's05'")
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
    run_expectations(opened, "judged_row", builtin_suite(CLASSES), failures="failed_row")
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
opened.execute("update judged_row set label = null where sample_id < 's30'")
suite = builtin_suite(Assembly("class", datetime(2026, 3, 1, tzinfo=UTC), ["person"], parent_row_count=1))
results = run_expectations(opened, "judged_row", suite, failures="failed_row")
try:
    broken = Expectation("broken", "must", "expect_column_values_to_not_be_null", {{"column": "nowhere"}})
    run_expectations(opened, "judged_row", [broken], failures="failed_row")
except Exception:
    results.append(None)
sys.exit(0 if len(results) == 18 and not CALLS and not heavy else 7)
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
