"""`assemble`: a new training-set version, checked; or the one that holds exactly the same already."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.expectations import Assembly, Expectation, builtin_suite, expect_no_row
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.check_expression import check_expression
from tasks.compose_rows import Composition, Moment, compose_rows, plan_composition
from tasks.digest_rows import digest_rows
from tasks.errors import NotYetError
from tasks.find_names import find_attribute
from tasks.group_samples import refuse_changed_groups
from tasks.loop import Loop
from tasks.record_run import record_run
from tasks.refuse_unbuilt import refuse_restrictions
from tasks.run_expectations import CheckResult, run_expectations
from tasks.warehouse import Warehouse, open_warehouse, show_as_of


@dataclass(frozen=True)
class AssembleSummary:
    """A version as it stands; `version` is None in a dry run.

    `left_out`: rows too near a hold-out sample; `lot_open`: those whose label is in no lot that passed an audit.
    """

    version: str | None
    state: str
    row_count: int
    left_out: int
    rows_by_reason: dict[str, int]
    checks: tuple[CheckResult, ...]
    is_new: bool
    lot_open: int = 0


@dataclass(frozen=True)
class _Draft:
    composition: Composition
    parent_version: str | None
    moment: Moment
    is_past: bool
    digest: str
    checks: tuple[CheckResult, ...]

    @property
    def state(self) -> str:
        is_bad = any(check.requirement == "must" and not check.passed for check in self.checks)
        return "failed" if is_bad else "passed"


def assemble_training_set(
    loop: Loop, attribute_name: str, *, as_of: datetime | None = None, is_dry_run: bool = False
) -> AssembleSummary:
    """Compose, check and store a version; a version that fails a `must` stays, marked `failed`.

    `as_of` is by default the latest step's moment. Raises NotYetError where there is no row to train on,
    UnknownNameError for an unknown attribute, InputError for an `as_of` in the future.
    """
    started_at = loop.clock()
    attribute = find_attribute(loop, attribute_name)
    with open_warehouse(loop, write=not is_dry_run) as warehouse:
        draft = _draft(warehouse, attribute, as_of)
        if is_dry_run:
            return _summarise(warehouse.connection, draft, None, is_new=False)

        def insert(known_at: datetime) -> AssembleSummary:
            connection = warehouse.connection
            version, is_new = _find_or_insert(connection, draft, known_at)
            summary = _summarise(connection, draft, version, is_new=is_new)
            record_run(
                connection,
                "assemble",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"attribute": attribute.name},
                counts={"version": version, "rows": summary.row_count, "left_out": summary.left_out},
            )
            return summary

        return warehouse.write(insert)


def _draft(warehouse: Warehouse, attribute: AttributeSettings, as_of: datetime | None) -> _Draft:
    refuse_restrictions(warehouse.loop.settings)
    refuse_changed_groups(warehouse.connection, attribute)
    latest = warehouse.read_clock()
    moment = Moment(as_of or latest, latest)
    parent_version, has_incumbent = _read_parent(warehouse, attribute.name, moment.as_of)
    composition = plan_composition(
        warehouse.loop.settings, attribute, has_parent=parent_version is not None, has_incumbent=has_incumbent
    )
    compose_rows(warehouse, attribute, composition, parent_version, moment)
    connection = warehouse.connection
    if _count(connection, "assembled") == 0:
        raise NotYetError(_tell_empty(connection, composition))
    checks = _check(warehouse, attribute, composition, parent_version, moment)
    digest = digest_rows(connection, composition.feature_space)
    return _Draft(composition, parent_version, moment, as_of is not None, digest, tuple(checks))


def _tell_empty(connection: duckdb.DuckDBPyConnection, composition: Composition) -> str:
    unaudited = _count_lot_open(connection)
    if unaudited:
        return (
            f"{composition.attribute}: no label is from a passed lot; {unaudited} wait for the audit of theirs: "
            "`turnrow audit` tells what is still to be answered"
        )
    return (
        f"{composition.attribute}: no sample has a label and features in {composition.feature_space} outside the "
        "hold-outs; pull label files with features, or settle some fixes first"
    )


def _count_lot_open(connection: duckdb.DuckDBPyConnection) -> int:
    row = connection.execute("select count(*) from left_out where why = 'lot_open'").fetchone()
    return int(row[0]) if row else 0


def _read_parent(warehouse: Warehouse, attribute: str, as_of: datetime) -> tuple[str | None, bool]:
    """Return the incumbent's training set, if it has one, and whether there is an incumbent at all."""
    with show_as_of(warehouse, as_of):
        row = warehouse.connection.execute(read_sql("assemble/find_parent"), {"attribute": attribute}).fetchone()
    return (row[0], True) if row else (None, False)


def _check(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    composition: Composition,
    parent_version: str | None,
    moment: Moment,
) -> list[CheckResult]:
    connection = warehouse.connection
    connection.execute(read_sql("assemble/parent_share"), {"parent_version": parent_version})
    connection.execute(read_sql("assemble/training_row"))
    connection.execute("create or replace temp table failing_row (check_name varchar, sample_id varchar)")
    suite = builtin_suite(
        Assembly(
            kind=attribute.kind,
            as_of=moment.as_of,
            labels=attribute.labels,
            parent_row_count=_count_parent(connection, parent_version),
            is_audited=composition.is_audited,
        )
    )
    suite += _read_user_checks(warehouse, attribute)
    return run_expectations(connection, "assembled", suite, failures="failing_row")


def _count_parent(connection: duckdb.DuckDBPyConnection, parent_version: str | None) -> int | None:
    row = connection.execute(
        "select row_count from training_set where version = $version", {"version": parent_version}
    ).fetchone()
    return int(row[0]) if row else None


def _read_user_checks(warehouse: Warehouse, attribute: AttributeSettings) -> list[Expectation]:
    suite = []
    for check in warehouse.loop.settings.check:
        if check.attribute == attribute.name:
            origin = f"turnrow.toml, check.{check.name}.where"
            check_expression(warehouse.connection, check.where, relation="training_row", origin=origin)
            text = f"select sample_id from training_row where ({check.where}\n)"
            suite.append(expect_no_row(check.name, check.requirement, text))
    return suite


def _find_or_insert(connection: duckdb.DuckDBPyConnection, draft: _Draft, known_at: datetime) -> tuple[str, bool]:
    same = connection.execute(
        read_sql("assemble/find_same"),
        {
            "attribute": draft.composition.attribute,
            "digest": draft.digest,
            "composition": draft.composition.to_text(),
            "parent_version": draft.parent_version,
            "state": draft.state,
            "is_past": draft.is_past,
        },
    ).fetchone()
    if same:
        return str(same[0]), False
    return _insert_version(connection, draft, known_at), True


def _insert_version(connection: duckdb.DuckDBPyConnection, draft: _Draft, known_at: datetime) -> str:
    attribute = draft.composition.attribute
    row = connection.execute(
        "select coalesce(max(running_number), 0) + 1 from training_set where attribute = $attribute",
        {"attribute": attribute},
    ).fetchone()
    number = int(row[0]) if row else 1
    version = f"{attribute}-{number:04d}-{draft.digest[:8]}"
    connection.execute(
        "insert into training_set values ($version, $attribute, $number, $parent, $composition, $as_of, "
        "$reserved_until, $row_count, $digest, $state, $known_at)",
        {
            "version": version,
            "attribute": attribute,
            "number": number,
            "parent": draft.parent_version,
            "composition": draft.composition.to_text(),
            "as_of": draft.moment.as_of,
            "reserved_until": draft.moment.reserved_until,
            "row_count": _count(connection, "assembled"),
            "digest": draft.digest,
            "state": draft.state,
            "known_at": known_at,
        },
    )
    connection.execute(read_sql("assemble/insert_members"), {"version": version})
    _insert_checks(connection, version, draft.checks, known_at)
    return version


def _insert_checks(
    connection: duckdb.DuckDBPyConnection, version: str, checks: Sequence[CheckResult], known_at: datetime
) -> None:
    connection.execute(
        "insert into check_failure select $version, check_name, sample_id from failing_row "
        "where sample_id is not null order by check_name, sample_id",
        {"version": version},
    )
    for check in checks:
        connection.execute(
            "insert into quality_check values "
            "($version, $name, $requirement, $passed, $observed, $failing, $known_at)",
            {
                "version": version,
                "name": check.check_name,
                "requirement": check.requirement,
                "passed": check.passed,
                "observed": check.observed,
                "failing": check.failing_count,
                "known_at": known_at,
            },
        )


def _count(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    row = connection.execute(f"select count(*) from {table}").fetchone()
    return int(row[0]) if row else 0


def _summarise(
    connection: duckdb.DuckDBPyConnection, draft: _Draft, version: str | None, *, is_new: bool
) -> AssembleSummary:
    reasons = connection.execute(
        "select reason, count(*) from assembled group by reason order by reason"
    ).fetchall()
    return AssembleSummary(
        version,
        draft.state,
        _count(connection, "assembled"),
        _count(connection, "near_row"),
        {str(reason): int(count) for reason, count in reasons},
        draft.checks,
        is_new,
        _count_lot_open(connection),
    )
