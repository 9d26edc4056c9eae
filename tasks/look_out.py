"""What a night looks at, each by its limit in `[watch]`, and what of it is new, still there, or gone.

A finding is known by its watch and its subject, not by its figures: it is told once, and again only after it went
away and came back. `open_finding` remembers that; a night that is killed before it has told tells the next time.
(The random watch of served traffic, `draw_watch`, is another thing.)
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.errors import TurnrowError, WarehouseError
from tasks.list_watches import WATCHES, Observed
from tasks.loop import Loop
from tasks.track_run import describe_error
from tasks.warehouse import Warehouse, as_utc, open_warehouse

_SILENT = "silent_units"


@dataclass(frozen=True)
class Finding:
    """One thing that a watch tells: of which unit, case or attribute, what, and what to look at or type.

    `is_new`: nobody was told of it yet. `found_at`: since when it is there.
    """

    watch: str
    subject: str
    message: str
    is_new: bool
    found_at: datetime

    def __str__(self) -> str:
        """Return the finding as one line."""
        since = "" if self.is_new else f"still (since {self.found_at:%Y-%m-%d}): "
        where = f"{self.watch} {self.subject}" if self.subject else self.watch
        return f"{where}: {since}{self.message}"


@dataclass(frozen=True)
class LookedOut:
    """What was found, new or still; and of what nothing can be said yet: for lack of history, mostly."""

    findings: tuple[Finding, ...] = ()
    unjudged: tuple[str, ...] = ()


def look_out(loop: Loop) -> LookedOut:
    """Look at everything that `[watch]` does not switch off, note what is open, and return it.

    A watch that fails says so as a finding of its own, and what it had found before stays open. Nothing is
    written where nothing is, or was, to tell.
    """
    observed: list[Observed] = []
    failed: set[str] = set()
    now = loop.clock()
    with open_warehouse(loop, write=False) as warehouse:
        for name, watch in WATCHES.items():
            if name in loop.settings.watch.off:
                continue
            try:
                observed += watch(warehouse, now)
            except WarehouseError:
                raise
            except (TurnrowError, duckdb.Error, OSError) as error:
                observed.append(Observed(name, "", f"cannot be looked at: {describe_error(error)}"))
                failed.add(name)
                _begin_anew(warehouse.connection)
        is_noted = warehouse.connection.execute("select 1 from open_finding limit 1").fetchone() is not None
    spoken = [one for one in observed if one.is_known]
    unjudged = tuple(f"{one.watch} {one.subject}: {one.message}" for one in observed if not one.is_known)
    findings = _note(loop, spoken, failed) if spoken or is_noted else ()
    return LookedOut(findings, unjudged)


def mark_told(loop: Loop) -> None:
    """Remember that what is open was told; call it when it was, so that a night that is killed tells again."""
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        if connection.execute("select 1 from open_finding where told_at is null limit 1").fetchone():
            warehouse.write(
                lambda known_at: connection.execute(
                    "update open_finding set told_at = $known_at where told_at is null", {"known_at": known_at}
                )
            )


def _begin_anew(connection: duckdb.DuckDBPyConnection) -> None:
    """Leave the transaction that an error has ended."""
    connection.execute("rollback")
    connection.execute("begin transaction")


def _note(loop: Loop, spoken: Sequence[Observed], failed: set[str]) -> tuple[Finding, ...]:
    """Let `open_finding` hold what was found now, and of watches that failed what they had found before."""
    with open_warehouse(loop, write=True) as warehouse:
        return warehouse.write(lambda known_at: _replace(warehouse, known_at, spoken, failed))


def _stays(
    warehouse: Warehouse,
    key: tuple[str, str],
    found_at: datetime,
    failed: set[str],
    now: Mapping[tuple[str, str], str],
) -> bool:
    """Tell whether what was found before is still open though nobody named it: its watch failed, or it is silent.

    A unit is known by its logs of four weeks; one that is silent for longer has not come back for that.
    """
    watch, subject = key
    if watch in failed:
        return True
    limits = warehouse.loop.settings.watch
    if watch != _SILENT or watch in limits.off or subject in limits.laid_up or (watch, "all units") in now:
        return False
    since = {"since": found_at, "unit": subject}
    return warehouse.connection.execute(read_sql("look_out/log_since"), since).fetchone() is None


def _replace(
    warehouse: Warehouse, known_at: datetime, spoken: Sequence[Observed], failed: set[str]
) -> tuple[Finding, ...]:
    connection = warehouse.connection
    rows = connection.execute(read_sql("look_out/read_open")).fetchall()
    known = {(str(watch), str(subject)): (str(told), found, at) for watch, subject, told, found, at in rows}
    now = {(one.watch, one.subject): one.message for one in spoken}
    kept = {
        key: row[0] for key, row in known.items() if key not in now and _stays(warehouse, key, row[1], failed, now)
    }
    merged = {key: (message, *known.get(key, ("", known_at, None))[1:]) for key, message in (now | kept).items()}
    if merged != known:
        connection.execute("delete from open_finding")
    for (watch, subject), (message, found_at, told_at) in merged.items() if merged != known else ():
        row = {"watch": watch, "subject": subject, "message": message, "found_at": found_at, "told_at": told_at}
        connection.execute(
            "insert into open_finding values ($watch, $subject, $message, $found_at, $told_at)", row
        )
    return tuple(
        Finding(watch, subject, message, told_at is None, as_utc(found_at))
        for (watch, subject), (message, found_at, told_at) in sorted(merged.items(), key=lambda item: item[0])
    )
