"""What killed commands left outside the warehouse that may hold anybody's data: spill files, training folders."""

import time
from collections.abc import Iterator
from pathlib import Path

from tasks.loop import Loop
from tasks.work_folder import clear_work_folders

_DAY_SECONDS = 86_400


def clear_leftovers(loop: Loop) -> list[str]:
    """Delete spill files and training folders that nobody can be using any more; return what may still be in use.

    A spill file that was not written for a day is of a process that is gone: a query does not take as long.
    """
    told = [
        f"{path}: a spill file of a command that runs, or was killed; delete it when none runs"
        for path in _clear(loop)
    ]
    return told + [f"{path}: a training's folder; delete it if no training runs" for path in clear_work_folders()]


def _clear(loop: Loop) -> Iterator[Path]:
    for path in sorted(path for path in (loop.folder / ".spill").glob("**/*") if path.is_file()):
        try:
            if time.time() - path.stat().st_mtime > _DAY_SECONDS:
                path.unlink()
            else:
                yield path
        except OSError:
            continue  # its command has deleted it meanwhile
