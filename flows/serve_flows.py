"""The process that serves a loop's flows by their cron lines: `python -m flows.serve_flows FOLDER HOST [apply]`.

HOST tells the loops of several machines apart at a server that they share; `-` where the server is the loop's own.
With `apply` it only hands changed cron lines to the server, beside the process that serves.
"""

import asyncio
import hashlib
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import cast

# Read when Prefect is loaded: a flow without a cron line has no schedule either, whatever it had before.
os.environ["PREFECT_DEPLOYMENTS_CLEAR_SCHEDULES_ON_EMPTY"] = "true"

import httpx
from prefect import serve
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import (
    DeploymentFilter,
    DeploymentFilterName,
    FlowRunFilter,
)
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy, State
from prefect.deployments.runner import RunnerDeployment
from prefect.schedules import Cron, Schedule
from prefect.states import Crashed
from prefect.types.entrypoint import EntrypointType

from flows.prefect_flows import nightly_flow, rounds_flow
from flows.schedule import NO_HOST, NO_SERVER
from schemas.settings import ScheduleSettings
from tasks.read_settings import read_settings

_NO_OVERLAP = ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW)
_UNDER_WAY = ["RUNNING", "PENDING", "CANCELLING"]
_FLOWS = {"nightly": nightly_flow, "round": rounds_flow}


def serve_flows(folder: Path, host: str) -> None:
    """Serve until SIGTERM; runs that an earlier server process left as running are closed first."""
    asyncio.run(_close_left_runs(name_deployment(folder, host)))
    apply_lines(folder, host, only_clear=True)
    serve(*_list_deployments(folder, host), print_starting_message=False)


def apply_lines(folder: Path, host: str, *, only_clear: bool = False) -> None:
    """Give the server the cron lines as `turnrow.toml` has them now.

    With `only_clear` only take away schedules where there is no line any more: serving gives the others.
    """
    lines = read_settings(folder).schedule
    for deployment, line in zip(_list_deployments(folder, host), (lines.nightly, lines.round), strict=True):
        if line and only_clear:
            continue
        schedule = {"cron": line, "timezone": lines.timezone}
        deployment.apply(schedules=[{"schedule": schedule}] if line else [])


def name_deployment(folder: Path, host: str) -> str:
    """Return a name that tells a person which loop it is; one of the same name, or elsewhere, has another."""
    parts = (folder.name,) if host == NO_HOST else (folder.name, host)
    shown = "-".join(re.sub(r"[^\w.-]+", "-", part).strip("-") or "loop" for part in parts)
    where = str(folder) if host == NO_HOST else f"{host}:{folder}"
    return f"{shown}-{hashlib.sha256(where.encode()).hexdigest()[:8]}"


def _list_deployments(folder: Path, host: str) -> list[RunnerDeployment]:
    """Return both, also the one without a cron line, which a later line is then served by."""
    schedule = read_settings(folder).schedule
    return [
        cast(
            "RunnerDeployment",  # outside an event loop it is no coroutine
            _FLOWS[flow].to_deployment(
                name_deployment(folder, host),
                schedules=_list_schedules(schedule, flow),
                parameters={"at": str(folder)},
                concurrency_limit=_NO_OVERLAP,
                entrypoint_type=EntrypointType.MODULE_PATH,
            ),
        )
        for flow in _FLOWS
    ]


def _list_schedules(schedule: ScheduleSettings, flow: str) -> list[Schedule]:
    line = {"nightly": schedule.nightly, "round": schedule.round}[flow]
    return [Cron(line, timezone=schedule.timezone)] if line else []


async def _close_left_runs(name: str) -> None:
    """Close what a killed process left as running: it would keep every later run from starting.

    The scheduler's own lock makes sure that no other process serves these deployments now.
    """
    async with get_client() as client:
        left = await client.read_flow_runs(
            deployment_filter=DeploymentFilter(name=DeploymentFilterName(any_=[name])),
            flow_run_filter=FlowRunFilter.model_validate({"state": {"type": {"any_": _UNDER_WAY}}}),
        )
        for run in left:
            state: State[None] = Crashed(message="its process died before its end")
            await client.set_flow_run_state(run.id, state, force=True)


def main(words: Sequence[str]) -> int:
    """Serve, or hand over the lines; a server that cannot be reached is the exit code that says so."""
    folder, host, *rest = Path(words[0]), *words[1:]
    try:
        if rest == ["apply"]:
            apply_lines(folder, host)
        else:
            serve_flows(folder, host)
    except (httpx.TransportError, RuntimeError) as error:
        if isinstance(error, RuntimeError) and "Failed to reach API" not in str(error):
            raise
        return NO_SERVER
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
