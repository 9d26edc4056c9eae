"""How a flow is run: as the plain function that it is, or, where a Prefect server is named, through Prefect.

`PREFECT_API_URL` names the server. Without it Prefect is not even imported: that alone takes a second, and a
flow of it would start a server of its own first.
"""

import os
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tasks.loop import Loop
from tasks.warehouse import as_utc

if TYPE_CHECKING:
    from flows.backfill import BackfillSummary
    from flows.backfill_progress import ShowProgress
    from flows.nightly import NightlySummary
    from flows.round import RoundSummary


def has_server() -> bool:
    """Tell whether a Prefect server is named."""
    return bool(os.environ.get("PREFECT_API_URL", "").strip())


def start_nightly(loop: Loop) -> "NightlySummary":
    """Run `nightly` once, now; visible in the Prefect server if one is named."""
    if not has_server():
        from flows.nightly import run_nightly

        return run_nightly(loop)
    from flows.prefect_flows import nightly_flow, run_visibly

    return run_visibly(nightly_flow, at=_name_folder(loop))


def start_round(loop: Loop, attribute_name: str) -> "RoundSummary":
    """Run `round` for one attribute once, now; visible in the Prefect server if one is named."""
    if not has_server():
        from flows.round import run_round

        return run_round(loop, attribute_name)
    from flows.prefect_flows import round_flow, run_visibly

    return run_visibly(round_flow, at=_name_folder(loop), attribute=attribute_name)


def start_backfill(
    loop: Loop,
    case_name: str,
    since: datetime,
    until: datetime,
    *,
    files: Sequence[Path] = (),
    is_dry_run: bool = False,
    show_progress: "ShowProgress | None" = None,
    check_stop: Callable[[], None] = lambda: None,
) -> "BackfillSummary":
    """Run a backfill, visible in the Prefect server if one is named; a dry run is nobody else's business."""
    if is_dry_run or not has_server():
        from flows.backfill import run_backfill

        return run_backfill(
            loop,
            case_name,
            since,
            until,
            files=files,
            is_dry_run=is_dry_run,
            show_progress=show_progress,
            check_stop=check_stop,
        )
    from flows.prefect_flows import backfill_flow, run_visibly

    moments = {"since": as_utc(since).isoformat(), "until": as_utc(until).isoformat()}
    paths = [str(path.absolute()) for path in files]
    return run_visibly(backfill_flow, at=_name_folder(loop), case=case_name, files=paths, **moments)


def _name_folder(loop: Loop) -> str:
    return str(loop.folder.absolute())
