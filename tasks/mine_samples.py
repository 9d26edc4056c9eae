"""`mine`: queue the unlabelled samples of a case's scope that are most like its settled members."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb
import numpy as np
import pyarrow as pa

from schemas.case_file import FailureCase
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import Purpose, stage_restricted
from tasks.ask_fixes import find_room, insert_wishes, make_wishes, prepare_wishes, stage_tracks, stage_weights
from tasks.choose_spread import BestRows, choose_spread, place_in_tracks
from tasks.find_scope import stage_candidates, stage_references
from tasks.group_samples import view_groups
from tasks.loop import Loop
from tasks.measure_likeness import References, measure_likeness
from tasks.record_definitions import read_guideline
from tasks.record_run import record_run
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


@dataclass(frozen=True)
class _Choice:
    sample_id: str
    reason: str
    likeness: float
    track: int


def mine_samples(loop: Loop, case: FailureCase) -> MineSummary:
    """Queue what the case's budget and the queue's limits allow; return how much.

    Likeness is measured to settled members within one vector space; `look_alikes` of the budget goes to
    samples that the model predicts otherwise than their nearest member. Run again it adds nothing until some
    of its questions are answered. Raises NotYetError without members.
    """
    started_at = loop.clock()
    attribute = loop.settings.attribute[case.attribute]
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        budget = case.mine.budget - _count_used(connection, case)
        at_most = min(budget, loop.settings.queue.ask_per_run - _count_asked(connection, case))
        wanted = max(0, min(at_most, find_room(warehouse).count_for(case.case)))
        view_groups(connection, attribute)
        make_wishes(connection)
        if wanted:
            stage_weights(warehouse)
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
    stage_tracks(warehouse)
    connection.execute(read_sql("mine/keep_unlabelled"), {"attribute": case.attribute})
    _drop_restricted(warehouse, attribute)
    references = stage_references(connection, case, attribute)
    look_alikes = round(wanted * case.mine.look_alikes)
    near, otherwise = _rank(connection, case, attribute, references, wanted)
    chosen = _choose(near, wanted - look_alikes, "mined", [])
    chosen += _choose(otherwise, look_alikes, "look_alike", chosen)
    # Where there are too few look-alikes their share is not lost.
    chosen += _choose(near, wanted - len(chosen), "mined", chosen)
    _wish_chosen(warehouse, case, attribute, chosen)


def _drop_restricted(warehouse: Warehouse, attribute: AttributeSettings) -> None:
    """Take out of the candidates what may not be asked about, or could not be trained on once answered."""
    connection = warehouse.connection
    purposes: tuple[Purpose, ...] = ("queue", "train")
    for purpose in purposes:
        if stage_restricted(warehouse, purpose, attribute, focus="likeness_candidate"):
            connection.execute(
                "delete from likeness_candidate where sample_id in (select sample_id from restricted_sample)"
            )


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
        names = ("sample_id", "margin", "predicted", "track", "room")
        ids, margin, predicted, tracks, room = (
            batch.rows.column(name).to_numpy(zero_copy_only=False) for name in names
        )
        scores = (batch.likeness + _DOUBT * (1 - margin)).astype(np.float32)
        in_scope = batch.likeness >= least
        near.add(ids[in_scope], scores[in_scope], batch.vectors[in_scope], tracks[in_scope], room[in_scope])
        differs = in_scope & (predicted != predicted_there[batch.nearest])
        otherwise.add(
            ids[differs], batch.likeness[differs], batch.vectors[differs], tracks[differs], room[differs]
        )
    return near, otherwise


def _choose(rows: BestRows, count: int, reason: str, taken: Sequence[_Choice]) -> list[_Choice]:
    """Return up to `count` rows that are not taken, of each track no more than it has room for beside those."""
    ids, used = {choice.sample_id for choice in taken}, Counter(choice.track for choice in taken)
    is_free = np.array([sample_id not in ids for sample_id in rows.ids], dtype=bool)
    left = rows.room - np.array([used[int(track)] for track in rows.tracks], dtype=np.int64)
    free = np.flatnonzero(is_free)
    free = free[place_in_tracks(rows.tracks[free]) < left[free]]
    if count <= 0 or not len(free):
        return []
    picks = free[choose_spread(rows.scores[free], rows.vectors[free], count, _SPREAD)]
    return [
        _Choice(str(rows.ids[pick]), reason, float(rows.scores[pick]), int(rows.tracks[pick])) for pick in picks
    ]


def _wish_chosen(
    warehouse: Warehouse,
    case: FailureCase,
    attribute: AttributeSettings,
    chosen: Sequence[_Choice],
) -> None:
    connection = warehouse.connection
    connection.register(
        "mined_sample",
        pa.table(
            {
                "sample_id": pa.array([choice.sample_id for choice in chosen], type=pa.string()),
                "reason": pa.array([choice.reason for choice in chosen], type=pa.string()),
                "likeness": pa.array([choice.likeness for choice in chosen], type=pa.float64()),
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
