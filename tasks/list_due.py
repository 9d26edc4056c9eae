"""What a nightly run has to do after the answers are in: cases to mine for, hold-outs that wait, rounds."""

from dataclasses import dataclass

from schemas.sql_files import read_sql
from tasks.freeze_holdouts import OpenHoldout, list_open_holdouts
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class DueWork:
    """`cases`: names of those that are worked on; `new_fixes`: settled since an attribute's last candidate."""

    cases: tuple[str, ...]
    holdouts: tuple[OpenHoldout, ...]
    new_fixes: dict[str, int]

    def list_rounds(self, at_least: int) -> list[str]:
        """Return the attributes whose ready cases have enough newly settled fixes for a round."""
        return [attribute for attribute, count in self.new_fixes.items() if count >= at_least]


def list_due(loop: Loop) -> DueWork:
    """Return what is due, by what the warehouse holds now."""
    is_audited = loop.settings.audit is not None
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        cases = connection.execute(read_sql("due/open_cases")).fetchall()
        fixes = connection.execute(read_sql("due/new_fixes"), {"is_audited": is_audited}).fetchall()
        holdouts = list_open_holdouts(warehouse, is_audited=is_audited)
    return DueWork(
        tuple(str(row[0]) for row in cases),
        tuple(holdouts),
        {str(attribute): int(count) for attribute, count in fixes},
    )
