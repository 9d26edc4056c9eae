"""Several things in the room of one: the first, and how many there are besides."""

from collections.abc import Sequence


def tell_first(said: Sequence[object]) -> str:
    """Return the first of them as text, with how many more there are; of nothing an empty text."""
    if not said:
        return ""
    return f"{said[0]} (and {len(said) - 1} more)" if len(said) > 1 else str(said[0])
