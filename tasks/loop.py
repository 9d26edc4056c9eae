"""A loop folder as a value: where it is, what its settings say, and what time it is."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from schemas.settings import Settings
from tasks.errors import spell_printable


def read_clock() -> datetime:
    """Return the present moment in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Loop:
    """One loop folder. `clock` is passed in so that a test can say what night it is."""

    folder: Path
    settings: Settings
    clock: Callable[[], datetime] = read_clock

    def locate(self, path: str) -> Path:
        """Return a path of the settings or the warehouse as an absolute one."""
        return self.folder / Path(path).expanduser()

    def relate(self, path: Path) -> str:
        """Return a path as it is stored and told: relative where it lies inside the loop folder, always UTF-8."""
        absolute = path.absolute()
        folder = self.folder.absolute()
        is_inside = absolute.is_relative_to(folder)
        return spell_printable(absolute.relative_to(folder).as_posix() if is_inside else str(absolute))
