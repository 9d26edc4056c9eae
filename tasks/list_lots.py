"""How the audit of each source of answers stands: its lots, and what is still to be answered."""

from dataclasses import dataclass

from schemas.sql_files import read_sql
from tasks.errors import SettingsError
from tasks.form_lots import read_inspections, stage_candidates
from tasks.judge_lots import stage_judged_items
from tasks.loop import Loop
from tasks.switch_inspection import DISCONTINUED, NORMAL
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class AuditedLot:
    """One lot: `wrong_count` found so far; `verdict` is None while `to_answer` of its questions wait.

    Of an undecided lot's sample nobody may be asked about `unaskable`: it is judged on the others, or not at all
    where there are none.
    """

    lot_id: str
    lot_number: int
    lot_size: int
    aql: float
    level: str
    inspection: str
    sample_size: int
    accept_at_most: int
    reject_from: int
    wrong_count: int
    to_answer: int
    verdict: str | None
    unaskable: int = 0


@dataclass(frozen=True)
class AuditedSource:
    """What some people decided together of one attribute.

    `inspection` is that of the next lot, `in_no_lot` counts settled fixes that have gathered for it.
    """

    attribute: str
    source: str
    inspection: str
    in_no_lot: int
    lots: tuple[AuditedLot, ...]

    @property
    def to_answer(self) -> int:
        """Audit questions that wait for an answer."""
        return sum(lot.to_answer for lot in self.lots)

    @property
    def is_held_up(self) -> bool:
        """Whether settled fixes wait and nothing is drawn of them until a person has looked at the source."""
        return self.inspection == DISCONTINUED and self.in_no_lot > 0


def list_lots(loop: Loop) -> list[AuditedSource]:
    """Return the sources of answers with their lots, by attribute and name; writes nothing.

    Attributes that turnrow.toml has no longer are left out. Raises SettingsError where it has no `[audit]`.
    """
    require_audit(loop)
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        stage_judged_items(warehouse)
        stage_candidates(warehouse, list(loop.settings.attribute))
        lots: dict[tuple[str, str], list[AuditedLot]] = {}
        for attribute, source, number, lot_id, *rest in connection.execute(read_sql("audit/list_lots")).fetchall():
            lots.setdefault((attribute, source), []).append(AuditedLot(lot_id, number, *rest))
        inspections = read_inspections(connection)
        rows = connection.execute(read_sql("audit/list_sources")).fetchall()
    return [
        AuditedSource(
            attribute,
            source,
            inspections.get((attribute, source), NORMAL),
            int(in_no_lot),
            tuple(lots.get((attribute, source), ())),
        )
        for attribute, source, in_no_lot in rows
        if attribute in loop.settings.attribute
    ]


def require_audit(loop: Loop) -> None:
    """Raise SettingsError where lots are not audited."""
    if loop.settings.audit is None:
        raise SettingsError(
            "turnrow.toml has no [audit]: lots pass unaudited; add the table (its keys are aql, level, lot_size)"
        )
