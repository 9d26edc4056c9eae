"""Files that cannot be read fail alone, by name; nothing of them is stored, and the next pull tries again."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.warehouse import open_warehouse

ROW: dict[str, Any] = {
    "recording_id": "run-1",
    "object_id": "track-1",
    "observed_at": "2024-05-01T10:00:00Z",
    "attribute": "obstacle",
    "model_version": "obstacle-1-5f2a",
    "predicted": "crate",
    "confidence": 0.7,
}


def write_parquet(path: Path, rows: int = 1000, columns: str = "", start: int = 0) -> None:
    connection = duckdb.connect()
    connection.execute(
        "copy (select 'run-' || i // 100 as recording_id, 'track-' || i as object_id, "
        "timestamp '2024-05-01' + to_seconds(i) as observed_at, 'obstacle' as attribute, 'm' as model_version, "
        f"'crate' as predicted, 0.5 as confidence{columns}, [i + 1.0, 2.0] as features "
        f"from range({start}, {start + rows}) as r(i)) to '{path}'"
    )


def write_lines(path: Path, *lines: str) -> None:
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def truncate_parquet(path: Path) -> None:
    write_parquet(path)
    path.write_bytes(path.read_bytes()[:-100])


def break_parquet_inside(path: Path) -> None:
    write_parquet(path)
    content = bytearray(path.read_bytes())
    content[4:2000] = b"\xff" * 1996
    path.write_bytes(content)


def truncate_gzip(path: Path) -> None:
    import gzip

    path.write_bytes(gzip.compress((json.dumps(ROW) + "\n").encode() * 1000)[:-20])


def drop_column(path: Path, column: str, instead: str = "") -> None:
    row = {key: value for key, value in ROW.items() if key != column}
    write_lines(path, json.dumps({**row, **({instead: ROW[column]} if instead else {})}))


BROKEN: list[tuple[str, Callable[[Path], object], str]] = [
    ("cut.parquet", truncate_parquet, "cut.parquet: cannot be read ("),
    ("inside.parquet", break_parquet_inside, "inside.parquet: cannot be read ("),
    ("empty.parquet", lambda path: path.write_bytes(b""), "empty.parquet: cannot be read ("),
    ("junk.parquet", lambda path: path.write_bytes(os.urandom(5000)), "junk.parquet: cannot be read ("),
    ("text.parquet", lambda path: path.write_text("a,b\n1,2\n"), "text.parquet: cannot be read ("),
    ("cut.jsonl.gz", truncate_gzip, "cut.jsonl.gz: cannot be unpacked ("),
    ("plain.csv.gz", lambda path: path.write_text("a,b\n1,2\n"), "plain.csv.gz: cannot be unpacked ("),
    ("empty.csv", lambda path: path.write_bytes(b""), "empty.csv: is empty"),
    ("empty.jsonl", lambda path: path.write_bytes(b""), "empty.jsonl: holds no JSON object"),
    ("blank.jsonl", lambda path: path.write_text("\n\n"), "blank.jsonl: holds no JSON object"),
    ("junk.csv", lambda path: path.write_bytes(bytes(range(256)) * 20), "junk.csv: "),
    ("junk.jsonl", lambda path: path.write_bytes(bytes(range(256)) * 20), "junk.jsonl: "),
    ("log.txt", lambda path: write_lines(path, json.dumps(ROW)), "log.txt: no format is known by that suffix"),
    ("log", lambda path: write_lines(path, json.dumps(ROW)), "log: no format is known by that suffix"),
    ("log.parquet.gz", lambda path: write_lines(path, ""), "log.parquet.gz: Parquet is compressed inside"),
    ("folder.csv", lambda path: path.mkdir(), "folder.csv: is no file"),
    ("absent.csv", lambda path: None, "absent.csv: cannot be read (No such file or directory)"),
    ("twice.csv", lambda path: write_lines(path, "predicted,Predicted", "a,b"),
     "twice.csv: names the column predicted twice"),
    ("utf16.csv", lambda path: path.write_bytes("predicted,a\n1,2\n".encode("utf-16")), "utf16.csv: "),
    ("other.csv", lambda path: write_lines(path, "a,prediction", "1,2"),
     "other.csv: has neither a column predicted (a prediction log) nor label (a label file); "
     "it has prediction (near predicted)"),
    ("answers.csv", lambda path: write_lines(path, "fix_id,annotator,answer", "1,2,3"),
     "answers.csv: holds answers to label fixes; take it in with `turnrow queue import`"),
    ("short.jsonl", lambda path: drop_column(path, "confidence"),
     "short.jsonl: a prediction log without the column confidence; add what is missing"),
    ("near.jsonl", lambda path: drop_column(path, "object_id", "objectid"),
     "near.jsonl: a prediction log without the column object_id (there is objectid); add what is missing"),
    ("labels.jsonl", lambda path: write_lines(path, json.dumps({"label": "crate", "recording_id": "run-1"})),
     "labels.jsonl: a label file without the column object_id, observed_at, attribute, origin; "
     "add what is missing"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "write", "error"), BROKEN, ids=[name for name, _, _ in BROKEN])
def test_a_file_that_cannot_be_read_fails_alone(
    file_loop: Loop, name: str, write: Callable[[Path], object], error: str
) -> None:
    write(file_loop.folder / name)
    write_lines(file_loop.folder / "good.jsonl", json.dumps({**ROW, "object_id": "track-2"}))
    summary = pull_files(file_loop, [file_loop.folder / name, file_loop.folder / "good.jsonl"])
    failed = {file.path: file.error for file in summary.failed}
    assert list(failed) == [name]
    assert failed[name].startswith(error)
    assert "\n" not in failed[name]
    assert read(file_loop, "select source_uri, rows_kept from pull_batch") == [("good.jsonl", 1)]
    assert read(file_loop, "select path from seen_file") == [("good.jsonl",)]


def read(loop: Loop, query: str) -> list[tuple[Any, ...]]:
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(query).fetchall()


def test_a_mended_file_is_taken_by_the_next_pull(file_loop: Loop) -> None:
    path = file_loop.folder / "log.parquet"
    truncate_parquet(path)
    assert len(pull_files(file_loop, [path]).failed) == 1
    write_parquet(path)
    assert [file.rows_kept for file in pull_files(file_loop, [path]).files] == [1000]


def test_a_file_that_breaks_only_where_its_bad_rows_are_fetched_fails_alone(file_loop: Loop) -> None:
    """A column that is not ours is read for the raw content of bad rows alone, inside the transaction."""
    path = file_loop.folder / "broken.parquet"
    write_parquet(path, columns=", case when i = 3 then 'x' else repeat(md5(i::varchar), 9) end as note")
    connection = duckdb.connect()
    connection.execute(f"create table log as from '{path}'")
    connection.execute("update log set confidence = 0.5, predicted = 'dog' where object_id = 'track-7'")
    connection.execute(f"copy log to '{path}' (compression uncompressed)")
    place = connection.execute(
        f"select coalesce(dictionary_page_offset, data_page_offset) from parquet_metadata('{path}') "
        "where path_in_schema = 'note'"
    ).fetchone()
    assert place is not None
    content = bytearray(path.read_bytes())
    content[place[0] : place[0] + 200] = b"\xff" * 200
    path.write_bytes(content)
    write_lines(file_loop.folder / "good.jsonl", json.dumps(ROW))
    summary = pull_files(file_loop, [path, file_loop.folder / "good.jsonl"])
    assert [(file.path, file.error[:14], file.rows_kept) for file in summary.files] == [
        ("broken.parquet", "broken.parquet", 0),
        ("good.jsonl", "", 1),
    ]
    assert read(file_loop, "select count(*) from sample") == [(1,)]


def test_two_pulls_at_once_take_each_file_once(loop: Loop) -> None:
    for number in range(6):
        write_parquet(loop.folder / f"{number}.parquet", 200, start=100 * number)
    paths = sorted(loop.folder.glob("*.parquet"))
    errors: list[BaseException] = []

    def pull() -> None:
        try:
            pull_files(loop, paths)
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=pull) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert read(loop, "select count(*), count(distinct batch_id), sum(rows_read) from pull_batch") == [
        (6, 6, 1200)
    ]
    assert read(loop, "select count(*), count(distinct sample_id) from sample") == [(700, 700)]
    assert read(loop, "select count(*), count(distinct sample_id) from sample_vector") == [(700, 700)]
    assert read(loop, "select count(*), count(distinct prediction_id) from prediction") == [(700, 700)]


PULL = """
import sys
from pathlib import Path
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.read_settings import read_settings
folder = Path(sys.argv[1])
pull_files(Loop(folder, read_settings(folder)), sorted(folder.glob("*.parquet")))
"""


@pytest.mark.slow
def test_a_pull_that_is_killed_and_run_again_ends_as_one_that_was_not(
    make_file_loop: Callable[..., Loop],
) -> None:
    whole, killed = make_file_loop(name="whole"), make_file_loop(name="killed")
    for number in range(3):
        for loop in (whole, killed):
            write_parquet(loop.folder / f"{number}.parquet", 300_000, start=200_000 * number)
    pull_files(whole, sorted(whole.folder.glob("*.parquet")))
    for seconds in (0.7, 1.4, 2.1):
        process = subprocess.Popen([sys.executable, "-c", PULL, str(killed.folder)])
        time.sleep(seconds)
        process.send_signal(signal.SIGKILL)
        process.wait()
    pull_files(killed, sorted(killed.folder.glob("*.parquet")))
    query = "select * exclude (known_at) from {} order by all"
    for table in ("pull_batch", "sample", "prediction"):
        with open_warehouse(whole, write=False) as one, open_warehouse(killed, write=False) as other:
            expected = one.connection.execute(f"select count(*), sum(hash(t)) from ({query.format(table)}) t")
            found = other.connection.execute(f"select count(*), sum(hash(t)) from ({query.format(table)}) t")
            assert (table, found.fetchall()) == (table, expected.fetchall())


def test_of_two_copies_the_one_with_a_known_suffix_is_read(file_loop: Loop) -> None:
    for name in ("a.txt", "b.jsonl"):
        write_lines(file_loop.folder / name, json.dumps(ROW))
    summary = pull_files(file_loop, [file_loop.folder / "a.txt", file_loop.folder / "b.jsonl"])
    assert [(file.path, bool(file.error), file.rows_kept) for file in summary.files] == [
        ("a.txt", True, 0),
        ("b.jsonl", False, 1),
    ]
