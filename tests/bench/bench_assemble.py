"""Time assembling and checking a version against the bare SQL insert of its rows, features included.

Checkpoint included on both sides, imports not; the file cache is warm; each side has a process of its own. There
is no hold-out and nobody looks for suspects: near-duplicates and suspected labels have their own budgets.
Run as `python tests/bench/bench_assemble.py [ROWS] [FLOATS] [REPEATS]`; prints seconds, the ratio of medians, and
the greatest memory that assembling had resident.
"""

import multiprocessing
import resource
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import duckdb

sys.path.insert(0, str(Path(__file__).parents[2]))

from tasks.assemble_training_set import assemble_training_set
from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.pull_logs import pull_files
from tasks.read_settings import read_settings

SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
[checks]
look_for_suspects = false
"""

ROWS = """
select
    'run-' || lpad((i // 500)::varchar, 6, '0') as recording_id,
    'track-' || (i % 500 // 10) as object_id,
    timestamptz '2024-05-01 00:00:00+00' + to_milliseconds(i * 100) as observed_at,
    'obstacle' as attribute,
    ['person', 'animal', 'crate', 'ladder', 'foliage'][1 + i % 5] as label,
    'person' as origin,
    'ana' as decided_by,
    timestamptz '2024-06-01 00:00:00+00' as decided_at,
    'cart-' || (i // 500 % 12) as unit_id,
    {'light': ['day', 'dusk', 'lamp'][1 + i // 5000 % 3]} as context,
    list_transform(range($floats), lambda j: (random() - 0.5)::float) as features
from range($rows) as r(i)
"""

BARE = """
insert into bare_row
select m.*, v.vector
from training_set_member as m
inner join sample_vector as v on v.sample_id = m.sample_id
"""


def make_labelled_loop(folder: Path, rows: int, floats: int) -> Loop:
    """Make a loop with so many labelled samples, invented."""
    folder.mkdir()
    (folder / "turnrow.toml").write_text(SETTINGS, encoding="utf-8")
    loop = Loop(folder, read_settings(folder))
    make_loop(loop)
    labels = folder / "inbox" / "labels.parquet"
    with duckdb.connect() as connection:
        connection.execute("set threads = 2; set enable_progress_bar = false")
        connection.execute(f"create table labelled as {ROWS}", {"rows": rows, "floats": floats})
        connection.execute(f"copy labelled to '{labels}'")
    print(pull_files(loop, [labels]).files[0].rows_kept, "samples with labels and features")
    return loop


def time_assemble(folder: Path) -> tuple[float, float]:
    """Return the seconds that assembling, checking and a checkpoint take, and the greatest resident GiB."""
    import great_expectations  # noqa: F401
    import numpy  # noqa: F401
    import pandas  # noqa: F401
    import pyarrow  # noqa: F401

    from tasks import share_connection  # noqa: F401

    loop = Loop(folder, read_settings(folder))
    started = time.perf_counter()
    summary = assemble_training_set(loop, "obstacle")
    with duckdb.connect(str(folder / "warehouse.duckdb")) as connection:
        connection.execute("checkpoint")
    seconds = time.perf_counter() - started
    print(summary.version, summary.state, len(summary.checks), "checks")
    return seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def time_bare(folder: Path) -> tuple[float, float]:
    """Return the seconds that the bare insert of the same rows and a checkpoint take, and the greatest GiB."""
    with duckdb.connect(str(folder / "warehouse.duckdb")) as connection:
        connection.execute("set threads = 2; set memory_limit = '4GB'; set enable_progress_bar = false")
        connection.execute(
            "create table bare_row as "
            "select m.*, v.vector from training_set_member as m, sample_vector as v limit 0"
        )
        started = time.perf_counter()
        connection.execute(BARE)
        connection.execute("checkpoint")
    return time.perf_counter() - started, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def run_alone(measure: Callable[[Path], tuple[float, float]], folder: Path) -> tuple[float, float]:
    """Return what a measurement gives in a fresh process."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(measure, folder).result()


def main() -> None:
    """Print the seconds of each repeat, and the ratio of the medians."""
    rows, floats, repeats = ([int(value) for value in sys.argv[1:]] + [1_000_000, 64, 5][len(sys.argv) - 1 :])[:3]
    bare, assembled, resident = [], [], []
    with tempfile.TemporaryDirectory() as name:
        source, folder = Path(name) / "source", Path(name) / "copy"
        make_labelled_loop(source, rows, floats)
        for _ in range(repeats):
            shutil.copytree(source, folder)
            seconds, gigabytes = run_alone(time_assemble, folder)
            assembled.append(seconds)
            resident.append(gigabytes)
            bare.append(run_alone(time_bare, folder)[0])
            shutil.rmtree(folder)
            print(f"bare {bare[-1]:.2f} s, assemble {seconds:.2f} s, {gigabytes:.2f} GiB resident")
    ratio = statistics.median(assembled) / statistics.median(bare)
    print(f"{rows} rows of {floats} floats: {ratio:.2f} times a bare insert, {max(resident):.2f} GiB resident")


if __name__ == "__main__":
    main()
