"""`case`: one failure case in full, what an edited case file would change, and a state set by a person."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.case_file import FailureCase
from tasks.blame_expression import blame_expression
from tasks.errors import InputError, NotYetError
from tasks.fetch_rows import Row, fetch_rows
from tasks.find_holdout_limits import HoldoutLimit, find_holdout_limits
from tasks.group_samples import view_groups
from tasks.loop import Loop
from tasks.match_cases import insert_state, view_matches
from tasks.measure_service import CaseInService, measure_cases, read_watched
from tasks.read_settings import read_case
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse, show_only

_CHANGES_SHOWN = 5
_STATES = {"park": "parked", "reopen": "reopened"}


@dataclass(frozen=True)
class CaseDescription:
    """One failure case in full: its file, its counts, how it got where it is, and what its hold-out can show.

    `service`: what the random watch says of it; None where nothing was drawn of its attribute yet.
    """

    case: FailureCase
    counts: Row
    states: list[Row]
    members: list[Row]
    fixes: list[Row]
    holdouts: list[Row]
    judgements: list[Row]
    limits: list[HoldoutLimit]
    service: CaseInService | None


@dataclass(frozen=True)
class CaseTrial:
    """What an edited case file would change.

    `lost` members no longer match; of these, `lost_without_flag` have no live flag any more and would go with
    any change of the file. `scope_count` is None where it could not be told, and `scope_note` says why.
    """

    case_name: str
    members: int
    members_after: int
    gained: int
    lost: int
    lost_without_flag: int
    scope_count: int | None
    scope_note: str | None
    changes: list[Row]


def describe_case(loop: Loop, case: FailureCase) -> CaseDescription:
    """Return what the warehouse knows of a case; all of it is empty before the first `flag`."""
    which = {"case_name": case.case}
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        counts = [row for row in fetch_rows(connection, "status/cases") if row["case_name"] == case.case]
        return CaseDescription(
            case=case,
            counts=counts[0] if counts else {},
            states=fetch_rows(connection, "cases/states", which, moments=("known_at",)),
            members=fetch_rows(connection, "cases/members_by_rule", which),
            fixes=fetch_rows(connection, "cases/fixes_by_reason", which),
            holdouts=fetch_rows(connection, "cases/holdouts", which),
            judgements=fetch_rows(connection, "cases/judgements", which, moments=("known_at",)),
            limits=_list_limits(connection, loop, case),
            service=_measure_service(warehouse, case),
        )


def _measure_service(warehouse: Warehouse, case: FailureCase) -> CaseInService | None:
    rows = read_watched(warehouse, warehouse.loop.settings.attribute[case.attribute])
    if not rows:
        return None
    (figures,) = measure_cases(warehouse, rows, [case.case])
    return figures


def _list_limits(connection: duckdb.DuckDBPyConnection, loop: Loop, case: FailureCase) -> list[HoldoutLimit]:
    """Return what the case's own hold-out can show, the overall one's guards, and the other cases together."""
    about = {case.case, f"overall:{case.attribute}", f"cases of {case.attribute}"}
    limits = find_holdout_limits(connection, loop.settings, [case])
    return [limit for limit in limits if limit.holdout in about]


def try_case(loop: Loop, path: Path, name: str | None = None) -> CaseTrial:
    """Return what the case file at `path`, which may stand anywhere, would change; nothing is written.

    Raises SettingsError or ExpressionError where the file does not hold, InputError where it holds another
    case than `name`.
    """
    case = read_case(path, loop.settings)
    if name is not None and case.case != name:
        raise InputError(f"{path}: is about the case {case.case}, not {name}; name that case, or none")
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        view_matches(connection, case)
        which = {"case_name": case.case, "attribute": case.attribute}
        with blame_expression(f"{path}, members.where"):
            row = fetch_rows(connection, "cases/compare_members", which)[0]
            changes = fetch_rows(
                connection, "cases/changed_members", {**which, "at_most": _CHANGES_SHOWN}, moments=("observed_at",)
            )
        scope_count, scope_note = _count_scope(connection, loop, case)
        return CaseTrial(
            case_name=case.case,
            members=row["member_count"],
            members_after=row["new_member_count"],
            gained=row["gained"],
            lost=row["lost"],
            lost_without_flag=row["lost_without_flag"],
            scope_count=scope_count,
            scope_note=scope_note,
            changes=changes,
        )


def _count_scope(
    connection: duckdb.DuckDBPyConnection, loop: Loop, case: FailureCase
) -> tuple[int | None, str | None]:
    """Return how many served samples the scope holds, or why that cannot be told yet.

    Without likeness it is one scan; with it, a vector comparison a sample of the attribute.
    """
    from tasks.find_scope import stage_scope

    attribute = loop.settings.attribute[case.attribute]
    try:
        view_groups(connection, attribute)
        stage_scope(connection, case, attribute)
    except NotYetError as error:
        return None, str(error)
    row = connection.execute("select count(*) from scope_sample").fetchone()
    return (int(row[0]) if row else 0), None


def check_case(warehouse: Warehouse, case: FailureCase) -> None:
    """Raise ExpressionError where a case's `members.where` or `scope.where` does not hold; reads no row."""
    from tasks.find_scope import stage_candidates

    connection = warehouse.connection
    connection.execute("create or replace temp table no_sample (sample_id varchar)")
    with show_only(warehouse, "no_sample"):
        view_matches(connection, case)
        view_groups(connection, warehouse.loop.settings.attribute[case.attribute])
        stage_candidates(connection, case)


def set_case_state(loop: Loop, case_name: str, decision: str, decided_by: str) -> Row:
    """Write that a person parked or reopened a case; the state it has already changes nothing.

    `decision` is `park` or `reopen`. Raises InputError where `decided_by` says nothing.
    """
    if not decided_by.strip():
        raise InputError("--by is empty; say who decides")
    started_at, state = loop.clock(), _STATES[decision]
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection

        def insert(known_at: datetime) -> str | None:
            before = _read_state(connection, case_name)
            if before != state:
                insert_state(connection, case_name, state, f"{state} by a person", decided_by, known_at)
                parameters = {"case": case_name, "state": state, "by": decided_by}
                record_run(
                    connection, "state", started_at=started_at, ended_at=loop.clock(), parameters=parameters
                )
            return before

        return {"case_name": case_name, "state": state, "was": warehouse.write(insert)}


def _read_state(connection: duckdb.DuckDBPyConnection, case_name: str) -> str | None:
    row = connection.execute(
        "select arg_max(state, known_at) from case_state where case_name = $case_name",
        {"case_name": case_name},
    ).fetchone()
    return row[0] if row else None
