"""`flag`, second part: which mispredictions belong to which failure case, and the cases' states."""

from collections.abc import Sequence
from datetime import datetime

import duckdb

from schemas.case_file import FailureCase
from schemas.definitions import definition_of_attribute, definition_of_case, hash_definition
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression
from tasks.keep_progress import read_progress, save_progress
from tasks.loop import Loop
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse, show_only

_STEP = "case"


def match_cases(loop: Loop, cases: Sequence[FailureCase]) -> dict[str, int]:
    """Write the definitions, new members and states of `cases`; return case name -> new members.

    Raises ExpressionError, naming the file, for a `where` that is not allowed or fails on a sample;
    nothing is written then.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        done_until = warehouse.read_clock()
        make_member_staging(connection)
        for case in cases:
            _stage_changed(warehouse, case)

        def insert(known_at: datetime) -> dict[str, int]:
            for case in cases:
                insert_case(connection, case, known_at)
                save_progress(connection, _STEP, case.case, _hash_meaning(loop, case), done_until)
            before = _count_members(connection)
            connection.execute(read_sql("cases/insert_members"), {"known_at": known_at})
            after = _count_members(connection)
            update_states(connection, known_at)
            found = {case.case: after.get(case.case, 0) - before.get(case.case, 0) for case in cases}
            record_run(connection, "case", started_at=started_at, ended_at=loop.clock(), counts=found)
            return found

        return warehouse.write(insert)


def make_member_staging(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the empty temp table `new_member` that `stage_members` fills."""
    connection.execute(
        "create or replace temp table new_member (case_name varchar, sample_id varchar, "
        "found_by varchar, score double, prediction_id varchar, definition_sha256 varchar)"
    )


def view_matches(connection: duckdb.DuckDBPyConnection, case: FailureCase) -> None:
    """Check a case's members.where and make the temp view `case_match` of it over `flagged_sample`."""
    where = case.members.where
    check_expression(connection, where, relation="flagged_sample", origin=f"{case.path.name}, members.where")
    connection.execute(f"create or replace temp view case_match as select * from flagged_sample where ({where}\n)")


def _stage_changed(warehouse: Warehouse, case: FailureCase) -> None:
    connection = warehouse.connection
    since = read_progress(connection, _STEP, case.case, _hash_meaning(warehouse.loop, case))
    connection.execute(
        read_sql("flag/changed_sample"), {"since": since, "attribute": case.attribute, "with_flags": True}
    )
    row = connection.execute("select count(*) from changed_sample").fetchone()
    if not row or row[0] == 0:
        view_matches(connection, case)  # for what it refuses
        return
    with show_only(warehouse, "changed_sample"):
        stage_members(connection, case)


def _hash_meaning(loop: Loop, case: FailureCase) -> str:
    """Return a hash that changes with the case, and with what its attribute's labels mean."""
    return hash_definition(
        definition_of_case(case) + definition_of_attribute(loop.settings.attribute[case.attribute])
    )


def stage_members(connection: duckdb.DuckDBPyConnection, case: FailureCase) -> None:
    """Fill `new_member` with what the case matches among the flagged samples that the views show.

    Raises ExpressionError, naming the file, where `members.where` is not allowed or fails on a sample.
    """
    view_matches(connection, case)
    definition_sha256 = hash_definition(definition_of_case(case))
    with blame_expression(f"{case.path.name}, members.where"):
        connection.execute(
            read_sql("cases/stage_members"),
            {"case_name": case.case, "attribute": case.attribute, "definition_sha256": definition_sha256},
        )


def insert_case(connection: duckdb.DuckDBPyConnection, case: FailureCase, known_at: datetime) -> None:
    """Insert the case's definition if it differs from its latest one; part of the caller's transaction."""
    connection.execute(
        read_sql("cases/insert_case"),
        {
            "case_name": case.case,
            "attribute": case.attribute,
            "severity": case.severity,
            "definition": definition_of_case(case),
            "known_at": known_at,
        },
    )


def _count_members(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    rows = connection.execute("select case_name, count(*) from case_member group by case_name").fetchall()
    return {str(name): int(count) for name, count in rows}


def update_states(connection: duckdb.DuckDBPyConnection, known_at: datetime, only: str | None = None) -> None:
    """Open new cases and mark as ready those that a round can follow: all of them, or the one named."""
    for name, state, is_frozen in connection.execute(read_sql("cases/list_states")).fetchall():
        if only not in (None, name) or state not in (None, "open"):
            continue
        if is_frozen and _has_settled(connection, name):
            insert_state(connection, name, "ready", "it has settled samples and a frozen hold-out", None, known_at)
        elif state is None:
            insert_state(connection, name, "open", "the case was defined", None, known_at)


def _has_settled(connection: duckdb.DuckDBPyConnection, case_name: str) -> bool:
    return connection.execute(read_sql("cases/first_settled"), {"case_name": case_name}).fetchone() is not None


def insert_state(
    connection: duckdb.DuckDBPyConnection,
    case_name: str,
    state: str,
    because: str,
    decided_by: str | None,
    known_at: datetime,
) -> None:
    """Insert one row of `case_state`; part of the caller's transaction."""
    connection.execute(
        "insert into case_state values ($case_name, $state, $because, $decided_by, $known_at)",
        {
            "case_name": case_name,
            "state": state,
            "because": because,
            "decided_by": decided_by,
            "known_at": known_at,
        },
    )
