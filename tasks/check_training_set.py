"""The checks of a training set that is being assembled: what they read is made, then they are run."""

from collections.abc import Sequence

import duckdb

from schemas.expectations import Assembly, Expectation, builtin_suite, expect_no_row
from schemas.settings import AttributeSettings, CheckSettings
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression, list_columns
from tasks.plan_composition import Composition, Moment
from tasks.record_definitions import read_guideline
from tasks.run_expectations import CheckResult, run_expectations
from tasks.warehouse import Warehouse, show_as_of

_NO_GUIDELINE = ""  # no label was ever decided under it
_OF_THE_TRUTH = {"truth", "truth_value"}


def check_training_set(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    composition: Composition,
    parent_version: str | None,
    moment: Moment,
    *,
    is_past: bool,
) -> list[CheckResult]:
    """Check the temp table `assembled` as of its moment, and name every offending sample.

    They go into the temp table `failing_row`. `is_past` says that the moment was asked for, and is not simply now.
    Raises `TurnrowError`, naming the check or the slice, for what could not run: that is never a pass.
    """
    connection = warehouse.connection
    with show_as_of(warehouse, moment.as_of):
        _make_judged_rows(connection, composition, parent_version)
        _count_slices(connection, attribute)
        connection.execute("create or replace temp table failing_row (check_name varchar, sample_id varchar)")
        assembly = Assembly(
            kind=attribute.kind,
            as_of=moment.as_of,
            labels=attribute.labels,
            slices=attribute.slices,
            parent_row_count=_count_parent(connection, parent_version),
            is_audited=composition.is_audited,
            guideline_sha256=_find_guideline(warehouse, attribute, is_past=is_past),
            looked_at=_find_suspects(warehouse, attribute, composition.feature_space),
            limits=warehouse.loop.settings.checks,
        )
        own = [check for check in warehouse.loop.settings.check if check.attribute == attribute.name]
        suite = [*builtin_suite(assembly), *_read_user_checks(connection, own)]
        return run_expectations(connection, "judged_row", suite, failures="failing_row")


def _make_judged_rows(
    connection: duckdb.DuckDBPyConnection, composition: Composition, parent_version: str | None
) -> None:
    """Make the temp tables `parent_row` and `judged_row`, and the view `training_row` that users' checks read."""
    place = {"attribute": composition.attribute}
    renames = composition.was
    if renames is None:
        renames = dict(connection.execute(read_sql("assemble/read_renames"), place).fetchall())
    connection.execute(
        read_sql("judge/parent_row"),
        {
            "parent_version": parent_version,
            "old_labels": list(renames),
            "present_labels": list(renames.values()),
        },
    )
    connection.execute(read_sql("judge/judged_row"), place)
    connection.execute(read_sql("assemble/training_row"))


def _count_slices(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    """Make the temp table `slice_count`: one row per slice expression and value, its samples and rows counted."""
    connection.execute(
        "create or replace temp table slice_count (slice varchar, value varchar, kept_count bigint, "
        "parent_count bigint, row_count bigint, known_count bigint)"
    )
    if attribute.slices:
        connection.execute(read_sql("judge/sliced_row"))
    for expression in attribute.slices:
        origin = f"turnrow.toml, attribute.{attribute.name}.slices"
        check_expression(connection, expression, relation="current_sample", origin=origin, must_be_boolean=False)
        connection.execute(
            "create or replace temp view valued_row as "
            f"select *, cast(({expression}\n) as varchar) as slice_value from sliced_row"
        )
        # Only training rows have a truth here: by it nothing can be told of the other samples.
        is_of_all = not list_columns(connection, expression) & _OF_THE_TRUTH
        with blame_expression(origin):
            connection.execute(
                read_sql("judge/insert_slice_counts"),
                {"slice": expression, "attribute": attribute.name, "is_of_all": is_of_all},
            )


def _find_suspects(warehouse: Warehouse, attribute: AttributeSettings, feature_space: str) -> int | None:
    """Make the temp table `suspected_row`; return how many labels were judged, or None where nobody looked."""
    from tasks.find_suspects import find_suspects, make_suspect_tables

    settings = warehouse.loop.settings
    if not settings.checks.look_for_suspects:
        make_suspect_tables(warehouse.connection)
        return None
    return find_suspects(warehouse.connection, attribute, feature_space, threads=settings.warehouse.threads)


def _find_guideline(warehouse: Warehouse, attribute: AttributeSettings, *, is_past: bool) -> str | None:
    """Return the hash of the guideline in force, or None for an attribute without one.

    Of a past moment it is that of the latest question asked by then; the file only tells today's. A guideline
    that is named and not there is one under which no label was decided.
    """
    if not attribute.guideline:
        return None
    row = None
    if is_past:
        row = warehouse.connection.execute(
            read_sql("judge/past_guideline"), {"attribute": attribute.name}
        ).fetchone()
    return str(row[0]) if row else read_guideline(warehouse.loop, attribute) or _NO_GUIDELINE


def _count_parent(connection: duckdb.DuckDBPyConnection, parent_version: str | None) -> int | None:
    row = connection.execute(
        "select row_count from training_set where version = $version", {"version": parent_version}
    ).fetchone()
    return int(row[0]) if row else None


def _read_user_checks(connection: duckdb.DuckDBPyConnection, checks: Sequence[CheckSettings]) -> list[Expectation]:
    suite = []
    for check in checks:
        origin = f"turnrow.toml, check.{check.name}.where"
        check_expression(connection, check.where, relation="training_row", origin=origin)
        text = f"select sample_id from training_row where ({check.where}\n)"
        suite.append(expect_no_row(check.name, check.requirement, text))
    return suite
