"""The list of SHA-256 sums in an exported folder, as `sha256sum -c` reads it."""

import hashlib
from collections.abc import Mapping
from pathlib import Path

from tasks.errors import InputError

SUMS = "SHA256SUMS"


def read_sums(path: Path) -> dict[str, str]:
    """Return a list of sums by file name. Raises InputError for a line that is none."""
    found: dict[str, str] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        digest, gap, name = line.partition("  ")
        if not gap or len(digest) != hashlib.sha256().digest_size * 2:
            raise InputError(f"{path}: has a line that is no sum and name: {line:.80}; export the set again")
        found[name] = digest
    return found


def write_sums(path: Path, sums: Mapping[str, str]) -> None:
    """Write sums by file name, with the same bytes on every machine."""
    text = "".join(f"{digest}  {name}\n" for name, digest in sums.items())
    path.write_text(text, encoding="utf-8", newline="\n")
