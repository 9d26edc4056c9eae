"""`holdout`: draw a case's fair test from its scope by group, or take exactly the samples of a file."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.case_file import FailureCase
from schemas.definitions import definition_json, definition_of_holdout, hash_definition
from schemas.settings import BUILT_IN_TRAINERS, AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import list_restrictions, stage_restricted
from tasks.ask_fixes import insert_wishes, make_wishes, prepare_wishes
from tasks.errors import InputError, NotYetError
from tasks.find_biased_holdouts import find_list_bias
from tasks.freeze_holdouts import (
    OpenHoldout,
    freeze_full,
    read_open_holdouts,
    stage_unaskable,
)
from tasks.group_samples import view_groups
from tasks.leave_out_copies import draw_without_copies, mark_copies, stage_seen
from tasks.list_holdout import stage_listed
from tasks.loop import Loop
from tasks.record_definitions import read_guideline, record_definitions
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, open_warehouse

OVERALL_SIZE = 1500
_PER_GROUP = 3
_CARRY = "create or replace temp table carried_member as select * from holdout_member where holdout_id = $id"
_DRAWN, _LISTED, _GROWN = "draw", "file", "grow"


@dataclass(frozen=True)
class HoldoutTarget:
    """Whose hold-out is meant: a failure case's, or an attribute's general one (`case` is None)."""

    attribute: AttributeSettings
    case: FailureCase | None

    @property
    def case_name(self) -> str:
        """The name it has in the warehouse."""
        return self.case.case if self.case else f"overall:{self.attribute.name}"


@dataclass(frozen=True)
class HoldoutSummary:
    """The hold-out as it stands; `missing` labels are still to come, and are queued.

    Of those, `unaudited` are settled and wait for the audit of their lot.
    Of the attribute's groups `reserved_groups` are kept for hold-outs, this and others; `free_groups` are left
    to train on and to mine. `seen` members belong to groups that the incumbent was trained on, or are
    near-duplicates of its rows, and judge nothing. `restricted` members can get no label that counts,
    since nobody may be asked about them any more: it freezes, or froze just now, without. `unlabelled` members of
    a frozen one have none. `left_out` counts, of this draw, what was not drawn, by why. `warning`: why what this
    run took from a file will pass no candidate.
    """

    holdout_id: str
    case_name: str
    version: int
    members: int
    missing: int
    reserved_groups: int
    free_groups: int
    unaudited: int = 0
    seen: int = 0
    restricted: int = 0
    unlabelled: int = 0
    left_out: dict[str, int] = field(default_factory=dict)
    warning: str = ""


@dataclass(frozen=True)
class HoldoutPlan:
    """What a draw has staged: how it chose, how many are wanted, and what was left out or is to be warned of."""

    source: str
    size: int
    definition: str
    version: int
    left_out: dict[str, int] = field(default_factory=dict)
    warning: str = ""


@dataclass(frozen=True)
class _Latest:
    holdout_id: str
    version: int
    definition_sha256: str
    size: int
    is_frozen: bool
    source: str
    members_before: int


def draw_holdout(
    loop: Loop, target: HoldoutTarget, *, listed: Path | None = None, grow: int | None = None
) -> HoldoutSummary:
    """Draw, reserve and, once every member has a label, freeze a hold-out; missing labels are queued.

    Run again it draws nothing: only a changed definition, another file or `grow` makes a new version.
    Raises NotYetError where the scope holds nothing to draw, InputError for a file that names unknown samples.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        plan = plan_holdout(warehouse, target, listed=listed, grow=grow)
        make_wishes(connection)
        if plan is not None:
            _wish_labels(warehouse, target)
        stage_unaskable(warehouse, planned="drawn_member" if plan else None)
        is_audited = loop.settings.audit is not None

        def insert(known_at: datetime) -> HoldoutSummary:
            if plan is not None:
                record_definitions(connection, loop, known_at)
                _insert_draw(connection, target, plan, known_at)
                insert_wishes(connection, known_at)
            waiting = read_open_holdouts(connection, is_audited=is_audited)
            freeze_full(connection, known_at, is_audited=is_audited)
            summary = _summarise(connection, target, waiting, plan)
            record_run(
                connection,
                "holdout",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"case": target.case_name},
                counts={"members": summary.members, "missing": summary.missing, **summary.left_out},
            )
            return summary

        return warehouse.write(insert)


def plan_holdout(
    warehouse: Warehouse, target: HoldoutTarget, *, listed: Path | None = None, grow: int | None = None
) -> HoldoutPlan | None:
    """Make the temp table `drawn_member` of what would be drawn or taken; None where there is nothing to do."""
    return _stage(warehouse, target, _read_latest(warehouse.connection, target), listed, grow)


def _read_latest(connection: duckdb.DuckDBPyConnection, target: HoldoutTarget) -> _Latest | None:
    row = connection.execute(
        read_sql("holdout/latest"), {"case_name": target.case_name, "attribute": target.attribute.name}
    ).fetchone()
    return _Latest(*row) if row else None


def _stage(
    warehouse: Warehouse, target: HoldoutTarget, latest: _Latest | None, listed: Path | None, grow: int | None
) -> HoldoutPlan | None:
    connection = warehouse.connection
    view_groups(connection, target.attribute)
    stage_seen(connection, target.attribute)
    version = latest.version + 1 if latest else 1
    if listed is not None:
        return _plan_listed(warehouse, target, latest, listed, version)
    return _plan_draw(warehouse, target, latest, grow, version)


def _plan_listed(
    warehouse: Warehouse, target: HoldoutTarget, latest: _Latest | None, listed: Path, version: int
) -> HoldoutPlan | None:
    connection = warehouse.connection
    definition = definition_json({"listed": stage_listed(connection, listed, target.attribute)})
    is_known = latest is not None and latest.definition_sha256 == hash_definition(definition)
    connection.execute(_CARRY, {"id": ""})
    if not is_known:
        mark_copies(warehouse, target.attribute, is_listed=True)
    _refuse_all_seen(connection, listed)
    _refuse_restricted(warehouse, target.attribute, listed)
    if is_known:
        return None
    bias = find_list_bias(connection, target.attribute, target.case)
    warning = f"{listed}: {bias}" if bias else ""
    return HoldoutPlan(_LISTED, _count(connection, "drawn_member"), definition, version, warning=warning)


def _refuse_all_seen(connection: duckdb.DuckDBPyConnection, listed: Path) -> None:
    """Raise InputError where every listed sample is seen: such a set judges nothing, yet would replace one."""
    row = connection.execute("select 1 from drawn_member where not is_seen limit 1").fetchone()
    if row is None:
        raise InputError(
            f"{listed}: the incumbent was trained on the groups of all samples in it, or on near-duplicates of "
            "them, so nothing could be judged on them; list samples of other groups"
        )


def _refuse_restricted(warehouse: Warehouse, attribute: AttributeSettings, listed: Path) -> None:
    """Raise InputError where a listed sample lacks a label and may not be queued: the set could never freeze."""
    found = _stage_unaskable(warehouse, attribute, "drawn_member")
    if found:
        raise InputError(
            f"{listed}: {len(found)} of its samples have no label and may not be queued by a [[restriction]], "
            f"such as {found[0]}; list samples that have a label or may be asked about"
        )


def _stage_unaskable(warehouse: Warehouse, attribute: AttributeSettings, table: str) -> list[str]:
    """Return which samples of a temp table lack a label and may not be queued; `unaskable` holds them."""
    connection = warehouse.connection
    connection.execute("create or replace temp table unaskable (sample_id varchar)")
    if list_restrictions(warehouse.loop.settings, "queue"):
        stage_restricted(warehouse, "queue", attribute, focus=table)
        connection.execute(read_sql("holdout/stage_unaskable"))
    rows = connection.execute("select sample_id from unaskable order by sample_id").fetchall()
    return [str(row[0]) for row in rows]


def _plan_draw(
    warehouse: Warehouse, target: HoldoutTarget, latest: _Latest | None, grow: int | None, version: int
) -> HoldoutPlan | None:
    connection = warehouse.connection
    definition = _define(target)
    if latest is not None and _is_done(connection, latest, hash_definition(definition), grow):
        return None
    carried = latest if grow is not None else None
    connection.execute(_CARRY, {"id": carried.holdout_id if carried else ""})
    size = grow if grow is not None else (target.case.holdout.size if target.case else OVERALL_SIZE)
    left_out = _stage_draw(warehouse, target, size, carried)
    kept = _count(connection, "carried_member")
    if _count(connection, "drawn_member") == kept:
        copies = left_out.get("near_duplicate", 0)
        but = f" (but for {copies} near-duplicates of rows that were trained on)" if copies else ""
        raise NotYetError(
            f"{target.case_name}: nothing can be drawn: no served sample of the scope lies outside the groups "
            f"that were trained on or drawn before, and has a label or may be queued{but}; pull more logs, or "
            "widen [scope]"
        )
    return HoldoutPlan(_GROWN if carried else _DRAWN, size + kept, definition, version, left_out)


def _is_done(
    connection: duckdb.DuckDBPyConnection, latest: _Latest, definition_sha256: str, grow: int | None
) -> bool:
    """Tell whether the latest version is what is asked for: the same command again draws nothing."""
    if grow is None:
        return latest.source == _LISTED or latest.definition_sha256 == definition_sha256
    if latest.source != _GROWN or latest.size != latest.members_before + grow:
        return False
    return not latest.is_frozen or not _has_news(connection, latest)


def _has_news(connection: duckdb.DuckDBPyConnection, latest: _Latest) -> bool:
    row = connection.execute(read_sql("holdout/news_since"), {"holdout_id": latest.holdout_id}).fetchone()
    return row is not None and bool(row[0])


def _define(target: HoldoutTarget) -> str:
    if target.case is not None:
        return definition_of_holdout(target.case)
    return definition_json({"overall": target.attribute.name, "group_by": target.attribute.group_by})


def _stage_draw(warehouse: Warehouse, target: HoldoutTarget, size: int, carried: _Latest | None) -> dict[str, int]:
    """Make the temp table `drawn_member`; return how many samples were left out, by why.

    The hash that orders groups does not change from version to version, so that a changed definition draws the
    same groups again as far as they are still in its scope.
    """
    connection, attribute = warehouse.connection, target.attribute
    if target.case is not None:
        from tasks.find_scope import stage_scope

        connection.execute(read_sql("holdout/case_pairs"), {"case_name": target.case.case})
        stage_scope(connection, target.case, attribute)
    else:
        connection.execute(read_sql("holdout/no_pairs"))
        connection.execute(read_sql("holdout/overall_scope"), {"attribute": attribute.name})
    connection.execute(
        read_sql("holdout/stage_eligible"),
        {
            "attribute": attribute.name,
            "feature_space": attribute.feature_space,
            "needs_features": attribute.trainer in BUILT_IN_TRAINERS,
            "carried_at": _read_drawn_at(connection, carried),
            "tolerance": attribute.tolerance or 0.0,
        },
    )
    unaskable = len(_stage_unaskable(warehouse, attribute, "eligible_sample"))
    if unaskable:
        connection.execute("delete from eligible_sample where sample_id in (select sample_id from unaskable)")
    bound = {"seed": target.case_name, "per_group": _PER_GROUP, "is_spread": target.case is None}

    def draw(count: int) -> None:
        connection.execute(read_sql("holdout/draw_members"), {**bound, "size": count})

    copies = draw_without_copies(warehouse, attribute, draw, size)
    if carried is not None:
        mark_copies(warehouse, attribute, is_listed=False)
    return {why: count for why, count in (("restricted", unaskable), ("near_duplicate", copies)) if count}


def _read_drawn_at(connection: duckdb.DuckDBPyConnection, carried: _Latest | None) -> datetime | None:
    if carried is None:
        return None
    row = connection.execute(
        "select known_at from holdout where holdout_id = $id", {"id": carried.holdout_id}
    ).fetchone()
    return row[0] if row else None


def _count(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    row = connection.execute(f"select count(*) from {table}").fetchone()
    return int(row[0]) if row else 0


def _wish_labels(warehouse: Warehouse, target: HoldoutTarget) -> None:
    warehouse.connection.execute(
        read_sql("holdout/wish_labels"),
        {
            "attribute": target.attribute.name,
            "case_name": target.case.case if target.case else None,
            "guideline_sha256": read_guideline(warehouse.loop, target.attribute),
        },
    )
    prepare_wishes(warehouse)


def _insert_draw(
    connection: duckdb.DuckDBPyConnection, target: HoldoutTarget, plan: HoldoutPlan, known_at: datetime
) -> None:
    names = {"attribute": target.attribute.name, "case_name": target.case_name, "version": plan.version}
    sha = hash_definition(plan.definition)
    row = connection.execute(
        "select make_holdout_id($attribute, $case_name, $version, $sha)", {**names, "sha": sha}
    ).fetchone()
    holdout_id = row[0] if row else ""
    connection.execute(
        "insert into holdout values "
        "($holdout_id, $case_name, $attribute, $version, $source, $size, $definition, $sha, $known_at)",
        {
            **names,
            "holdout_id": holdout_id,
            "source": plan.source,
            "size": plan.size,
            "definition": plan.definition,
            "sha": sha,
            "known_at": known_at,
        },
    )
    connection.execute(
        "insert into holdout_member select $id, sample_id, group_id, stratum, inclusion_probability, is_seen "
        "from drawn_member order by sample_id",
        {"id": holdout_id},
    )
    connection.execute(
        read_sql("holdout/insert_reserved"),
        {"attribute": target.attribute.name, "case_name": target.case_name, "known_at": known_at},
    )


def _summarise(
    connection: duckdb.DuckDBPyConnection,
    target: HoldoutTarget,
    waiting: Sequence[OpenHoldout],
    plan: HoldoutPlan | None,
) -> HoldoutSummary:
    """Tell how the latest one stands; `waiting` are those that were not frozen before what is planned."""
    latest = _read_latest(connection, target)
    if latest is None:
        raise NotYetError(f"{target.case_name}: there is no hold-out yet")
    held = next((one for one in waiting if one.holdout_id == latest.holdout_id), None)
    row = connection.execute(read_sql("holdout/count_members"), {"holdout_id": latest.holdout_id}).fetchone()
    members, seen, unlabelled = row or (0, 0, 0)
    groups = connection.execute(read_sql("holdout/count_groups"), {"attribute": target.attribute.name}).fetchone()
    reserved, free = groups or (0, 0)
    return HoldoutSummary(
        latest.holdout_id,
        target.case_name,
        latest.version,
        int(members),
        held.missing if held else 0,
        int(reserved),
        int(free),
        held.unaudited if held else 0,
        int(seen),
        held.restricted if held else 0,
        int(unlabelled),
        plan.left_out if plan else {},
        plan.warning if plan else "",
    )
