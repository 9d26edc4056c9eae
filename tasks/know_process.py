"""Which process a run belongs to, so that others can tell whether it still lives."""

import os
import socket
from collections.abc import Mapping
from pathlib import Path


def name_process() -> dict[str, object]:
    """Return what identifies this process: host, number, and since when (numbers are given out again)."""
    return {"host": socket.gethostname(), "process": os.getpid(), "process_started": _read_start(os.getpid())}


def describe_process(named: Mapping[str, object]) -> str:
    """Return a named process in words; of a row that names none, that nobody knows it."""
    return f"process {named.get('process') or '?'} on {named.get('host') or 'an unknown host'}"


def is_dead(named: Mapping[str, object]) -> bool:
    """Tell whether a named process is surely gone; of another host, or without a name, nobody can tell."""
    number = named.get("process")
    if not is_of_this_host(named) or not isinstance(number, int):
        return False
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        pass
    return _read_start(number) != named.get("process_started")


def is_of_this_host(named: Mapping[str, object]) -> bool:
    """Tell whether a named process runs, or ran, here."""
    return named.get("host") == socket.gethostname()


def _read_start(number: int) -> str | None:
    """Return when a process started, in ticks since the start of the machine; None where /proc does not tell.

    Field 22 of /proc/PID/stat: proc(5). The name before it, in brackets, may hold anything. A zombie has none.
    """
    try:
        told = Path(f"/proc/{number}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    fields = told.rpartition(")")[2].split()
    return None if fields[0] == "Z" else fields[19]
