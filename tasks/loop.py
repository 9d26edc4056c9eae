"""A loop folder as a value: where it is, what its settings say, and what time it is."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from schemas.settings import Settings


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
        """Return a path as it is stored: relative where it lies inside the loop folder."""
        absolute = path.absolute()
        folder = self.folder.absolute()
        return absolute.relative_to(folder).as_posix() if absolute.is_relative_to(folder) else str(absolute)
