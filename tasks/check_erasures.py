"""Whether what was erased can be kept out from here, and whether every erasure came to its end."""

from collections.abc import Iterator

import duckdb

from tasks.check_tombstones import require_key
from tasks.errors import TurnrowError
from tasks.findings import FINE, WRONG, Finding, tell_error
from tasks.loop import Loop


def check_erasures(connection: duckdb.DuckDBPyConnection, loop: Loop) -> Iterator[Finding]:
    """Yield what is wrong with the key or was stopped half-way; nothing where nothing was ever erased."""
    try:
        if require_key(connection, loop) is None:
            return
    except TurnrowError as error:
        yield tell_error("erasures", error)
        return
    row = connection.execute("select count(distinct tombstone) from pending_erasure").fetchone()
    if row is None or not row[0]:
        yield Finding(FINE, "erasures", "are finished, and their key is here")
        return
    mend = "run `turnrow erase` with the same name again; flow_run says when it was begun"
    yield Finding(WRONG, "erasures", f"{row[0]} was stopped before its storage was made anew", mend)
