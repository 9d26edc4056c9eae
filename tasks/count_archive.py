"""What archived files would bring into the warehouse, read as a pull reads them; nothing is written."""

import glob
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from schemas.sql_files import read_sql
from tasks.check_log_rows import empty_staging, prepare_staging, stage_file
from tasks.errors import InputError
from tasks.find_log_files import hash_file, look_at_file
from tasks.loop import Loop
from tasks.read_log_file import blame_file, open_log
from tasks.warehouse import Engine, open_engine


@dataclass(frozen=True)
class ArchivedFile:
    """One file of an archive: what a pull of it would bring, or why it cannot be read.

    `refused` of its `rows` break the contract; `predictions` are the served ones of the case's attribute in the
    span that are not stored yet.
    `is_known`: its content was pulled before. Rows that contradict others are only found by a pull.
    """

    path: str
    rows: int = 0
    refused: int = 0
    predictions: int = 0
    is_known: bool = False
    error: str = ""


def find_archived(patterns: Sequence[str]) -> list[Path]:
    """Return the files that paths or globs name, each once. Raises InputError for one that names none."""
    found: set[Path] = set()
    for pattern in patterns:
        path = Path(pattern).expanduser()
        matched = [path] if path.exists() else [Path(name) for name in glob.glob(str(path), recursive=True)]  # noqa: PTH207
        if not matched:
            raise InputError(f"--files {pattern}: no file of that name, and none that it matches; check the path")
        found.update(file for file in matched if matched == [path] or not file.is_dir())
    return sorted(found)


def count_archive(
    loop: Loop, paths: Sequence[Path], attribute: str, since: datetime, until: datetime
) -> list[ArchivedFile]:
    """Read each file and tell what a pull of it would bring; one that cannot be read has an `error`."""
    with open_engine(loop) as engine:
        prepare_staging(engine.connection, loop)
        values = {"attribute": attribute, "since": since, "until": until}
        return [_count_file(engine, path, values) for path in paths]


def _count_file(engine: Engine, path: Path, values: dict[str, object]) -> ArchivedFile:
    name = engine.loop.relate(path)
    try:
        file = hash_file(look_at_file(engine.loop, path))
        with blame_file(1, name):
            stage_file(engine.connection, open_log(engine.connection, path, name, 1), 1)
        with engine.attach(write=False) as warehouse:
            query = read_sql("backfill/count_archived")
            row = warehouse.connection.execute(query, {**values, "content_sha256": file.sha256}).fetchone()
    except InputError as error:
        return ArchivedFile(name, error=str(error))
    finally:
        empty_staging(engine.connection, [1])
    rows, refused, predictions, is_known = row or (0, 0, 0, False)
    return ArchivedFile(name, int(rows), int(refused), int(predictions), bool(is_known))
