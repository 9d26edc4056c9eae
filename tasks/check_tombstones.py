"""What was erased stays out: staged rows and late answers are compared with keyed hashes, never with names.

The key is `[erase] key`, or else a random one in a hidden file of the loop folder, made at the first erasure. Who
has only the warehouse cannot try names against the hashes; who has lost the key cannot keep what was erased out,
so a wrong or missing key is an error wherever rows come in.
"""

import hashlib
import hmac
import os
import secrets
from pathlib import Path

import duckdb

from schemas.sql_files import read_sql
from tasks.errors import SettingsError, WarehouseError
from tasks.loop import Loop
from tasks.resolve_secret import resolve_environment

KEY_FILE = ".erase_key"
_KEY_BYTES = 32
_SHORTEST_KEY = 16
_BLOCK_BYTES = 64  # of SHA-256, which HMAC pads a key to (RFC 2104)
_SEPARATOR = "\x1f"


def hash_name(key: bytes, kind: str, *names: str) -> str:
    """Return HMAC-SHA-256 over a kind (recording, object, sample, fix) and names, joined by U+001F, in hex."""
    return hmac.new(key, _SEPARATOR.join((kind, *names)).encode(), hashlib.sha256).hexdigest()


def find_key(loop: Loop) -> bytes | None:
    """Return the loop's key; None where the settings name none and no erasure made one yet.

    Raises SettingsError for a key of fewer than 16 characters.
    """
    if loop.settings.erase.key:
        text = resolve_environment(loop.settings.erase.key, "turnrow.toml, erase.key").strip()
        if len(text) < _SHORTEST_KEY:
            raise SettingsError(
                f"turnrow.toml, erase.key: has fewer than {_SHORTEST_KEY} characters; a key that can be guessed "
                "gives away what was erased"
            )
        return text.encode()
    path = loop.folder / KEY_FILE
    if not path.exists():
        return None
    text = path.read_text(encoding="ascii").strip()
    if len(text) < _SHORTEST_KEY:
        raise SettingsError(f"{KEY_FILE}: holds no key; put the file back as it was")
    return text.encode()


def make_key(loop: Loop) -> bytes:
    """Return the loop's key, a new one in its hidden file where there is none yet."""
    key = find_key(loop)
    if key is not None:
        return key
    text = secrets.token_hex(_KEY_BYTES)
    path = loop.folder / KEY_FILE
    part = path.with_name(f"{KEY_FILE}.part")
    part.unlink(missing_ok=True)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        os.write(handle, f"{text}\n".encode())
        os.fsync(handle)
    finally:
        os.close(handle)
    part.replace(path)
    sync_folder(loop.folder)
    return text.encode()


def sync_folder(folder: Path) -> None:
    """Have a folder's entries on the disk: a renamed file is then found under its new name after a crash."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def check_value(key: bytes) -> str:
    """Return what the warehouse remembers of a key, to tell it from another."""
    return hash_name(key, "key")


def use_key(connection: duckdb.DuckDBPyConnection, key: bytes) -> None:
    """Make the macros that hash by `key` in SQL, the same as `hash_name` does."""
    block = (hashlib.sha256(key).digest() if len(key) > _BLOCK_BYTES else key).ljust(_BLOCK_BYTES, b"\0")
    connection.execute(
        "create or replace temp table erase_key as select $inner::blob as inner_pad, $outer::blob as outer_pad",
        {"inner": bytes(byte ^ 0x36 for byte in block), "outer": bytes(byte ^ 0x5C for byte in block)},
    )
    connection.execute(read_sql("erase/known_tombstone"))
    connection.execute(read_sql("erase/macros"))


def require_key(connection: duckdb.DuckDBPyConnection, loop: Loop) -> bytes | None:
    """Return the key that the warehouse's erasures were made with; None where nothing was ever erased.

    Raises WarehouseError where this loop has no key, or another one.
    """
    known = connection.execute(read_sql("erase/read_keys")).fetchall()
    if not known:
        return None
    key = find_key(loop)
    erasures = sum(int(row[1]) for row in known)
    told = f"the warehouse has {erasures} erasure{'s' if erasures > 1 else ''}"
    where = "[erase] key in turnrow.toml" if loop.settings.erase.key else f"the file {KEY_FILE} of the loop folder"
    if key is None:
        raise WarehouseError(
            f"{told}, and this loop has no key to recognise what was erased: copy {KEY_FILE} from the loop folder "
            "in which it was erased, or set [erase] key to the same value"
        )
    if [str(row[0]) for row in known] != [check_value(key)]:
        raise WarehouseError(
            f"{told}, made with another key than {where}: what was erased could come back; set the key that "
            "stands where it was erased"
        )
    return key


def prepare_tombstones(connection: duckdb.DuckDBPyConnection, loop: Loop) -> bool:
    """Make the macros by which refused rows are told from erased ones; tell whether anything was ever erased."""
    key = require_key(connection, loop)
    if key is None:
        connection.execute(read_sql("erase/no_macros"))
        return False
    use_key(connection, key)
    return True


def refuse_erased_rows(connection: duckdb.DuckDBPyConnection, loop: Loop) -> None:
    """Give the staged rows of what was erased the reason `erased`; inside the write, so that none slips through.

    Raises WarehouseError where the key is missing or another.
    """
    if prepare_tombstones(connection, loop):
        connection.execute(read_sql("erase/erased_row"))
        connection.execute(read_sql("erase/refuse_rows"))
