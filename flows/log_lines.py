"""One line a step: on the terminal of whoever runs the flows unattended, and in Prefect's log of the run.

Prefect's own lines are kept off the terminal; in its UI they stand beside ours.
"""

import logging
import os
import sys
from collections.abc import Callable
from time import monotonic
from typing import TypeVar

from prefect.logging.handlers import APILogHandler

from tasks.errors import NotYetError
from tasks.track_run import describe_error, find_current_run, name_run

T = TypeVar("T")
LOG = logging.getLogger("turnrow")
STEPS = logging.getLogger("turnrow.step")
_STARTED_BY_PREFECT = "PREFECT__FLOW_RUN_ID"


def open_log() -> None:
    """Send our lines to Prefect's log, and to stderr what is a warning, or all where nobody looks on."""
    if LOG.handlers:
        return
    is_unattended = _STARTED_BY_PREFECT in os.environ
    terminal = logging.StreamHandler(sys.stderr)
    terminal.setLevel(logging.INFO if is_unattended else logging.WARNING)
    terminal.setFormatter(_choose_format(is_unattended))
    terminal.addFilter(lambda record: is_unattended or not record.name.startswith(STEPS.name))
    LOG.addHandler(terminal)
    LOG.addHandler(APILogHandler())
    LOG.setLevel(logging.INFO)
    LOG.propagate = False


def _choose_format(is_unattended: bool) -> logging.Formatter:
    if is_unattended:
        return logging.Formatter("%(asctime)s %(message)s", "%Y-%m-%dT%H:%M:%S%z")
    return logging.Formatter("turnrow: %(message)s")


def log_step(step: str, what: str, work: Callable[[], T]) -> T:
    """Run a step and log a line of what came of it."""
    start = monotonic()

    def tell(level: int, outcome: str, why: str = "") -> None:
        seconds = f"{monotonic() - start:.1f}"
        line = name_run(find_current_run(), step=step, what=what, outcome=outcome, seconds=seconds, why=why)
        STEPS.log(level, "%s", line)

    try:
        result = work()
    except NotYetError as error:
        tell(logging.INFO, "not_yet", str(error))
        raise
    except BaseException as error:
        tell(logging.WARNING, "failed", describe_error(error))
        raise
    tell(logging.INFO, "done")
    return result


def log_left(lines: tuple[tuple[str, str, str], ...]) -> None:
    """Log what a run left: step, file or case or attribute, and why."""
    for step, what, why in lines:
        STEPS.warning("%s", name_run(find_current_run(), step=step, what=what, outcome="left", why=why))
