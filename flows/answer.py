"""What a command is asked, and what it hands back to be shown."""

from argparse import Namespace
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from schemas.case_file import FailureCase
from tasks.errors import SettingsError
from tasks.find_names import find_case
from tasks.loop import Loop
from tasks.read_settings import read_cases, read_settings


@dataclass(frozen=True)
class Request:
    """The options of one command and its loop folder; `say` shows a line while a long command works."""

    options: Namespace
    folder: Path
    say: Callable[[str], None]

    @cached_property
    def loop(self) -> Loop:
        """The loop folder with its settings. Raises SettingsError."""
        return Loop(self.folder, read_settings(self.folder))

    @cached_property
    def case_files(self) -> tuple[list[FailureCase], list[SettingsError]]:
        """The failure cases, and an error for every case file that holds none."""
        return read_cases(self.folder, self.loop.settings)

    def find_case(self, name: str) -> FailureCase:
        """Return a failure case by name. Raises UnknownNameError with the nearest known one."""
        return find_case(*self.case_files, name)


@dataclass(frozen=True)
class Answer:
    """A command's result: `document` is what `--json` prints, `problems` are lines for stderr."""

    document: dict[str, Any]
    exit_code: int = 0
    problems: tuple[str, ...] = field(default=())
