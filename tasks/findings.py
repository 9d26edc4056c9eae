"""What `check-setup` says of one thing that it looked at."""

from dataclasses import dataclass

from tasks.errors import TurnrowError

WRONG, WARNING, FINE = "wrong", "warning", "fine"


@dataclass(frozen=True)
class Finding:
    """`level` is `wrong`, `warning` or `fine`; `mend` says what to do and is empty where all is fine."""

    level: str
    where: str
    what: str
    mend: str = ""


def tell_error(where: str, error: TurnrowError) -> Finding:
    """Return an error as a finding. Its text says what was wrong, where, and what to do."""
    return Finding(WRONG, where, str(error))
