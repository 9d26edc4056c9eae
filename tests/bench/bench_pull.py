"""Time a pull against a bare `create table as` of the same Parquet, checkpoint included on both sides.

Run as `python tests/bench/bench_pull.py [ROWS] [FLOATS] [REPEATS]`; prints seconds and the ratio of medians.
"""

import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import duckdb

sys.path.insert(0, str(Path(__file__).parents[2]))

from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.pull_logs import pull_files
from tasks.read_settings import read_settings

SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
"""

ROWS = """
select
    'run-' || lpad((i // 500)::varchar, 6, '0') as recording_id,
    'track-' || (i % 500 // 10) as object_id,
    timestamptz '2024-05-01 00:00:00+00' + to_milliseconds(i * 100) as observed_at,
    'obstacle' as attribute,
    'obstacle-1-5f2a' as model_version,
    ['person', 'animal', 'crate', 'ladder', 'foliage'][1 + i % 5] as predicted,
    (0.5 + (i % 1000) / 2001)::float as confidence,
    'cart-' || (i // 500 % 12) as unit_id,
    {'light': ['day', 'dusk', 'lamp'][1 + i // 5000 % 3], 'block': 'b' || (i // 500 % 40)} as context,
    list_transform(range($floats), lambda j: (random() - 0.5)::float) as features
from range($rows) as r(i)
"""


def write_log(path: Path, rows: int, floats: int) -> None:
    """Write one prediction log, invented."""
    connection = duckdb.connect()
    connection.execute("set threads = 2")
    connection.execute(f"create table log as {ROWS}", {"rows": rows, "floats": floats})
    connection.execute(f"copy log to '{path}' (row_group_size 122880)")
    connection.close()


def time_bare(log: Path, folder: Path) -> float:
    """Return the seconds that a bare `create table as` takes."""
    started = time.perf_counter()
    connection = duckdb.connect(str(folder / "bare.duckdb"), config={"threads": 2, "memory_limit": "4GB"})
    connection.execute(f"create table log as select * from read_parquet('{log}')")
    connection.execute("checkpoint")
    connection.close()
    return time.perf_counter() - started


def time_pull(log: Path, folder: Path) -> float:
    """Return the seconds that a pull into a fresh warehouse takes."""
    loop_folder = folder / "loop"
    loop_folder.mkdir()
    (loop_folder / "turnrow.toml").write_text(SETTINGS, encoding="utf-8")
    loop = Loop(loop_folder, read_settings(loop_folder), lambda: datetime.now(UTC))
    make_loop(loop)
    started = time.perf_counter()
    summary = pull_files(loop, [log])
    connection = duckdb.connect(str(loop_folder / "warehouse.duckdb"))
    connection.execute("checkpoint")
    connection.close()
    seconds = time.perf_counter() - started
    print(summary.files[0].rows_kept, "rows kept", summary.files[0].error)
    return seconds


def main() -> None:
    """Print the seconds of each repeat, and the ratio of the medians."""
    rows, floats, repeats = ([int(value) for value in sys.argv[1:]] + [1_000_000, 64, 3][len(sys.argv) - 1 :])[:3]
    bare, pulled = [], []
    with tempfile.TemporaryDirectory() as name:
        log = Path(name) / "log.parquet"
        write_log(log, rows, floats)
        for repeat in range(repeats):
            folder = Path(name) / str(repeat)
            folder.mkdir()
            bare.append(time_bare(log, folder))
            pulled.append(time_pull(log, folder))
            print(f"bare {bare[-1]:.2f} s, pull {pulled[-1]:.2f} s")
    ratio = statistics.median(pulled) / statistics.median(bare)
    print(f"{rows} rows of {floats} floats: {ratio:.2f} times a bare create table as")


if __name__ == "__main__":
    main()
