"""Stop a long flow between two of its parts, at Ctrl-C or SIGTERM; a second one stops it where it is."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType


class StoppedBySignal(KeyboardInterrupt):
    """A flow was stopped from outside; `number` is the signal's."""

    def __init__(self, number: int) -> None:
        super().__init__(f"stopped by {signal.Signals(number).name}")
        self.number = number


@dataclass
class StopWatch:
    """Whether somebody asked to stop."""

    number: int | None = None

    def check(self) -> None:
        """Raise StoppedBySignal if somebody asked to stop: called where nothing is half done."""
        if self.number is not None:
            raise StoppedBySignal(self.number)


@contextmanager
def watch_signals() -> Iterator[StopWatch]:
    """Remember SIGINT and SIGTERM instead of dying of them; the second one of them acts as it did before.

    A query that a signal breaks off leaves DuckDB's connection refusing its own rollback, so parts are finished.
    Outside the main thread signals cannot be taken, and nothing is changed.
    """
    watch = StopWatch()
    if threading.current_thread() is not threading.main_thread():
        yield watch
        return
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.getsignal(number) for number in numbers}

    def remember(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - as the system calls it
        watch.number = number
        for each in numbers:
            signal.signal(each, before[each] or signal.SIG_DFL)

    for number in numbers:
        signal.signal(number, remember)
    try:
        yield watch
    finally:
        for number in numbers:
            signal.signal(number, before[number] or signal.SIG_DFL)
