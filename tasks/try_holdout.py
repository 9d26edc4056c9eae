"""`holdout --dry-run`: what a draw would take, reserve and ask, told before: a reserved group stays so."""

from dataclasses import dataclass, field
from pathlib import Path

from schemas.sql_files import read_sql
from tasks.draw_holdout import HoldoutTarget, plan_holdout
from tasks.loop import Loop
from tasks.warehouse import open_warehouse


@dataclass(frozen=True)
class HoldoutTrial:
    """What `holdout` would do now; `is_new` is false where it would draw nothing.

    Of `members` so many are `labelled`. Of the class that the case's figure counts (`truth`, '': all) so many are
    known to be (`of_truth`), and so many without a label were called so (`called_truth`). `new_groups` would be
    reserved for ever, and `free_groups` be left to train on and to mine. `warning` and `left_out` as of a draw.
    """

    case_name: str
    is_new: bool
    members: int = 0
    labelled: int = 0
    truth: str = ""
    of_truth: int = 0
    called_truth: int = 0
    new_groups: int = 0
    free_groups: int = 0
    left_out: dict[str, int] = field(default_factory=dict)
    warning: str = ""


def try_holdout(
    loop: Loop, target: HoldoutTarget, *, listed: Path | None = None, grow: int | None = None
) -> HoldoutTrial:
    """Plan a draw as `draw_holdout` does and say what it would come to; writes nothing, raises the same."""
    truth = target.case.holdout.truth if target.case else ""
    with open_warehouse(loop, write=False) as warehouse:
        plan = plan_holdout(warehouse, target, listed=listed, grow=grow)
        if plan is None:
            return HoldoutTrial(target.case_name, is_new=False)
        row = warehouse.connection.execute(
            read_sql("holdout/try_members"), {"attribute": target.attribute.name, "truth": truth}
        ).fetchone()
    members, labelled, of_truth, called_truth, new_groups, free_groups = row or (0, 0, 0, 0, 0, 0)
    return HoldoutTrial(
        target.case_name,
        True,
        members=members,
        labelled=labelled,
        truth=truth,
        of_truth=of_truth,
        called_truth=called_truth,
        new_groups=new_groups,
        free_groups=free_groups,
        left_out=plan.left_out,
        warning=plan.warning,
    )
