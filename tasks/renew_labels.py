"""`queue renew`: ask again what was settled, or half answered, under an older guideline."""

from dataclasses import dataclass
from datetime import datetime

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import drop_restricted
from tasks.ask_fixes import cut_wishes, insert_wishes, make_wishes, prepare_wishes
from tasks.errors import InputError
from tasks.loop import Loop
from tasks.record_definitions import read_guideline
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse


@dataclass(frozen=True)
class RenewSummary:
    """What was asked again: labels under older guidelines, and open questions answered under those only.

    `outdated_left`: labels under older guidelines that the queue's limits leave for a later run.
    """

    attribute: str
    asked_again: int
    withdrawn: int
    outdated_left: int


def renew_labels(loop: Loop, attribute: AttributeSettings, at_most: int | None = None) -> RenewSummary:
    """Queue, reason `guideline`, labels that an older guideline decided; those in a frozen hold-out first.

    A label stays until its new question settles, and a frozen hold-out keeps the revision it was frozen with.
    An open question that was answered under older guidelines only is withdrawn and asked anew, since answers
    under different guidelines never count together. Raises InputError where the attribute has no guideline.
    """
    guideline_sha256 = read_guideline(loop, attribute)
    if guideline_sha256 is None:
        raise InputError(
            f"turnrow.toml, attribute.{attribute.name}.guideline: names no file that is there; write "
            "what annotators are told into it first"
        )
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        outdated = _stage_wishes(warehouse, attribute, guideline_sha256, at_most)

        def insert(known_at: datetime) -> RenewSummary:
            connection.execute(read_sql("renew/withdraw_overtaken"), {"known_at": known_at})
            asked = insert_wishes(connection, known_at)
            row = connection.execute("select count(*) from overtaken_fix").fetchone()
            withdrawn = int(row[0]) if row else 0
            summary = RenewSummary(attribute.name, asked - withdrawn, withdrawn, outdated - (asked - withdrawn))
            record_run(
                connection,
                "queue renew",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"attribute": attribute.name, "guideline": guideline_sha256},
                counts={"asked": asked},
            )
            return summary

        return warehouse.write(insert)


def _stage_wishes(
    warehouse: Warehouse, attribute: AttributeSettings, guideline_sha256: str, at_most: int | None
) -> int:
    """Stage what is to be asked; return how many labels are outdated in all."""
    connection, limits = warehouse.connection, warehouse.loop.settings.queue
    scope = {"attribute": attribute.name, "guideline_sha256": guideline_sha256}
    make_wishes(connection)
    connection.execute(read_sql("renew/stage_outdated"), scope)
    drop_restricted(warehouse, "queue", "wanted_fix")
    row = connection.execute("select count(distinct sample_id) from wanted_fix").fetchone()
    cut_wishes(warehouse, limits.ask_per_run if at_most is None else at_most)
    connection.execute(read_sql("renew/stage_overtaken"), scope)
    drop_restricted(warehouse, "queue", "overtaken_fix")
    connection.execute(read_sql("renew/wish_overtaken"), scope)
    prepare_wishes(warehouse)
    return int(row[0]) if row else 0
