"""Time the search for near-duplicates of hold-out samples against the bare matrix product of the same sizes.

Both ways: rows that are near a hold-out sample, as `assemble` asks, and samples that a row is near, as a draw
asks of the rows that the incumbent learned from.

The file cache is warm, imports are not counted, and reading the vectors out of the warehouse is: only the product
has them in memory. Run as `python tests/bench/bench_near_duplicates.py [ROWS] [FLOATS] [HELD] [REPEATS]`; prints
seconds, the ratio of medians, and the greatest memory that was resident.
"""

import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from tasks.find_near_duplicates import COMPOSED, find_held_near_rows, find_near_duplicates

PLACE = {"attribute": "obstacle", "feature_space": "features:1", "reserved_until": "2026-06-01 00:00:00+00"}
ROWS_AT_ONCE = 2_048

TABLES = """
create table wh.sample_vector as
select
    sha256(i::varchar)[:32] as sample_id,
    'obstacle' as attribute,
    'features:1' as space,
    list_transform(range($floats), lambda j: (random() - 0.5)::float) as vector,
    timestamptz '2026-05-01 00:00:00+00' as known_at
from range($rows + $held) as r(i)
"""
HOLDOUT = """
create table wh.holdout as select 'h' as holdout_id, 'obstacle' as attribute, known_at from sample_vector limit 1;
create table wh.holdout_member as
select 'h' as holdout_id, sha256(i::varchar)[:32] as sample_id from range({held}) as r(i);
create table wh.composed_row as
select v.sample_id, null::varchar as why from sample_vector as v anti join wh.holdout_member as m using (sample_id)
"""


def make_tables(file: Path, rows: int, floats: int, held: int) -> None:
    """Write the tables that the search reads, invented."""
    with duckdb.connect() as connection:
        connection.execute("set threads = 2; set enable_progress_bar = false")
        connection.execute(f"attach '{file}' as wh; use wh")
        connection.execute(TABLES, {"rows": rows, "floats": floats, "held": held})
        connection.execute(HOLDOUT.format(held=held))


def time_search(file: Path, find: Callable[..., list[str]]) -> float:
    """Return the seconds that a search takes, reading included."""
    with duckdb.connect(config={"threads": 2, "memory_limit": "4GB"}) as connection:
        connection.execute("set TimeZone = 'UTC'; set enable_progress_bar = false")
        connection.execute(f"attach '{file}' as wh (read_only); use wh")
        started = time.perf_counter()
        found = find(connection, PLACE, 0.05, COMPOSED)
        seconds = time.perf_counter() - started
    print(len(found), "found")
    return seconds


def time_product(rows: NDArray[np.float32], held: NDArray[np.float32]) -> float:
    """Return the seconds of the bare product, part by part into the same memory."""
    product = np.empty((ROWS_AT_ONCE, len(held)), dtype=np.float32)
    turned = np.ascontiguousarray(held.T)
    started = time.perf_counter()
    for start in range(0, len(rows), ROWS_AT_ONCE):
        part = rows[start : start + ROWS_AT_ONCE]
        np.matmul(part, turned, out=product[: len(part)])
    return time.perf_counter() - started


def main() -> None:
    """Print the seconds of each repeat, and the ratio of the medians."""
    given = [int(value) for value in sys.argv[1:]]
    rows, floats, held, repeats = (given + [1_000_000, 64, 2_000, 5][len(given) :])[:4]
    searched, drawn, bare = [], [], []
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "warehouse.duckdb"
        make_tables(file, rows, floats, held)
        for _ in range(repeats):
            searched.append(time_search(file, find_near_duplicates))
            drawn.append(time_search(file, find_held_near_rows))
            resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
            left, right = (rng.random((count, floats), dtype=np.float32) - 0.5 for count in (rows, held))
            bare.append(time_product(left, right))
            del left, right
            print(
                f"bare product {bare[-1]:.2f} s, rows near samples {searched[-1]:.2f} s, samples near rows "
                f"{drawn[-1]:.2f} s, {resident:.2f} GiB resident so far"
            )
    ratio, other = (statistics.median(times) / statistics.median(bare) for times in (searched, drawn))
    print(
        f"{held} hold-out samples among {rows} rows of {floats} floats: {ratio:.2f} times the bare matrix "
        f"product, and {other:.2f} times to ask which samples a row is near"
    )


if __name__ == "__main__":
    main()
