"""The process that serves a loop's flows by their cron lines: `python -m flows.serve_flows FOLDER`."""

import asyncio
import hashlib
import sys
from pathlib import Path
from typing import cast

from prefect import serve
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import DeploymentFilter, DeploymentFilterName, FlowRunFilter
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy, State
from prefect.deployments.runner import RunnerDeployment
from prefect.schedules import Cron
from prefect.states import Crashed
from prefect.types.entrypoint import EntrypointType

from flows.prefect_flows import nightly_flow, rounds_by_cron_flow
from schemas.settings import ScheduleSettings
from tasks.read_settings import read_settings

_NO_OVERLAP = ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW)
_UNDER_WAY = ["RUNNING", "PENDING", "CANCELLING"]
_FLOWS = {"nightly": nightly_flow, "round": rounds_by_cron_flow}


def serve_flows(folder: Path) -> None:
    """Serve until SIGTERM; runs that an earlier server process left as running are closed first."""
    name = f"turnrow-{hashlib.sha256(str(folder).encode()).hexdigest()[:12]}"
    asyncio.run(_close_left_runs(name))
    serve(*_list_deployments(folder, name, read_settings(folder).schedule), print_starting_message=False)


def _list_deployments(folder: Path, name: str, schedule: ScheduleSettings) -> list[RunnerDeployment]:
    lines = {"nightly": schedule.nightly, "round": schedule.round}
    return [
        cast(
            "RunnerDeployment",  # outside an event loop it is no coroutine
            _FLOWS[flow].to_deployment(
                name,
                schedule=Cron(line, timezone=schedule.timezone),
                parameters={"at": str(folder)},
                concurrency_limit=_NO_OVERLAP,
                entrypoint_type=EntrypointType.MODULE_PATH,
            ),
        )
        for flow, line in lines.items()
        if line
    ]


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


if __name__ == "__main__":
    serve_flows(Path(sys.argv[1]))
