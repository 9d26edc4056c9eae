"""The scheduler's own things in a loop folder: its lock, and the home of its Prefect server with all past runs."""

import fcntl
import shutil

from tasks.errors import BusyWarehouseError, WarehouseError
from tasks.lock import hold_file_lock
from tasks.loop import Loop

LOCK = "schedule.lock"
HOME = ".prefect"


def is_scheduled_now(loop: Loop) -> bool:
    """Tell whether a scheduler of this loop runs; nothing is written."""
    try:
        with (loop.folder / LOCK).open("rb") as handle:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False  # no file that one may read is no lock that a scheduler holds; starting one says why
    return False


def tell_scheduler(loop: Loop) -> str | None:
    """Return `running` or `stopped`; None where this loop never had a scheduler."""
    if not (loop.folder / LOCK).exists():
        return None
    return "running" if is_scheduled_now(loop) else "stopped"


def clear_schedule_home(loop: Loop) -> list[str]:
    """Delete what the scheduler's server remembers of runs, as files and recordings are named in it; tell so.

    While a scheduler runs it is in use, and is told as something that is left to do.
    """
    home = loop.folder / HOME
    if not home.exists():
        return []
    try:
        with hold_file_lock(loop.folder / LOCK, shared=False, wait_seconds=0):
            shutil.rmtree(home)
    except BusyWarehouseError:
        return [
            f"{home}: what the scheduler remembers of runs may name it: stop turnrow schedule, delete the folder"
        ]
    except WarehouseError as error:
        return [f"{home}: what the scheduler remembers of runs may name it: delete the folder ({error})"]
    except OSError as error:
        return [f"{home}: what the scheduler remembers of runs may name it: delete the folder ({error.strerror})"]
    return [f"{home} is gone, which remembered the scheduler's runs by name; the runs themselves are in flow_run"]
