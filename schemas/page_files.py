"""Where the answer page's own files are read from: `schemas/page`."""

from pathlib import Path

_FOLDER = Path(__file__).parent / "page"


def read_page(name: str) -> bytes:
    """Return the bytes of `schemas/page/NAME`."""
    return (_FOLDER / name).read_bytes()
