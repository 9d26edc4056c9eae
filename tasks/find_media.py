"""Pictures that may be shown: files in `[media] roots` that are PNG or JPEG by their bytes; no URL is fetched."""

import os
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO
from urllib.parse import unquote, urlsplit

from tasks.errors import InputError
from tasks.loop import Loop
from tasks.resolve_secret import resolve_environment

# The patterns of the WHATWG MIME Sniffing Standard, section 6.1 (from memory).
_SIGNATURES = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
_LONGEST = max(len(signature) for signature in _SIGNATURES)
_SIZE_AT_MOST = 64_000_000


@dataclass(frozen=True)
class Picture:
    """A picture's bytes and its media type, told by them."""

    content: bytes
    media_type: str


def find_roots(loop: Loop) -> tuple[Path, ...]:
    """Return the folders that pictures may be shown from, symbolic links resolved.

    Raises SettingsError where a root names an environment variable that is not set.
    """
    texts = [resolve_environment(root, "turnrow.toml, media.roots") for root in loop.settings.media.roots]
    return tuple(loop.locate(text).resolve() for text in texts)


def find_media(loop: Loop, uri: str, roots: Sequence[Path]) -> Path:
    """Return the file that a `media_uri` names: a path, absolute, or within a root or the loop folder.

    Raises InputError, with the reason, for what must not be or cannot be shown.
    """
    reasons = []
    for place in _list_places(loop, uri, roots):
        try:
            with _open_checked(place, roots):
                return place
        except InputError as error:
            reasons.append(error)
    raise reasons[0]


def read_picture(path: Path, roots: Sequence[Path]) -> Picture:
    """Return a picture, checked anew: since it was found it may have been replaced. Raises InputError."""
    with _open_checked(path, roots) as file:
        return Picture(file.read(_SIZE_AT_MOST), _tell_type(path, file))


def _list_places(loop: Loop, uri: str, roots: Sequence[Path]) -> list[Path]:
    text = uri
    if "://" in uri:
        parts = urlsplit(uri)
        if parts.scheme != "file" or parts.netloc not in ("", "localhost"):
            raise InputError(f"{uri}: is an address, and none is fetched; name a file inside [media] roots")
        text = unquote(parts.path)
    if "\x00" in text or not text.strip():
        raise InputError(f"{uri!r}: names no file")
    if not roots:
        raise InputError(
            f"{uri}: turnrow.toml has no [media] roots; name the folder that holds the pictures there"
        )
    within = [] if Path(text).is_absolute() else [root / text for root in roots]
    return [*within, loop.locate(text)]


@contextmanager
def _open_checked(path: Path, roots: Sequence[Path]) -> Iterator[IO[bytes]]:
    """Open a file that lies inside a root and is a picture; what was checked is what is read."""
    try:
        real = path.resolve(strict=True)
    except (OSError, RuntimeError) as error:
        raise InputError(f"{path}: is not there") from error
    if not any(real.is_relative_to(root) for root in roots):
        raise InputError(f"{path}: lies outside [media] roots")
    try:
        # the resolved path has no link left; one that was put there since is refused, and a pipe does not block
        handle = os.open(real, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise InputError(f"{path}: is no file")
    with os.fdopen(handle, "rb") as file:
        _tell_type(path, file)
        yield file


def _tell_type(path: Path, file: IO[bytes]) -> str:
    handle = file.fileno()
    if os.fstat(handle).st_size > _SIZE_AT_MOST:
        raise InputError(f"{path}: has more than {_SIZE_AT_MOST // 1_000_000} MB")
    head = os.pread(handle, _LONGEST, 0)
    for signature, media_type in _SIGNATURES.items():
        if head.startswith(signature):
            return media_type
    raise InputError(f"{path}: is neither PNG nor JPEG by its bytes")
