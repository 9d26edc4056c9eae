"""`export`: a training set as a folder of its own: rows, Croissant description, datasheet and sums."""

import json
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.apply_restrictions import stage_restricted
from tasks.describe_croissant import describe_croissant
from tasks.errors import InputError, NotYetError, WarehouseError
from tasks.fetch_rows import fetch_rows
from tasks.find_leaks import find_leaks, make_leak_table
from tasks.find_names import find_attribute
from tasks.gather_set_facts import (
    SetFacts,
    Withheld,
    measure_agreement,
    read_counts,
    read_extent,
    read_withheld,
)
from tasks.hash_artefact import hash_content
from tasks.list_sums import SUMS, write_sums
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.read_version import StoredVersion, read_version
from tasks.record_run import record_run
from tasks.warehouse import Warehouse, as_utc, open_warehouse, show_as_of
from tasks.write_datasheet import tell_withheld, write_datasheet

ROWS, CROISSANT, DATASHEET = "rows.parquet", "croissant.json", "datasheet.md"
_MEMORY, _MEMORY_A_ROW = 320_000_000, 64  # bytes that DuckDB gets; tried with a million rows of 64 floats
_DEMO_MARK = ".demo"  # the folder by which `demo` marks a loop as its own


@dataclass(frozen=True)
class ExportedSet:
    """What was exported: `digest` is that of its rows, the version's own where nothing was `withheld`.

    `is_new`: the folder was written now; else it held exactly this already. `files`: name to SHA-256.
    """

    version: str
    folder: str
    row_count: int
    digest: str
    is_whole: bool
    state: str
    withheld: tuple[Withheld, ...]
    files: dict[str, str]
    is_new: bool


def export_training_set(
    loop: Loop, version: str, folder: Path, *, without_restricted: bool = False, failed_too: bool = False
) -> ExportedSet:
    """Write a version to `folder`, which must be new or empty, or hold exactly this export already.

    Written beside and moved into place, so that nobody meets half of it, and noted from the first byte on, so that
    an erasure finds what a killed export leaves; the same version gives the same bytes.
    Raises UnknownNameError for an unknown version; NotYetError for one that failed its checks, unless
    `failed_too`, and for rows that may not be given out, unless `without_restricted` leaves them out; InputError
    for a folder that is in use or cannot be written.
    """
    started_at = loop.clock()
    target = Path(os.path.abspath(folder))  # noqa: PTH100 - a link stays a link, `.` and `..` get their names
    _check_target(loop, target, folder)
    with _write_beside(loop, version, target, folder) as part:
        facts, seen_at = _write_files(loop, version, part, without_restricted, failed_too)
        files = _write_sums(part)
        wait = loop.settings.warehouse.wait_seconds
        with hold_file_lock(loop.folder / ".export.lock", shared=False, wait_seconds=wait):
            is_new = _is_free(target)
            if not is_new and files | {SUMS: hash_content(part / SUMS)} != _hash_folder(target):
                raise InputError(f"{folder}: is not empty; name a new or empty folder to export to")
            _note_export(loop, facts, target, files, seen_at, started_at)
            if is_new:
                part.rename(target)
    return ExportedSet(
        version=version,
        folder=str(folder),
        row_count=facts.extent["row_count"],
        digest=facts.digest,
        is_whole=facts.is_whole,
        state=facts.stored.state,
        withheld=facts.withheld,
        files=files,
        is_new=is_new,
    )


def _check_target(loop: Loop, target: Path, shown: Path) -> None:
    if target.is_symlink() or target.is_file():
        kind = "link" if target.is_symlink() else "file"
        raise InputError(f"{shown}: is a {kind}; name a new or empty folder to export to")
    if not target.parent.is_dir():
        raise InputError(f"{shown}: the folder {shown.parent} is not there; make it first")
    if target.is_relative_to(loop.folder.absolute() / "inbox"):
        raise InputError(f"{shown}: lies in the inbox, where the next pull would take it for a label file")
    if not _is_free(target) and not (target / SUMS).is_file():
        raise InputError(f"{shown}: is not empty; name a new or empty folder to export to")


def _is_free(target: Path) -> bool:
    return not target.exists() or not any(target.iterdir())


@contextmanager
def _write_beside(loop: Loop, version: str, target: Path, shown: Path) -> Iterator[Path]:
    """Give a new noted folder beside the target, for this export alone; what is still there at the end goes."""
    part = target.with_name(f".{target.name}.{secrets.token_hex(8)}.part")
    _require_version(loop, version)
    _write_note(loop, "insert_part", {"version": version, "folder": loop.relate(part)})
    try:
        part.mkdir()
        yield part
    except OSError as error:
        raise InputError(f"{shown}: cannot be written ({error.strerror}); choose another folder") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
        _write_note(loop, "forget_part", {"folder": loop.relate(part)})


def _require_version(loop: Loop, version: str) -> None:
    with open_warehouse(loop, write=False) as warehouse:
        read_version(warehouse.connection, version)


def _write_note(loop: Loop, name: str, note: dict[str, str]) -> None:
    with open_warehouse(loop, write=True) as warehouse:

        def write(known_at: datetime) -> None:
            bound = {**note, "known_at": known_at} if name == "insert_part" else note
            warehouse.connection.execute(read_sql(f"export/{name}"), bound)

        warehouse.write(write)


def _write_files(
    loop: Loop, version: str, part: Path, without_restricted: bool, failed_too: bool
) -> tuple[SetFacts, datetime]:
    """Write all but the sums; return what they tell, and until when the warehouse was looked at."""
    from tasks.write_set_rows import digest_set_file, write_set_rows

    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        stored = _find_version(connection, version, failed_too)
        attribute = find_attribute(loop, stored.attribute)
        withheld = _withhold(warehouse, attribute, stored, without_restricted)
        seen_at = warehouse.read_clock()
        with _bound_memory(warehouse, stored.row_count), show_as_of(warehouse, stored.known_at):
            length = write_set_rows(connection, part / ROWS, version, stored.composition.feature_space)
            digest = digest_set_file(connection, part / ROWS)
            _require_equal(stored, withheld, digest)
            facts = _gather(warehouse, attribute, stored, withheld, digest, length)
    _write_text(part / DATASHEET, write_datasheet(facts))
    described = describe_croissant(facts, ROWS, hash_content(part / ROWS), (part / ROWS).stat().st_size)
    _write_text(part / CROISSANT, json.dumps(described, ensure_ascii=False, indent=2) + "\n")
    return facts, seen_at


@contextmanager
def _bound_memory(warehouse: Warehouse, row_count: int) -> Iterator[None]:
    """Keep DuckDB from filling a large limit with what it has read once; slices of rows need no more than this."""
    limit = warehouse.loop.settings.warehouse.memory_limit.strip()
    enough = _MEMORY + _MEMORY_A_ROW * row_count
    number, unit = re.findall(r"[\d.]+|[A-Za-z]+", limit)
    is_more = float(number) * {"m": 1e6, "g": 1e9, "t": 1e12}[unit[0].lower()] > enough
    if is_more:
        warehouse.connection.execute(f"set memory_limit = '{enough // 1_000_000}MB'")
    yield  # after an error the connection is closed anyway, and would hide the error if it were asked
    if is_more:
        warehouse.connection.execute(f"set memory_limit = '{limit}'")


def _find_version(connection: duckdb.DuckDBPyConnection, version: str, failed_too: bool) -> StoredVersion:
    stored = read_version(connection, version)
    if stored.state != "passed" and not failed_too:
        raise NotYetError(
            f"{version}: failed its checks; mend what they found and assemble again, or export it as it is with "
            "--failed-too, and marked as failed"
        )
    return stored


def _withhold(
    warehouse: Warehouse, attribute: AttributeSettings, stored: StoredVersion, without_restricted: bool
) -> tuple[Withheld, ...]:
    """Make `withheld_row`: what may not be given out by what is known now, not just by the version's moment."""
    connection = warehouse.connection
    make_leak_table(connection)
    find_leaks(warehouse, attribute, stored.version, stored.moment.reserved_until)
    stage_restricted(warehouse, "export", attribute, focus="leak_row")
    connection.execute(read_sql("export/stage_withheld"))
    withheld = read_withheld(connection)
    barred = [part for part in withheld if part.why != "erased"]
    if barred and not without_restricted:
        notes = ", ".join(sorted({part.note for part in barred if part.note}))
        raise NotYetError(
            f"{stored.version}: may not be exported whole: {'; '.join(tell_withheld(barred))}"
            f"{f' ({notes})' if notes else ''}; "
            "assemble a version without them, or leave them out of this export with --without-restricted"
        )
    return withheld


def _gather(
    warehouse: Warehouse,
    attribute: AttributeSettings,
    stored: StoredVersion,
    withheld: tuple[Withheld, ...],
    digest: str,
    feature_length: int,
) -> SetFacts:
    connection = warehouse.connection
    version = {"version": stored.version}
    meant = _read_meaning(connection, stored)
    held = {"attribute": attribute.name, "reserved_until": stored.moment.reserved_until}
    return SetFacts(
        stored=stored,
        kind=attribute.kind,
        unit=meant.get("unit", attribute.unit),
        critical=meant.get("critical", attribute.critical),
        was=dict(attribute.was if stored.composition.was is None else stored.composition.was),
        is_invented=(warehouse.loop.folder / _DEMO_MARK).is_dir(),
        digest=digest,
        feature_length=feature_length,
        withheld=withheld,
        extent=read_extent(connection),
        counts=read_counts(connection),
        context_keys=fetch_rows(connection, "export/context_keys"),
        models=fetch_rows(connection, "export/models", version),
        cases=fetch_rows(connection, "export/cases"),
        checks=fetch_rows(connection, "export/checks", version),
        holdouts=fetch_rows(connection, "export/holdouts", held),
        agreement=measure_agreement(connection, attribute.name, attribute.kind),
    )


def _read_meaning(connection: duckdb.DuckDBPyConnection, stored: StoredVersion) -> dict[str, Any]:
    """Return what the settings said of the attribute when the version was made."""
    bound = {"attribute": stored.attribute, "known_at": stored.known_at}
    row = connection.execute(read_sql("export/definition"), bound).fetchone()
    meant: dict[str, Any] = json.loads(row[0]) if row and row[0] else {}
    return meant


def _require_equal(stored: StoredVersion, withheld: tuple[Withheld, ...], digest: str) -> None:
    if not withheld and digest != stored.digest:
        raise WarehouseError(
            f"{stored.version}: its rows are not what they were when it was made, so nothing was exported; "
            f"`turnrow verify {stored.version}` compares them"
        )


def _note_export(
    loop: Loop, facts: SetFacts, target: Path, files: dict[str, str], seen_at: datetime, started_at: datetime
) -> None:
    """Note where the set is going to be, before it is there: an erasure must find every export."""
    note = {
        "version": facts.stored.version,
        "folder": loop.relate(target),
        "files": json.dumps(files, sort_keys=True),
        "withheld": sum(part.row_count for part in facts.withheld),
    }
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection

        def insert(known_at: datetime) -> None:
            _refuse_erased_meanwhile(connection, seen_at)
            connection.execute(read_sql("export/insert_exported"), {**note, "known_at": known_at})
            record_run(
                connection,
                "export",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"version": note["version"], "folder": note["folder"]},
                counts={"rows": facts.extent["row_count"], "withheld": note["withheld"]},
            )

        warehouse.write(insert)


def _refuse_erased_meanwhile(connection: duckdb.DuckDBPyConnection, seen_at: datetime) -> None:
    row = connection.execute("select max(known_at) from erasure").fetchone()
    if row is not None and row[0] is not None and as_utc(row[0]) > seen_at:
        raise NotYetError(
            "a recording was erased while the set was being written; nothing was exported, so try again"
        )


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _write_sums(part: Path) -> dict[str, str]:
    """Write the sums of what is in the folder; return name to sum."""
    files = {path.name: hash_content(path) for path in sorted(part.iterdir())}
    write_sums(part / SUMS, files)
    return files


def _hash_folder(folder: Path) -> dict[str, str]:
    return {path.name: hash_content(path) if path.is_file() else "" for path in sorted(folder.iterdir())}
