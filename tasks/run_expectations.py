"""Runs a suite of expectations inside the database and names every offending sample."""

import logging
import os
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import duckdb

from schemas.expectations import UNEXPECTED_ROWS, Expectation
from schemas.sql_files import read_sql
from tasks.errors import TurnrowError

if TYPE_CHECKING:
    from great_expectations.core.expectation_validation_result import ExpectationValidationResult
    from great_expectations.datasource.fluent.interfaces import Batch

_NOT_NULL = "expect_column_values_to_not_be_null"
_MAP_FORMAT = {
    "result_format": "BOOLEAN_ONLY",
    "unexpected_index_column_names": ["sample_id"],
    "return_unexpected_index_query": True,
}
# The comment is for Great Expectations, which prints a warning about a query that lacks {batch}.
_VALUES_TOLD = 3
_OFFENDING = "select sample_id from offending_row where is_offending /* {batch} */"


@dataclass(frozen=True)
class CheckResult:
    """How one check ended.

    `failing_count` counts the offending samples, and each offence that no single sample is to blame for.
    """

    check_name: str
    requirement: str
    passed: bool
    observed: str | None
    failing_count: int


def run_expectations(
    connection: duckdb.DuckDBPyConnection,
    relation: str,
    expectations: Sequence[Expectation],
    *,
    failures: str,
) -> list[CheckResult]:
    """Check `relation` (a table, temp table or view with a `sample_id`), one result a check, in order.

    Everything runs on `connection`, within its transaction if it has one open. The temp table `failures`
    (check_name, sample_id; made where it is absent) holds every offending sample of every failed check, once.
    Raises `TurnrowError`, naming the check, for a check that could not run: that is never a pass.
    """
    _require_unique_names(expectations)
    with _quiet_library(), _checked_row(connection, relation), _open_batch(connection) as batch:
        connection.execute(
            f"create temp table if not exists {_quote(failures)} (check_name varchar, sample_id varchar)"
        )
        return [_run_check(connection, batch, expectation, failures) for expectation in expectations]


def _require_unique_names(expectations: Sequence[Expectation]) -> None:
    names = [expectation.check_name for expectation in expectations]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise TurnrowError(f"two checks are named {twice[0]!r}: rename one of them")


def _run_check(
    connection: duckdb.DuckDBPyConnection, batch: "Batch", expectation: Expectation, failures: str
) -> CheckResult:
    try:
        passed, observed = _judge(connection, batch, expectation)
        failing_count = _record_failures(connection, expectation.check_name, failures, passed=passed)
    except Exception as error:
        raise TurnrowError(
            f"check {expectation.check_name!r} could not run, so it counts as not passed: "
            f"{_first_line(error)}; correct the check and run again"
        ) from error
    return CheckResult(expectation.check_name, expectation.requirement, passed, observed, failing_count)


def _judge(
    connection: duckdb.DuckDBPyConnection, batch: "Batch", expectation: Expectation
) -> tuple[bool, str | None]:
    """Return whether the check passed and what it saw; leaves what offends in `offending_row`."""
    if expectation.kind == UNEXPECTED_ROWS:
        return _check_query(connection, batch, expectation)
    if _is_map(expectation.kind):
        return _check_column(connection, batch, expectation)
    return _check_table(connection, batch, expectation)


def _check_query(
    connection: duckdb.DuckDBPyConnection, batch: "Batch", expectation: Expectation
) -> tuple[bool, str]:
    """Keep the rows that the check's own query returns, and let the suite judge that there are none."""
    _keep_offending(connection, _query_text(expectation), expectation.arguments)
    result = _validate(batch, "unexpected_rows_expectation", {"unexpected_rows_query": _OFFENDING})
    row_count, observed = _fetch_one(
        connection, "select count(*) filter (where is_offending), min(observed) from offending_row"
    )
    return bool(result.success), observed or (f"{row_count} rows offend" if row_count else "no row offends")


def _check_column(
    connection: duckdb.DuckDBPyConnection, batch: "Batch", expectation: Expectation
) -> tuple[bool, str]:
    """Judge a column row by row; a null counts against it, unless it may be null."""
    parts = [(expectation.kind, expectation.arguments)]
    if "column" in expectation.arguments and not expectation.is_null_allowed:
        parts.append((_NOT_NULL, {"column": expectation.arguments["column"]}))
    results = [_validate(batch, kind, arguments, _MAP_FORMAT) for kind, arguments in parts]
    failed = [result for result in results if not result.success]
    queries = [str(result.result["unexpected_index_query"]).rstrip("; \n") for result in failed]
    _keep_offending(connection, _union(queries), {})
    (row_count,) = _fetch_one(connection, "select count(*) from offending_row")
    (total_count,) = _fetch_one(connection, "select count(*) from checked_row")
    values = _tell_values(connection, str(expectation.arguments["column"])) if failed else ""
    return not failed, f"{row_count} of {total_count} rows offend{values}"


def _tell_values(connection: duckdb.DuckDBPyConnection, column: str) -> str:
    """Say which values of a column the offending rows have, the most frequent first."""
    name = _quote(column)
    rows = connection.execute(
        f"select {name}::varchar as value, count(*) as row_count from checked_row semi join offending_row "
        f"using (sample_id) group by {name} order by row_count desc, value limit {_VALUES_TOLD + 1}"
    ).fetchall()
    told = [f"{'null' if value is None else value} ({count})" for value, count in rows[:_VALUES_TOLD]]
    return f": {column} is {', '.join(told)}{' and others' if len(rows) > _VALUES_TOLD else ''}"


def _check_table(
    connection: duckdb.DuckDBPyConnection, batch: "Batch", expectation: Expectation
) -> tuple[bool, str | None]:
    """Judge a figure of the whole relation; a failure is one offence, and no sample's."""
    result = _validate(batch, expectation.kind, expectation.arguments, {"result_format": "BASIC"})
    _keep_offending(connection, "select null::varchar as sample_id", {})
    observed = result.result.get("observed_value")
    return bool(result.success), None if observed is None else expectation.told.format(observed)


def _union(queries: Sequence[str]) -> str:
    if not queries:
        return "select null::varchar as sample_id where false"
    return " union all ".join(f"select sample_id from ({query}\n)" for query in queries)


def _query_text(expectation: Expectation) -> str:
    if expectation.text is not None:
        return expectation.text.rstrip("; \n")
    if expectation.query is not None:
        return read_sql(f"checks/{expectation.query}")
    raise TurnrowError("it has neither a query nor a text")


def _keep_offending(connection: duckdb.DuckDBPyConnection, query: str, arguments: Mapping[str, object]) -> None:
    """Run a query once and keep its rows as the temp table `offending_row` (sample_id, observed, is_offending).

    A row offends unless the query says that it does not: a null in `is_offending` is no pass.
    """
    bound = dict(arguments)
    head = connection.execute(f"select * from ({query}\n) limit 0", bound).description or []
    names = {str(column[0]) for column in head}
    if "sample_id" not in names:
        raise TurnrowError("its query returns no column sample_id")
    observed = "observed::varchar" if "observed" in names else "null::varchar"
    offends = "coalesce(is_offending::boolean, true)" if "is_offending" in names else "true"
    connection.execute(
        "create or replace temp table offending_row as select sample_id::varchar as sample_id, "
        f"{observed} as observed, {offends} as is_offending from ({query}\n)",
        bound,
    )


def _record_failures(
    connection: duckdb.DuckDBPyConnection, check_name: str, failures: str, *, passed: bool
) -> int:
    """Replace what `failures` holds of a check by its offending samples; return the count of offences."""
    kept = f"temp.main.{_quote(failures)}"
    bound = {"check_name": check_name}
    connection.execute(f"delete from {kept} where check_name = $check_name", bound)
    if passed:
        return 0
    connection.execute(
        f"insert into {kept} (check_name, sample_id) "
        "select distinct $check_name, sample_id from offending_row where is_offending and sample_id is not null",
        bound,
    )
    (failing_count,) = _fetch_one(
        connection,
        "select count(distinct sample_id) + count(*) filter (where sample_id is null) "
        "from offending_row where is_offending",
    )
    return max(1, int(failing_count))


def _fetch_one(connection: duckdb.DuckDBPyConnection, statement: str) -> tuple[Any, ...]:
    row = connection.execute(statement).fetchone()
    return row if row is not None else ()


@contextmanager
def _checked_row(connection: duckdb.DuckDBPyConnection, relation: str) -> Iterator[None]:
    """Offer the relation under one plain name for as long as it is checked."""
    connection.execute(f"create or replace temp view checked_row as select * from {_quote(relation)}")
    try:
        yield
    finally:
        # In a transaction that an error has aborted nothing can be dropped; its rollback does it.
        with suppress(duckdb.Error):
            connection.execute("drop view if exists temp.main.checked_row")
            connection.execute("drop table if exists temp.main.offending_row")


@contextmanager
def _open_batch(connection: duckdb.DuckDBPyConnection) -> Iterator["Batch"]:
    """Open `checked_row` in Great Expectations: nothing is copied, written to disk or sent anywhere."""
    import great_expectations
    from great_expectations.data_context.types import base

    from tasks.share_connection import URL, share_connection

    # Without the docs site: nobody reads it, and its folder would be made on disk.
    in_memory = base.InMemoryStoreBackendDefaults(init_temp_docs_sites=False)
    config = base.DataContextConfig(
        store_backend_defaults=in_memory,
        progress_bars=base.ProgressBarsConfig(globally=False),
        analytics_enabled=False,
    )
    context = great_expectations.get_context(mode="ephemeral", project_config=config)
    with share_connection(connection) as shared:
        source = context.data_sources.add_sql(
            "warehouse",
            connection_string=URL,
            create_temp_table=False,
            kwargs=shared,  # type: ignore[call-arg]  # missing in the library's stub
        )
        asset = source.add_table_asset("checked_row", table_name="checked_row")
        yield asset.add_batch_definition_whole_table("all").get_batch()


def _validate(
    batch: "Batch", kind: str, arguments: Mapping[str, Any], result_format: Mapping[str, Any] | None = None
) -> "ExpectationValidationResult":
    """Validate one expectation; one at a time, so that an error is its own and not its neighbour's."""
    from great_expectations.expectations.registry import get_expectation_impl

    expectation = get_expectation_impl(kind)(**arguments)
    chosen = dict(result_format or {"result_format": "BASIC"})
    result = batch.validate(expectation, result_format=chosen)
    _raise_caught(result.exception_info)
    return result


def _raise_caught(exception_info: Mapping[str, Any]) -> None:
    """Raise what the library caught: it reports a check that broke as one that merely failed."""
    nested = [value for value in exception_info.values() if isinstance(value, Mapping)]
    for info in [exception_info, *nested]:
        if info.get("raised_exception"):
            raise TurnrowError(str(info.get("exception_message")))


def _is_map(kind: str) -> bool:
    from great_expectations.expectations import expectation as base
    from great_expectations.expectations.registry import get_expectation_impl

    maps = (base.ColumnMapExpectation, base.ColumnPairMapExpectation, base.MulticolumnMapExpectation)
    return issubclass(get_expectation_impl(kind), maps)


@contextmanager
def _quiet_library() -> Iterator[None]:
    """Keep the library's usage reports, log lines and warnings from whoever runs the step."""
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    logger = logging.getLogger("great_expectations")
    sink = logging.NullHandler()
    logger.addHandler(sink)
    logger.propagate = False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.propagate = True
        logger.removeHandler(sink)


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".;")


def _quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
