"""From what somebody typed to the sample that is meant: an id, its first digits, or recording, object and time."""

import re
import unicodedata
from dataclasses import dataclass
from datetime import datetime

import duckdb

from tasks.check_tombstones import find_key, hash_name
from tasks.errors import UnknownNameError
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.warehouse import as_utc

MATCHES_SHOWN = 20
_REFUSED_SHOWN = 3
_PREFIX = re.compile("[0-9a-f]{6,32}")
_WHOLE = 32


@dataclass(frozen=True)
class Matches:
    """The samples that a text may mean, the first few of `count`; the one that is meant where there is one."""

    rows: list[Row]
    count: int


def find_samples(connection: duckdb.DuckDBPyConnection, loop: Loop, text: str) -> Matches:
    """Return the samples that `text` may mean: an id or its first digits, six at least, else a name.

    A name is RECORDING/OBJECT/TIME, or less of it. Raises UnknownNameError where there is none, which tells if it
    was erased, or refused by a pull.
    """
    text = text.strip()
    rows = _find_by_id(connection, text.lower()) or _find_by_name(connection, text)
    if rows:
        count = int(rows[0]["match_count"])
        return Matches([{key: row[key] for key in row if key != "match_count"} for row in rows], count)
    raise UnknownNameError(
        tell_erased(connection, loop, text)
        or _tell_refused(connection, text)
        or f"{text}: the warehouse knows no such sample; write its sample_id, at least its first six digits, "
        "or RECORDING/OBJECT, with /TIME where an object was seen more than once"
    )


def _find_by_id(connection: duckdb.DuckDBPyConnection, prefix: str) -> list[Row]:
    if not _PREFIX.fullmatch(prefix):
        return []
    bound = {"prefix": prefix, "at_most": MATCHES_SHOWN}
    return fetch_rows(connection, "why/find_by_id", bound, moments=("observed_at",))


def _find_by_name(connection: duckdb.DuckDBPyConnection, text: str) -> list[Row]:
    head, moment = _split_time(text)
    bound = {"name": text, "head": head, "moment": moment, "at_most": MATCHES_SHOWN}
    return fetch_rows(connection, "why/find_by_name", bound, moments=("observed_at",))


def _split_time(text: str) -> tuple[str, datetime | None]:
    """Return a text without the time behind its last slash, and that time; all of it where there is none."""
    head, _, tail = text.rpartition("/")
    try:
        return head, as_utc(datetime.fromisoformat(tail.removesuffix("UTC").strip()))
    except ValueError:
        return text, None


def tell_erased(connection: duckdb.DuckDBPyConnection, loop: Loop, text: str) -> str | None:
    """Return what is left of an erased sample or recording; None where there is nothing.

    Training sets keep a sample's id, and a keyed hash tells the rest.
    """
    prefix = text.lower()
    rows = []
    if _PREFIX.fullmatch(prefix):
        rows = fetch_rows(connection, "why/find_erased", {"prefix": prefix, "at_most": MATCHES_SHOWN})
    if len(rows) > 1:
        return f"{text}: {len(rows)} erased samples begin so: {', '.join(str(row['sample_id']) for row in rows)}"
    versions = list(rows[0]["versions"]) if rows else []
    sample_id = str(rows[0]["sample_id"]) if rows else prefix
    hashes = _hash_names(loop, text, sample_id)
    found = fetch_rows(connection, "why/read_erasures", {"versions": [], "hashes": hashes}, moments=("known_at",))
    if not found and versions:
        found = fetch_rows(
            connection, "why/read_erasures", {"versions": versions, "hashes": []}, moments=("known_at",)
        )
    if not found:
        return None
    days = " or ".join(tell_moment(row["known_at"]) for row in found)
    named = sample_id if rows else text
    return f"{named}: erased on {days}; {_tell_concerned(versions, found)}"


def _tell_concerned(versions: list[str], erasures: list[Row]) -> str:
    """Return which training sets held a sample (`versions`), or else which ones its erasure concerned."""
    if versions:
        return f"it stood in {', '.join(versions)}, which cannot be rebuilt any more"
    concerned = sorted({str(version) for row in erasures for version in row["versions"]})
    if concerned:
        return f"of training sets that concerned {', '.join(concerned)}, which cannot be rebuilt any more"
    return "no training set holds it"


def _hash_names(loop: Loop, text: str, sample_id: str) -> list[str]:
    """Return the keyed hashes that an erasure may have left of it; none where this loop has no key."""
    key = find_key(loop)
    if key is None:
        return []
    hashes = [hash_name(key, "sample", sample_id)] if len(sample_id) == _WHOLE else []
    for recording_id, object_id in _list_names(text):
        hashes.append(hash_name(key, "recording", recording_id))
        if object_id is not None:
            hashes.append(hash_name(key, "object", recording_id, object_id))
    return hashes


def _list_names(text: str) -> list[tuple[str, str | None]]:
    """Return what may be recording and object in a text: a name may hold a slash itself."""
    head = unicodedata.normalize("NFC", _split_time(text)[0])
    parts = head.split("/")
    split = [("/".join(parts[:place]), "/".join(parts[place:])) for place in range(1, len(parts))]
    return [(head, None), *((recording, thing) for recording, thing in split if recording and thing)]


def _tell_refused(connection: duckdb.DuckDBPyConnection, text: str) -> str | None:
    """Return which refused rows name it: such a sample never came in."""
    moment = _split_time(text)[1]
    for recording_id, object_id in _list_names(text):
        rows = read_refused(connection, recording_id, object_id, None, moment)
        if rows:
            told = "; ".join(
                f"{row['source_uri']}, row {row['row_number']}: {row['reason']}" for row in rows[:_REFUSED_SHOWN]
            )
            more = f"; and {len(rows) - _REFUSED_SHOWN} more" if len(rows) > _REFUSED_SHOWN else ""
            return f"{text}: is no sample, since a pull refused it: {told}{more}; correct it into a new file"
    return None


def read_refused(
    connection: duckdb.DuckDBPyConnection,
    recording_id: str,
    object_id: str | None,
    attribute: str | None,
    moment: datetime | None,
) -> list[Row]:
    """Return the quarantined rows whose raw content names these; None: any."""
    bound = {"recording_id": recording_id, "object_id": object_id, "attribute": attribute, "moment": moment}
    return fetch_rows(connection, "why/find_quarantined", bound, moments=("known_at",))


def tell_moment(moment: datetime | None) -> str:
    """Return a moment in UTC to the second, as in 2026-03-31 04:30:00."""
    return "-" if moment is None else as_utc(moment).strftime("%Y-%m-%d %H:%M:%S")


def stage_sample(connection: duckdb.DuckDBPyConnection, sample_id: str) -> None:
    """Make the temp table `explained_sample` of the one sample that is asked about."""
    connection.execute(
        "create or replace temp table explained_sample as select $sample_id::varchar as sample_id",
        {"sample_id": sample_id},
    )
