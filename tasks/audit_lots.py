"""`audit`: judge the lots whose audit answers are in, then form new ones of what has settled since."""

from dataclasses import dataclass
from datetime import datetime

from schemas.settings import AuditSettings
from tasks.form_lots import insert_items, insert_lots, stage_lots
from tasks.judge_lots import insert_verdicts, stage_replacements, stage_verdicts
from tasks.loop import Loop
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse


@dataclass(frozen=True)
class AuditSummary:
    """Lots that were formed, that passed and that failed, and the fixes that were asked anew of other people."""

    formed: int = 0
    passed: int = 0
    failed: int = 0
    asked_anew: int = 0


def audit_lots(loop: Loop, *, is_closing: bool = False) -> AuditSummary:
    """Judge and form lots; `is_closing` makes lots also of what is left over (2 fixes or more).

    Verdicts come first, since they decide how strictly the next lots are inspected. Run again with nothing new
    it adds nothing. Without `[audit]` in the settings there is nothing to do.
    """
    audit = loop.settings.audit
    if audit is None:
        return AuditSummary()
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        _draw_again(warehouse, started_at)
        judged = _judge(warehouse, started_at)
        return _form(warehouse, audit, judged, started_at, is_closing=is_closing)


def _draw_again(warehouse: Warehouse, started_at: datetime) -> None:
    """Ask about other fixes of a lot where nobody may be asked about those that were drawn (any more)."""
    connection, loop = warehouse.connection, warehouse.loop
    if not stage_replacements(warehouse):
        return

    def insert(known_at: datetime) -> None:
        counts = {"drawn_again": insert_items(connection, known_at)}
        record_run(connection, "audit", started_at=started_at, ended_at=loop.clock(), counts=counts)

    warehouse.write(insert)


def _judge(warehouse: Warehouse, started_at: datetime) -> dict[str, int]:
    connection, loop = warehouse.connection, warehouse.loop
    stage_verdicts(warehouse)

    def insert(known_at: datetime) -> dict[str, int]:
        counts = insert_verdicts(connection, known_at)
        if any(counts.values()):
            record_run(connection, "audit", started_at=started_at, ended_at=loop.clock(), counts=counts)
        return counts

    return warehouse.write(insert)


def _form(
    warehouse: Warehouse,
    audit: AuditSettings,
    judged: dict[str, int],
    started_at: datetime,
    *,
    is_closing: bool,
) -> AuditSummary:
    connection, loop = warehouse.connection, warehouse.loop
    stage_lots(warehouse, audit, is_closing=is_closing)

    def insert(known_at: datetime) -> AuditSummary:
        formed = insert_lots(connection, audit, known_at)
        record_run(connection, "audit", started_at=started_at, ended_at=loop.clock(), counts={"formed": formed})
        return AuditSummary(formed=formed, **judged)

    return warehouse.write(insert)
