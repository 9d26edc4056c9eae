"""What becomes of a cured case: `watched` once its model is in the served logs, `reopened` if errors return.

One rule, with its limits in `[queue]`: a watched case is reopened when the random watch, in the latest four weeks
that it watched models accepted with the cure or later, found at least `reopen_errors` tracks with the case's
error, and their share is at least `reopen_ratio` times the earlier models': within weeks and sites where both ran,
or against all that was watched before. With nothing to compare the count alone decides: an error that comes back
near people is not explained away. Only a sign-off that cures the case again ends `reopened`, so nothing swings
back by itself.
"""

from dataclasses import dataclass
from datetime import datetime

from schemas.settings import QueueSettings
from schemas.sql_files import read_sql
from tasks.compare_service import Comparison
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.match_cases import insert_state
from tasks.measure_service import CaseInService, measure_case, read_watched
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse


@dataclass(frozen=True)
class NewState:
    """A state that a case came into, and the figures why."""

    case_name: str
    state: str
    because: str


def follow_cases(loop: Loop) -> list[NewState]:
    """Write the new states of cured and watched cases and return them; with no news nothing is written."""
    started_at = loop.clock()
    with open_warehouse(loop, write=False) as warehouse:
        if not find_new_states(warehouse):
            return []
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        found = find_new_states(warehouse)

        def insert(known_at: datetime) -> list[NewState]:
            current = {row["case_name"]: row["state"] for row in fetch_rows(connection, "cases/list_states")}
            new = [one for one in found if current.get(one.case_name) == _BEFORE[one.state]]
            for one in new:
                insert_state(connection, one.case_name, one.state, one.because, None, known_at)
            counts = {one.case_name: one.state for one in new}
            record_run(connection, "follow", started_at=started_at, ended_at=loop.clock(), counts=counts)
            return new

        return warehouse.write(insert)


_BEFORE = {"watched": "cured", "reopened": "watched"}


def find_new_states(warehouse: Warehouse) -> list[NewState]:
    """Return which cases come into a new state by what is known now."""
    cures = fetch_rows(warehouse.connection, "service/cures")
    found = [_look_at(warehouse, cure) for cure in cures if cure["state"] in _BEFORE.values()]
    return [one for one in found if one is not None]


def _look_at(warehouse: Warehouse, cure: Row) -> NewState | None:
    if cure["state"] == "cured":
        return _find_served(warehouse, cure)
    case = measure_cure(warehouse, cure)
    because = _tell_return(case, warehouse.loop.settings.queue) if case else None
    return NewState(str(cure["case_name"]), "reopened", because) if because else None


def measure_cure(warehouse: Warehouse, cure: Row) -> CaseInService | None:
    """Return the figures of a case by its cure; None where its attribute is not in the settings any more."""
    attribute = warehouse.loop.settings.attribute.get(str(cure["attribute"]))
    if attribute is None:
        return None
    rows = read_watched(warehouse, attribute)
    return measure_case(rows, str(cure["case_name"]), sorted(cure["models"]), cure["cured_at"])


def _find_served(warehouse: Warehouse, cure: Row) -> NewState | None:
    bound = {"attribute": cure["attribute"], "models": cure["models"], "since": cure["cured_at"]}
    row = warehouse.connection.execute(read_sql("service/first_served"), bound).fetchone()
    if row is None:
        return None
    model, first_at, count = row
    because = f"{model} is in service: {count} served predictions since {first_at:%Y-%m-%d}"
    return NewState(str(cure["case_name"]), "watched", because)


def _tell_return(case: CaseInService, limits: QueueSettings) -> str | None:
    """Return the figures by which a case's errors have come back, None where they have not."""
    if case.recent_errors < limits.reopen_errors:
        return None
    told = f"{case.recent_errors} of its errors in the latest weeks of the watch since its cure"
    found = [one for one in case.recent if one.low is not None]
    if not found:
        return f"{told}, and nothing to compare them with"
    back = [one for one in found if one.ratio is None or one.ratio >= limits.reopen_ratio]
    return f"{told}; {_tell_ratio(back[0], limits.reopen_ratio)}" if back else None


def _tell_ratio(found: Comparison, limit: float) -> str:
    where = f"within weeks and sites where both ran ({found.strata})" if found.strata else "before against after"
    ratio = "any number of" if found.ratio is None else f"{found.ratio:.2f}"
    high = "any" if found.high is None else f"{found.high:.2f}"
    return (
        f"{where} {found.after_errors} of {found.after_tracks} tracks, and {found.before_errors} of "
        f"{found.before_tracks} of the models before: {ratio} times the share ({found.low:.2f} to {high}), and "
        f"from {limit:g} on they have come back{'; ' + found.note if found.note else ''}"
    )
