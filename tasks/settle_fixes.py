"""`settle`: agreeing answers become labels; what stays open after enough answers ends as ambiguous."""

from dataclasses import dataclass
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.group_samples import view_groups
from tasks.judge_votes import judge_votes, make_outcomes
from tasks.keep_progress import read_progress, save_progress
from tasks.loop import Loop
from tasks.record_definitions import read_guideline
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse

_CARRY = "carry"


@dataclass(frozen=True)
class SettleSummary:
    """How many fixes ended, and how; `carried`: labels that a settled answer gave to the rest of its track."""

    settled: int
    ambiguous: int
    unusable: int
    carried: int = 0
    withdrawn: int = 0


def settle_fixes(loop: Loop) -> SettleSummary:
    """End every open fix that its answers decide; a settled fix is never decided again.

    Only answers under one guideline count together. Where everybody who voted is known by enough rated answers,
    a label settles at the probability `[answers] settle_at`; else it needs `answers_needed` answers and more than
    all others together (numbers: near their median, which is the label then). A critical class that anyone named
    is not outvoted: a decider ends that. Where answers differ, deciders who are of one mind settle it alone.
    At `answers_at_most` a fix ends as ambiguous. A constant attribute's answer reaches the whole track.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        seen_until = warehouse.read_clock()
        make_outcomes(connection)
        for attribute in loop.settings.attribute.values():
            _stage_outcomes(warehouse, attribute)

        def insert(known_at: datetime) -> SettleSummary:
            connection.execute(read_sql("settle/insert_revisions"), {"known_at": known_at})
            connection.execute(read_sql("settle/insert_outcomes"), {"known_at": known_at})
            for attribute in loop.settings.attribute.values():
                _reach_tracks(connection, attribute, seen_until, known_at)
            counts = _count_outcomes(connection, known_at)
            record_run(connection, "settle", started_at=started_at, ended_at=loop.clock(), counts=counts)
            return SettleSummary(**counts)

        return warehouse.write(insert)


def _stage_outcomes(warehouse: Warehouse, attribute: AttributeSettings) -> None:
    connection = warehouse.connection
    guideline_sha256 = read_guideline(warehouse.loop, attribute)
    connection.execute(
        read_sql("settle/stage_votes"), {"attribute": attribute.name, "guideline_sha256": guideline_sha256}
    )
    if connection.execute("select 1 from fix_vote limit 1").fetchone() is None:
        return
    if attribute.kind == "class":
        from tasks.weigh_fixes import stage_accuracies

        stage_accuracies(warehouse, attribute)
    judge_votes(connection, attribute, warehouse.loop.settings.answers.settle_at)


def _reach_tracks(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, seen_until: datetime, known_at: datetime
) -> None:
    """Carry what settled to the rest of its track, and withdraw the questions that this answers."""
    if attribute.within_track != "constant":
        return
    scope = {"attribute": attribute.name}
    done_until = read_progress(connection, _CARRY, attribute.name, attribute.within_track)
    connection.execute(read_sql("settle/track_settled"), {**scope, "done_until": done_until})
    if connection.execute("select 1 from track_settled limit 1").fetchone():
        view_groups(connection, attribute)
        connection.execute(read_sql("settle/carry_revisions"), {**scope, "known_at": known_at})
        connection.execute(read_sql("settle/withdraw_reached"), {**scope, "known_at": known_at})
    save_progress(connection, _CARRY, attribute.name, attribute.within_track, seen_until)


def _count_outcomes(connection: duckdb.DuckDBPyConnection, known_at: datetime) -> dict[str, int]:
    rows = connection.execute(read_sql("settle/count_ended"), {"known_at": known_at}).fetchall()
    found = {str(outcome): int(count) for outcome, count in rows}
    return {name: found.get(name, 0) for name in ("settled", "ambiguous", "unusable", "carried", "withdrawn")}
