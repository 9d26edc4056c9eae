"""What the model said of a batch's samples and what is settled around them: for after the answer, where at all."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from schemas.sql_files import read_sql
from tasks.group_samples import view_groups
from tasks.make_plain import make_plain
from tasks.warehouse import Warehouse, show_only

if TYPE_CHECKING:
    from tasks.find_neighbours import Neighbour

_NEIGHBOURS = 5


@dataclass(frozen=True)
class Opinion:
    """What is shown after the answer, or on a key press that is recorded."""

    predicted: str | None
    confidence: float | None
    neighbours: "tuple[Neighbour, ...]"


def read_opinions(warehouse: Warehouse, attributes: Sequence[str]) -> dict[str, Opinion]:
    """Return fix -> opinion for the temp table `chosen_fix`, where one may ever be shown.

    That is neither of hold-outs and their groups, of the watch, of known items and audits, nor, where there are
    such tests, of half of the other questions: else a known item could be told by the silence after it.
    """
    connection, settings = warehouse.connection, warehouse.loop.settings
    has_tests = settings.answers.known_item_share > 0 or settings.audit is not None
    connection.execute("create or replace temp table reserved_question (sample_id varchar)")
    with show_only(warehouse, "chosen_fix"):
        for name in attributes:
            view_groups(connection, settings.attribute[name])
            connection.execute(read_sql("answer/stage_reserved"), {"attribute": name})
        rows = connection.execute(read_sql("answer/opinions"), {"has_tests": has_tests}).fetchall()
    neighbours = _read_neighbours(warehouse, attributes, [row[0] for row in rows])
    return {
        fix_id: Opinion(
            predicted if value is None else f"{value:g}", make_plain(confidence), neighbours.get(fix_id, ())
        )
        for fix_id, predicted, value, confidence in rows
    }


def _read_neighbours(
    warehouse: Warehouse, attributes: Sequence[str], fix_ids: list[str]
) -> "dict[str, tuple[Neighbour, ...]]":
    from tasks.find_neighbours import find_neighbours

    connection = warehouse.connection
    found: dict[str, tuple[Neighbour, ...]] = {}
    for name in attributes:
        connection.execute(
            "create or replace temp table neighbour_wanted as select sample_id, fix_id from chosen_fix "
            "where attribute = $attribute and list_contains($fix_ids, fix_id)",
            {"attribute": name, "fix_ids": fix_ids},
        )
        named = dict(connection.execute("select sample_id, fix_id from neighbour_wanted").fetchall())
        nearest = find_neighbours(warehouse, warehouse.loop.settings.attribute[name], _NEIGHBOURS)
        found |= {named[sample_id]: neighbours for sample_id, neighbours in nearest.items()}
    return found
