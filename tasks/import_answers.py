"""`queue import`: answers back from a file, row by row; what is refused is kept with its reason."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb

from schemas.sql_files import read_sql
from tasks.check_tombstones import prepare_tombstones
from tasks.errors import InputError
from tasks.loop import Loop
from tasks.read_rows import load_rows
from tasks.record_run import record_run
from tasks.warehouse import open_engine

_NEEDED = ("fix_id", "annotator", "answer")
_OPTIONAL = ("answered_at", "seconds", "note", "saw_prediction", "guideline_sha256", "takes_back")


@dataclass(frozen=True)
class ImportSummary:
    """Counts of one imported file; `refused` pairs a row number with its reason.

    `rows_taken_back` are answers that a later row of the file takes back, and those rows.
    """

    rows_read: int
    rows_kept: int
    rows_duplicate: int
    rows_quarantined: int
    refused: tuple[tuple[int, str], ...]
    rows_taken_back: int = 0


def import_answers(loop: Loop, path: Path) -> ImportSummary:
    """Take in the answers of one file (.parquet, .csv or .jsonl) and return what became of its rows.

    Refused alone are a row that is broken, an unknown fix, a foreign label, a second, different answer of one
    annotator, an answer of somebody who had a part in what is looked at again, and a row that takes back what an
    earlier import took in. A question that has ended still takes answers; they decide nothing. Raises InputError
    where the file cannot be read or lacks `fix_id`, `annotator` or `answer`.
    """
    started_at = loop.clock()
    content = _read_content(path)
    with open_engine(loop) as engine:
        connection = engine.connection
        connection.execute(read_sql("pull/macros"))  # a time is read as in a log
        load_rows(connection, path, content, "answer_file", needed=_NEEDED, optional=_OPTIONAL)
        content_sha256 = hashlib.sha256(content).hexdigest()
        with engine.attach(write=True) as warehouse:
            _make_answerable(connection, loop)
            connection.execute(read_sql("answers/stage_answers"))

            def insert(known_at: datetime) -> ImportSummary:
                prepare_tombstones(connection, loop)
                connection.execute(read_sql("answers/judge_answers"))
                source = loop.relate(path)
                _insert_rows(connection, content_sha256, source, known_at)
                summary = _summarise(connection)
                record_run(
                    connection,
                    "queue import",
                    started_at=started_at,
                    ended_at=loop.clock(),
                    parameters={"file": source},
                    counts={"kept": summary.rows_kept, "refused": summary.rows_quarantined},
                )
                return summary

            return warehouse.write(insert)


def _read_content(path: Path) -> bytes:
    """Return the bytes of a file, read once: what is hashed is what is taken in, also of one that still grows."""
    if not path.is_file():
        raise InputError(f"{path}: there is no such file")
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from error


def _make_answerable(connection: duckdb.DuckDBPyConnection, loop: Loop) -> None:
    connection.execute(
        "create or replace temp table answerable (attribute varchar, kind varchar, labels varchar[])"
    )
    for attribute in loop.settings.attribute.values():
        connection.execute(
            "insert into answerable values ($attribute, $kind, $labels)",
            {"attribute": attribute.name, "kind": attribute.kind, "labels": list(attribute.labels)},
        )


def _insert_rows(
    connection: duckdb.DuckDBPyConnection, content_sha256: str, source_uri: str, known_at: datetime
) -> None:
    row = connection.execute("select make_batch_id($sha)", {"sha": content_sha256}).fetchone()
    batch_id = row[0] if row else ""
    known = connection.execute("select 1 from pull_batch where batch_id = $id", {"id": batch_id}).fetchone()
    place = {"batch_id": batch_id, "known_at": known_at}
    connection.execute(read_sql("answers/insert_answers"), place)
    connection.execute(read_sql("answers/end_leases"))
    if known:
        return
    connection.execute(read_sql("answers/insert_refused"), place)
    connection.execute(
        read_sql("answers/insert_batch"), {**place, "source_uri": source_uri, "content_sha256": content_sha256}
    )


def _summarise(connection: duckdb.DuckDBPyConnection) -> ImportSummary:
    rows = connection.execute(
        "select row_number, reason, is_duplicate, is_taken_back from judged_answer order by row_number"
    ).fetchall()
    refused = tuple((int(number), str(reason)) for number, reason, *_ in rows if reason is not None)
    duplicate = sum(1 for _, reason, is_duplicate, _ in rows if reason is None and is_duplicate)
    taken_back = sum(1 for *_, reason, _, is_taken_back in rows if reason is None and is_taken_back)
    kept = len(rows) - duplicate - taken_back - len(refused)
    return ImportSummary(len(rows), kept, duplicate, len(refused), refused, taken_back)
