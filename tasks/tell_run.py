"""What is told of a run: that it went wrong, once, when it has ended; or that it does not end."""

import json
import socket
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from tasks.know_process import describe_process
from tasks.loop import Loop
from tasks.notify import notify
from tasks.tell_first import tell_first
from tasks.warehouse import as_utc

TOLD_STATES = ("failed", "partial", "crashed")


def tell_run(loop: Loop, row: Mapping[str, Any], findings: Sequence[str] = ()) -> bool:
    """Notify of a row of `flow_run` that ended badly, or that comes with findings; else of nothing.

    `parameters` and `counts` are JSON, as they are stored. What fails is logged. Returns false where somebody is
    to be notified and nobody could be.
    """
    if row["state"] not in TOLD_STATES and not findings:
        return True
    failed = notify(loop, describe_run(loop, row, findings))
    ways = [text for text in (loop.settings.notify.command, loop.settings.notify.webhook) if text.strip()]
    return not failed or len(failed) < len(ways)


def tell_long_run(loop: Loop, row: Mapping[str, Any], process: Mapping[str, object]) -> None:
    """Notify of a run that is still under way after `[watch] run_hours`; `process` is whose it is."""
    hours = loop.settings.watch.run_hours
    whose = describe_process(process)
    why = f"still runs after {hours:g} hours ({whose}); if it hangs, end that process and run it again"
    notify(loop, describe_run(loop, {**row, "ended_at": None, "error": why}))


def tell_failure(loop: Loop, flow: str, why: str) -> None:
    """Notify of something that failed before it had a row in `flow_run`."""
    now = loop.clock()
    row = {"run_id": None, "flow": flow, "parameters": "{}", "state": "failed", "counts": "{}", "error": why}
    notify(loop, describe_run(loop, row | {"started_at": now, "ended_at": now}))


def describe_run(loop: Loop, row: Mapping[str, Any], findings: Sequence[str] = ()) -> dict[str, Any]:
    """Return the document of one run: plain values, moments in UTC, and `text`, which says it in a line."""
    problems = [line for line in (row["error"] or "").splitlines() if line.strip()]
    said = [*problems, *findings]
    what = name_flow(row["flow"], json.loads(row["parameters"] or "{}"))
    why = f": {tell_first(said)}" if said else ""
    return {
        "text": f"Turnrow: {what}: {row['state']}{why}",
        "loop": str(loop.folder.absolute()),
        "host": socket.gethostname(),
        "run_id": row["run_id"],
        "flow": row["flow"],
        "parameters": json.loads(row["parameters"] or "{}"),
        "state": row["state"],
        "started_at": _show(row["started_at"]),
        "ended_at": _show(row["ended_at"]) if row["ended_at"] else None,
        "counts": json.loads(row["counts"] or "{}"),
        "problems": problems,
        "findings": list(findings),
    }


def name_flow(flow: str, parameters: Mapping[str, Any]) -> str:
    """Return a flow with what it was run for, in a few words: `backfill crouched-picker`, its files by number."""
    words = [f"{len(value)} {key}" if isinstance(value, list) else str(value) for key, value in parameters.items()]
    return " ".join([flow, *words])


def _show(moment: datetime) -> str:
    return as_utc(moment).isoformat()
