"""How long to wait before something that failed is tried again."""

import time
from dataclasses import dataclass

_FIRST_SECONDS = 2.0
_LONGEST_SECONDS = 60.0
_STEADY_SECONDS = 120.0


@dataclass
class Pause:
    """A wait that doubles with each failure, up to a minute; what was well for two minutes begins anew."""

    seconds: float = 0.0
    since: float = 0.0

    def begin(self) -> None:
        """Count from now on how long it goes well."""
        self.since = time.monotonic()

    def fail(self) -> None:
        """Wait from now on, and longer than after the failure before."""
        if time.monotonic() - self.since > _STEADY_SECONDS:
            self.seconds = 0.0
        self.seconds = min(_LONGEST_SECONDS, 2 * self.seconds or _FIRST_SECONDS)
        self.begin()

    def clear(self) -> None:
        """Wait no more: what ended was meant to end."""
        self.seconds = 0.0

    def is_over(self) -> bool:
        """Tell whether it may be tried now."""
        return time.monotonic() >= self.since + self.seconds
