"""Each watch as a function: what it sees now, in a bounded span of time, against its limit in `[watch]`."""

import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from schemas.settings import AttributeSettings, WatchSettings
from schemas.sql_files import read_sql
from tasks.blame_expression import blame_expression
from tasks.check_expression import check_expression
from tasks.compare_clocks import describe_lead
from tasks.find_log_files import describe_unread, drop_seen, list_unmatched
from tasks.warehouse import Warehouse

_DAY = timedelta(days=1)
_LATELY = 7 * _DAY
_BEFORE = 35 * _DAY  # the last seven days and the four weeks before them
_FOUR_WEEKS = 28 * _DAY
_HOURS_SPAN = 66 * _DAY  # eight weeks before the hours of a week and a day


@dataclass(frozen=True)
class Observed:
    """What a watch tells of one subject; with `is_known` false, why it can say nothing of it yet."""

    watch: str
    subject: str
    message: str
    is_known: bool = True


Watch = Callable[[Warehouse, datetime], list[Observed]]


def _ask(warehouse: Warehouse, watch: str, values: Mapping[str, object]) -> list[Observed]:
    rows = warehouse.connection.execute(read_sql(f"look_out/{watch}"), dict(values)).fetchall()
    return [Observed(watch, str(subject), str(message), bool(is_known)) for subject, message, is_known in rows]


def _limits(warehouse: Warehouse) -> WatchSettings:
    return warehouse.loop.settings.watch


def _attributes(warehouse: Warehouse) -> Iterator[AttributeSettings]:
    yield from warehouse.loop.settings.attribute.values()


def _watch_units(warehouse: Warehouse, now: datetime) -> list[Observed]:
    limits = _limits(warehouse)
    values = {
        "first": now - _FOUR_WEEKS,
        "now": now,
        "hours": limits.silent_hours,
        "laid_up": list(limits.laid_up),
    }
    return _ask(warehouse, "silent_units", values)


def _watch_hours(warehouse: Warehouse, now: datetime) -> list[Observed]:
    values = {
        "first": now - _HOURS_SPAN,
        "recent": now - _LATELY,
        "now": now,
        "deviations": _limits(warehouse).hour_deviations,
        "zone": warehouse.loop.settings.schedule.timezone,
        "attributes": list(warehouse.loop.settings.attribute),
    }
    return _ask(warehouse, "hour_rows", values)


def _shift_values(now: datetime, tracks: int, at_most: float) -> dict[str, object]:
    return {
        "first": now - _BEFORE,
        "recent": now - _LATELY,
        "now": now,
        "tracks": tracks,
        "at_most": at_most,
    }


def _watch_classes(warehouse: Warehouse, now: datetime) -> list[Observed]:
    limits = _limits(warehouse)
    values = _shift_values(now, limits.tracks_at_least, limits.class_shift_at_most)
    found: list[Observed] = []
    for one in _attributes(warehouse):
        if one.kind == "class":
            found += _ask(warehouse, "class_shift", {**values, "attribute": one.name})
    return found


def _watch_features(warehouse: Warehouse, now: datetime) -> list[Observed]:
    limits = _limits(warehouse)
    values = _shift_values(now, limits.tracks_at_least, limits.feature_shift_at_most)
    found: list[Observed] = []
    for one in _attributes(warehouse):
        found += _ask(warehouse, "feature_shift", {**values, "attribute": one.name, "space": one.feature_space})
    return found


def _watch_slices(warehouse: Warehouse, now: datetime) -> list[Observed]:
    """Tell values of `slices` that are served and of which the incumbent's training set has no row."""
    found: list[Observed] = []
    for one in _attributes(warehouse):
        if not one.slices:
            continue
        values = {"attribute": one.name, "recent": now - _LATELY, "now": now}
        warehouse.connection.execute(read_sql("look_out/stage_sliced"), values)
        for expression in one.slices:
            found += _list_untrained(warehouse, one.name, expression)
    return found


def _list_untrained(warehouse: Warehouse, attribute: str, expression: str) -> Iterator[Observed]:
    connection, origin = warehouse.connection, f"turnrow.toml, attribute.{attribute}.slices"
    check_expression(connection, expression, relation="current_sample", origin=origin, must_be_boolean=False)
    with blame_expression(origin):
        rows = connection.execute(
            f"select coalesce(cast(({expression}\n) as varchar), '(none)') as value, "
            "count(*) filter (where not is_trained) as tracks from sliced_track group by value "
            "having not bool_or(is_trained) and count(*) > $at_most order by value",
            {"at_most": _limits(warehouse).untrained_slice_tracks},
        ).fetchall()
    for value, tracks in rows:
        yield Observed(
            "untrained_slice",
            f"{attribute}, {expression} = {value}",
            f"{tracks} tracks of seven days, and the model in service learned from none; have some labelled: "
            "write a case with this scope, and type: turnrow mine",
        )


def _watch_refusals(warehouse: Warehouse, now: datetime) -> list[Observed]:
    limits = _limits(warehouse)
    values = {
        "first": now - _FOUR_WEEKS,
        "recent": now - _DAY,
        "at_least": limits.refused_share_at_least,
        "times": limits.refused_times,
    }
    return _ask(warehouse, "refused_rows", values)


def _watch_cases(warehouse: Warehouse, now: datetime) -> list[Observed]:
    values = {"first": now - _BEFORE, "now": now, "times": _limits(warehouse).case_rate_times}
    return _ask(warehouse, "case_rate", values)


def _watch_questions(warehouse: Warehouse, now: datetime) -> list[Observed]:
    return _ask(warehouse, "old_questions", {"now": now, "days": _limits(warehouse).question_days})


def _watch_candidates(warehouse: Warehouse, now: datetime) -> list[Observed]:
    return _ask(warehouse, "waiting_candidate", {"now": now, "days": _limits(warehouse).candidate_days})


def _watch_files(warehouse: Warehouse, now: datetime) -> list[Observed]:  # noqa: ARG001 - what lies there now
    unread = drop_seen(warehouse.connection, list_unmatched(warehouse.loop))
    if not unread:
        return []
    return [Observed("unread_files", "inbox", f"{describe_unread(unread)}; add one there, or take it away")]


def _watch_replays(warehouse: Warehouse, now: datetime) -> list[Observed]:
    values = {"first": now - _FOUR_WEEKS, "now": now, "at_most": _limits(warehouse).replay_share_at_most}
    found: list[Observed] = []
    for one in _attributes(warehouse):
        tolerance = one.tolerance if one.kind == "number" else None
        found += _ask(warehouse, "replay_differs", {**values, "attribute": one.name, "tolerance": tolerance})
    return found


def _watch_clock(warehouse: Warehouse, now: datetime) -> list[Observed]:
    told = describe_lead(warehouse, now)
    return [Observed("clock", "", f"{told}; set the host's clock right")] if told else []


def _watch_disk(warehouse: Warehouse, now: datetime) -> list[Observed]:  # noqa: ARG001 - a disk has only a present
    folders = {"the loop folder": warehouse.loop.folder}
    data = warehouse.location.data_path
    if data and "://" not in data:
        folders["the lake's data folder"] = Path(data)
    found: list[Observed] = []
    for name, folder in folders.items():
        if not folder.exists():
            continue
        usage = shutil.disk_usage(folder)
        share = 1 - usage.free / usage.total
        if share > _limits(warehouse).disk_share_at_most:
            free = usage.free / 2**30
            message = f"its disk is {share:.0%} full, {free:,.1f} GiB are free; make room"
            found.append(Observed("disk", name, message))
    return found


WATCHES: dict[str, Watch] = {
    "silent_units": _watch_units,
    "hour_rows": _watch_hours,
    "class_shift": _watch_classes,
    "feature_shift": _watch_features,
    "untrained_slice": _watch_slices,
    "refused_rows": _watch_refusals,
    "case_rate": _watch_cases,
    "old_questions": _watch_questions,
    "waiting_candidate": _watch_candidates,
    "unread_files": _watch_files,
    "replay_differs": _watch_replays,
    "disk": _watch_disk,
    "clock": _watch_clock,
}
