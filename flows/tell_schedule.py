"""`schedule --next`: when the flows run next, and what their last runs did; no server is needed."""

import asyncio
import json
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from schemas.sql_files import read_sql
from tasks.find_running import DIED, list_running
from tasks.keep_schedule import is_scheduled_now
from tasks.loop import Loop
from tasks.warehouse import as_utc, open_warehouse

_NEXT = 3
_LAST = 5


def tell_schedule(loop: Loop) -> dict[str, Any]:
    """Return the next times of each flow with a cron line, the last runs, and whether a scheduler runs now."""
    schedule = loop.settings.schedule
    lines = {"nightly": schedule.nightly, "round": schedule.round}
    return {
        "is_running": is_scheduled_now(loop),
        "timezone": schedule.timezone,
        "flows": [
            {"flow": flow, "cron": line, "next": find_next(line, schedule.timezone, loop.clock()) if line else []}
            for flow, line in lines.items()
        ],
        "last": _read_last(loop),
    }


def find_next(line: str, timezone: str, now: datetime) -> list[dict[str, str]]:
    """Return the next times by the rules that Prefect itself schedules by, local and UTC."""
    from prefect.server.schemas.schedules import CronSchedule

    found = asyncio.run(CronSchedule(cron=line, timezone=timezone).get_dates(n=_NEXT, start=as_utc(now)))
    zone = ZoneInfo(timezone)
    return [{"local": moment.astimezone(zone).isoformat(), "utc": as_utc(moment).isoformat()} for moment in found]


def _read_last(loop: Loop) -> list[dict[str, Any]]:
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute(read_sql("runs/list_last_runs"), {"count": _LAST}).fetchall()
        dead = {run.run_id for run in list_running(warehouse.connection) if run.is_dead}
    zone = ZoneInfo(loop.settings.schedule.timezone)
    return [
        {
            "flow": flow,
            "parameters": json.loads(parameters or "{}"),
            "state": state,
            "local": as_utc(started).astimezone(zone).isoformat(timespec="seconds"),
            "started_at": as_utc(started).isoformat(),
            "ended_at": as_utc(ended).isoformat() if ended else None,
            "counts": json.loads(counts or "{}") if state not in ("running", "crashed") else {},
            "error": DIED if run_id in dead else error,
        }
        for run_id, flow, parameters, state, started, ended, counts, error in rows
    ]
