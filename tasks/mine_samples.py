"""`mine`: queue the unlabelled samples of a case's scope that are most like its settled members."""

from dataclasses import dataclass
from datetime import datetime

import duckdb
import numpy as np
import pyarrow as pa

from schemas.case_file import FailureCase
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.ask_fixes import count_room, insert_wishes, make_wishes, prepare_wishes
from tasks.choose_spread import BestRows, choose_spread
from tasks.find_scope import stage_candidates, stage_references
from tasks.group_samples import view_groups
from tasks.loop import Loop
from tasks.measure_likeness import References, measure_likeness
from tasks.record_definitions import read_guideline
from tasks.record_run import record_run
from tasks.refuse_unbuilt import refuse_restrictions
from tasks.warehouse import Warehouse, open_warehouse

# How much doubt counts beside likeness, how much a near-copy of a choice loses, and how many rows the
# greedy choice may pick from, per row wanted: tried on handwritten digits (see DEVELOPERS.md).
_DOUBT = 0.05
_SPREAD = 0.1
_POOL = 4


@dataclass(frozen=True)
class MineSummary:
    """What was queued for a case; `budget_left` after it."""

    case_name: str
    mined: int
    look_alikes: int
    budget_left: int


def mine_samples(loop: Loop, case: FailureCase) -> MineSummary:
    """Queue what the case's budget and the queue's limits allow; return how much.

    Likeness is measured to settled members within one vector space; `look_alikes` of the budget goes to
    samples that the model predicts otherwise than their nearest member. Run again it adds nothing until some
    of its questions are answered. Raises NotYetError without members.
    """
    refuse_restrictions(loop.settings)
    started_at = loop.clock()
    attribute = loop.settings.attribute[case.attribute]
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        budget = case.mine.budget - _count_used(connection, case)
        limits = loop.settings.queue
        at_most = min(budget, limits.ask_per_run - _count_asked(connection, case))
        wanted = count_room(connection, limits.open_at_most, max(at_most, 0))
        view_groups(connection, attribute)
        make_wishes(connection)
        if wanted:
            _stage_choice(warehouse, case, attribute, wanted)
        prepare_wishes(warehouse)

        def insert(known_at: datetime) -> MineSummary:
            insert_wishes(connection, known_at)
            counts = _count_reasons(connection)
            record_run(
                connection,
                "mine",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"case": case.case},
                counts=counts,
            )
            left = max(budget, 0) - sum(counts.values())
            return MineSummary(case.case, counts.get("mined", 0), counts.get("look_alike", 0), left)

        return warehouse.write(insert)


def _count_used(connection: duckdb.DuckDBPyConnection, case: FailureCase) -> int:
    row = connection.execute(
        read_sql("mine/count_used"), {"attribute": case.attribute, "case_name": case.case}
    ).fetchone()
    return int(row[0]) if row else 0


def _count_asked(connection: duckdb.DuckDBPyConnection, case: FailureCase) -> int:
    """Return how many mined questions of the case are open: `ask_per_run` counts them, however many runs asked."""
    row = connection.execute(read_sql("mine/count_asked"), {"case_name": case.case}).fetchone()
    return int(row[0]) if row else 0


def _count_reasons(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    rows = connection.execute("select reason, count(*) from wanted_fix group by reason").fetchall()
    return {str(reason): int(count) for reason, count in rows}


def _stage_choice(warehouse: Warehouse, case: FailureCase, attribute: AttributeSettings, wanted: int) -> None:
    connection = warehouse.connection
    stage_candidates(connection, case)
    connection.execute(read_sql("mine/keep_unlabelled"), {"attribute": case.attribute})
    references = stage_references(connection, case, attribute)
    look_alikes = round(wanted * case.mine.look_alikes)
    near, otherwise = _rank(connection, case, attribute, references, wanted)
    chosen = _choose(near, wanted - look_alikes, "mined", set())
    chosen |= _choose(otherwise, look_alikes, "look_alike", set(chosen))
    # Where there are too few look-alikes their share is not lost.
    chosen |= _choose(near, wanted - len(chosen), "mined", set(chosen))
    _wish_chosen(warehouse, case, attribute, chosen)


def _rank(
    connection: duckdb.DuckDBPyConnection,
    case: FailureCase,
    attribute: AttributeSettings,
    references: References,
    wanted: int,
) -> tuple[BestRows, BestRows]:
    near, otherwise = BestRows(wanted * _POOL), BestRows(wanted * _POOL)
    predicted_there = np.asarray(references.predicted, dtype=object)
    least = case.scope_in_use.similarity_at_least if case.scope_in_use.similar_to else -1.0
    for batch in measure_likeness(connection, references, attribute.vector_space, case.mine.nearest):
        ids = batch.rows.column("sample_id").to_numpy(zero_copy_only=False)
        doubt = 1 - batch.rows.column("margin").to_numpy(zero_copy_only=False)
        scores = (batch.likeness + _DOUBT * doubt).astype(np.float32)
        in_scope = batch.likeness >= least
        differs = batch.rows.column("predicted").to_numpy(zero_copy_only=False) != predicted_there[batch.nearest]
        near.add(ids[in_scope], scores[in_scope], batch.vectors[in_scope])
        otherwise.add(
            ids[in_scope & differs], batch.likeness[in_scope & differs], batch.vectors[in_scope & differs]
        )
    return near, otherwise


def _choose(rows: BestRows, count: int, reason: str, taken: set[str]) -> dict[str, tuple[str, float]]:
    free = np.array([sample_id not in taken for sample_id in rows.ids], dtype=bool)
    if count <= 0 or not free.any():
        return {}
    ids, scores = rows.ids[free], rows.scores[free]
    picks = choose_spread(scores, rows.vectors[free], count, _SPREAD)
    return {str(ids[pick]): (reason, float(scores[pick])) for pick in picks}


def _wish_chosen(
    warehouse: Warehouse,
    case: FailureCase,
    attribute: AttributeSettings,
    chosen: dict[str, tuple[str, float]],
) -> None:
    connection = warehouse.connection
    connection.register(
        "mined_sample",
        pa.table(
            {
                "sample_id": pa.array(list(chosen), type=pa.string()),
                "reason": pa.array([reason for reason, _ in chosen.values()], type=pa.string()),
                "likeness": pa.array([likeness for _, likeness in chosen.values()], type=pa.float64()),
            }
        ),
    )
    connection.execute(
        read_sql("mine/wish_mined"),
        {
            "attribute": case.attribute,
            "case_name": case.case,
            "severity": case.severity,
            "guideline_sha256": read_guideline(warehouse.loop, attribute),
        },
    )
    connection.unregister("mined_sample")
