"""What a file, and a model artefact, is known by, so that a changed one is never taken for it by mistake."""

import hashlib
from pathlib import Path

from tasks.errors import InputError


def hash_folder(path: Path) -> str:
    r"""Return the SHA-256 of an artefact as 64 hex digits; neither times nor permissions count.

    A single file: the SHA-256 of its bytes, as `sha256sum FILE` prints it. A folder: the SHA-256 of one
    line a file, `DIGEST  NAME\n` (the file's own SHA-256, two spaces, its name relative to the folder with
    `/` between the parts, UTF-8), in byte order of the names. Empty folders do not count. In a shell:
    `find * -type f | LC_ALL=C sort | xargs -d '\n' sha256sum | sha256sum` (hidden files aside).

    Raises InputError where there is nothing to hash, or something that a copy would not keep.
    """
    if path.is_file():
        return hash_content(path)
    if not path.is_dir():
        raise InputError(f"{path}: there is no such model artefact; check the path")
    names = {_name_file(file, path): file for file in path.rglob("*") if _is_content(file)}
    if not names:
        raise InputError(f"{path}: this model artefact is an empty folder; a model is at least one file")
    lines = (f"{hash_content(names[name])}  {name}\n" for name in sorted(names, key=str.encode))
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def _is_content(file: Path) -> bool:
    if file.is_symlink():
        raise InputError(f"{file}: a model artefact must not hold links; put the file itself there")
    return file.is_file()


def _name_file(file: Path, folder: Path) -> str:
    """Return the name that is hashed; a line feed or backslash would make the list of lines ambiguous."""
    name = file.relative_to(folder).as_posix()
    if "\n" in name or "\\" in name:
        raise InputError(f"{file!s:.200}: a file of a model artefact has a line feed or backslash in its name")
    return name


def hash_content(file: Path) -> str:
    """Return the SHA-256 of a file's bytes as 64 hex digits, as `sha256sum FILE` prints it. Raises OSError."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()
