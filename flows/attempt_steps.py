"""How a flow goes on past a bad file, case or attribute, and what it remembers of it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol, TypeVar

from tasks.errors import NotYetError, TurnrowError, WarehouseError
from tasks.track_run import describe_error

T = TypeVar("T")


class Perform(Protocol):
    """Runs one step; `is_outside` marks one that touches the outside world, which may be tried again."""

    def __call__(self, step: str, what: str, work: Callable[[], T], *, is_outside: bool = False) -> T:
        """Return what `work` returns, and let through what it raises."""
        ...


def perform_plainly(
    step: str,  # noqa: ARG001 - a name is of use only where something shows it
    what: str,  # noqa: ARG001
    work: Callable[[], T],
    *,
    is_outside: bool = False,  # noqa: ARG001 - whoever runs a command tries again himself
) -> T:
    """Run a step as the function that it is."""
    return work()


@dataclass(frozen=True)
class Problem:
    """One thing that a flow left: in which step, of which file, case or attribute, and why."""

    step: str
    what: str
    message: str

    def __str__(self) -> str:
        """Return the problem as one line; a message that begins with what it is about says so once."""
        if not self.what:
            return f"{self.step}: {self.message}"
        named = "" if self.message.startswith(f"{self.what}:") else f"{self.what}: "
        return f"{self.step} {named}{self.message}"


@dataclass
class Attempts:
    """A flow under way: what failed, what is not due yet, and which errors nobody expected."""

    perform: Perform
    problems: list[Problem] = field(default_factory=list)
    waiting: list[Problem] = field(default_factory=list)
    unexpected: list[Exception] = field(default_factory=list)

    def attempt(self, step: str, what: str, work: Callable[[], T], *, is_outside: bool = False) -> T | None:
        """Run a step and return its result, or None where it failed, which is then remembered.

        A warehouse that cannot be used concerns every step, so its error ends the flow.
        """
        try:
            return self.perform(step, what, work, is_outside=is_outside)
        except WarehouseError:
            raise
        except NotYetError as error:
            self.waiting.append(Problem(step, what, str(error)))
        except TurnrowError as error:
            self.problems.append(Problem(step, what, str(error)))
        except Exception as error:  # remembered, and raised again when the others are done
            self.problems.append(Problem(step, what, describe_error(error)))
            self.unexpected.append(error)
        return None

    def attempt_all(self, step: str, names: Sequence[str], work: Callable[[Sequence[str]], T]) -> list[T]:
        """Run a step for all of `names` at once; where that fails, once for each, so that only one is left.

        A step that fails has written nothing, so nothing is done twice.
        """
        try:
            return [self.perform(step, "", lambda: work(names))] if names else []
        except WarehouseError:
            raise
        except Exception:  # whatever it was, it comes up again, by name
            singly = [self.attempt(step, name, partial(work, [name])) for name in names]
        return [done for done in singly if done is not None]

    @property
    def state(self) -> str:
        """The run's state in `flow_run`."""
        if self.unexpected:
            return "failed"
        return "partial" if self.problems else "done"

    def raise_unexpected(self, flow: str) -> None:
        """Raise what nobody expected, with its traceback, now that all the rest is done."""
        if len(self.unexpected) == 1:
            raise self.unexpected[0]
        if self.unexpected:
            raise ExceptionGroup(f"{flow}: {len(self.unexpected)} steps failed", self.unexpected)
