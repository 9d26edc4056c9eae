"""A person's word that a source of answers has been looked at, and that its lots may be drawn again."""

from datetime import datetime

from tasks.errors import UnknownNameError
from tasks.form_lots import read_inspections
from tasks.list_lots import require_audit
from tasks.loop import Loop
from tasks.record_run import record_run
from tasks.switch_inspection import DISCONTINUED
from tasks.warehouse import Warehouse, open_warehouse


def resume_inspection(loop: Loop, source: str, *, resumed_by: str) -> list[str]:
    """Resume a source's inspection, tightened, and return the attributes where it had been discontinued.

    `source` are the people as `audit` names them, joined by commas. One that is not discontinued stays as it is.
    Raises UnknownNameError for a source that has no judged lot.
    """
    require_audit(loop)
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        stopped = _find_stopped(warehouse, source)

        def insert(known_at: datetime) -> list[str]:
            for attribute in stopped:
                warehouse.connection.execute(
                    "insert into audit_resumption by name select $attribute as attribute, $source as source, "
                    "$resumed_by as resumed_by, $known_at as known_at",
                    {"attribute": attribute, "source": source, "resumed_by": resumed_by, "known_at": known_at},
                )
            record_run(
                warehouse.connection,
                "audit",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"resume": source, "resumed_by": resumed_by},
                counts={"resumed": len(stopped)},
            )
            return stopped

        return warehouse.write(insert)


def _find_stopped(warehouse: Warehouse, source: str) -> list[str]:
    inspections = read_inspections(warehouse.connection)
    known = sorted({name for _, name in inspections})
    if source not in known:
        listed = "; ".join(known) or "there is none yet"
        raise UnknownNameError(f"no lot of {source} was ever judged; sources with judged lots: {listed}")
    return sorted(
        attribute for (attribute, name), state in inspections.items() if (name, state) == (source, DISCONTINUED)
    )
