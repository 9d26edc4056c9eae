"""Time the search for suspected labels against fitting the built-in model once on the rows that it looks at.

The file cache is warm and imports are not counted; reading the rows out of the warehouse is, for the search alone.
Each measurement is a process of its own. Run as `python tests/bench/bench_suspects.py [ROWS] [FLOATS] [REPEATS]`,
or with `--at LOOP ATTRIBUTE [REPEATS]` on the latest version of a loop that is there; prints seconds, the ratio of
medians, and the greatest memory that the search had resident.
"""

import multiprocessing
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import duckdb
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.find_suspects import find_suspects
from tasks.read_trainer_request import PerceptronSettings
from tasks.stream_vectors import stream_matrices
from tasks.train_perceptron import fit_perceptron

THREADS = 2
LABELS = ("animal", "crate", "foliage", "ladder", "person")

# Ten rows a group; one label in twenty is wrong. The features overlap as those of real things do.
TABLES = """
create table wh.training_set as
select 'v1' as version, $attribute as attribute, 1 as running_number;
create table wh.training_set_member as
select 'v1' as version, sha256(i::varchar)[:32] as sample_id, 'group-' || (i // 10) as group_id,
    $labels[1 + (i + case when i % 20 = 0 then 1 else 0 end) % 5] as label
from range($rows) as r(i);
create table wh.sample_vector as
select sha256(i::varchar)[:32] as sample_id, $attribute as attribute, 'features:1' as space,
    list_transform(
        range($floats), lambda j: (random() + case when j % 5 = i % 5 and random() < 0.5 then 1 else 0 end)::float
    ) as vector,
    timestamptz '2026-05-01 00:00:00+00' as known_at
from range($rows) as r(i)
"""
ASSEMBLED = """
create temp table assembled as
with latest as (
    select version from training_set where attribute = $attribute order by running_number desc limit 1
),
lengths as (
    select sample_id, any_value(len(vector)) as feature_length
    from sample_vector where attribute = $attribute and space = 'features:1' group by sample_id
)
select m.sample_id, m.group_id, m.label, n.feature_length, true as is_finite
from training_set_member as m
semi join latest as l on l.version = m.version
inner join lengths as n on n.sample_id = m.sample_id
"""


def make_tables(file: Path, rows: int, floats: int) -> None:
    """Write the tables that the search reads, invented."""
    with duckdb.connect() as connection:
        connection.execute(f"set threads = {THREADS}; set enable_progress_bar = false")
        connection.execute(f"attach '{file}' as wh")
        values: dict[str, object] = {
            "attribute": "obstacle",
            "rows": rows,
            "floats": floats,
            "labels": list(LABELS),
        }
        for statement in TABLES.split(";"):
            used = {name: value for name, value in values.items() if f"${name}" in statement}
            connection.execute(statement, used)


def measure(file: Path, attribute_name: str) -> tuple[float, float, float]:
    """Return the seconds of the search and of one fit on its rows, and the GiB resident after the search."""
    import scipy.stats  # noqa: F401
    import sklearn.neural_network  # noqa: F401

    config: dict[str, str | bool | int | float | list[str]] = {"threads": THREADS, "memory_limit": "2GB"}
    with duckdb.connect(config=config) as connection:
        connection.execute("set TimeZone = 'UTC'; set enable_progress_bar = false")
        connection.execute(f"attach '{file}' as wh (read_only); use wh")
        connection.execute(ASSEMBLED, {"attribute": attribute_name})
        attribute = AttributeSettings(name=attribute_name, labels=LABELS)
        started = time.perf_counter()
        judged = find_suspects(connection, attribute, "features:1", threads=THREADS)
        searched = time.perf_counter() - started
        resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        suspected = connection.execute("select count(*) from suspected_row").fetchall()[0][0]
        bound = {"attribute": attribute_name, "feature_space": "features:1"}
        parts = list(stream_matrices(connection, read_sql("suspects/looked_vectors"), bound))
    features = np.concatenate([matrix for _, matrix in parts])
    codes = np.concatenate([batch.column("label_number").to_numpy() for batch, _ in parts])
    started = time.perf_counter()
    fit_perceptron(features, codes, int(codes.max()) + 1, PerceptronSettings())
    fitted = time.perf_counter() - started
    print(f"{judged} labels judged, {suspected} suspected")
    return searched, fitted, resident


def run_alone(
    measure: Callable[[Path, str], tuple[float, float, float]], file: Path, attribute: str
) -> tuple[float, float, float]:
    """Return what a measurement gives in a fresh process."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(measure, file, attribute).result()


def repeat(file: Path, attribute: str, repeats: int, told: str) -> None:
    """Measure so many times and print the ratio of the medians."""
    searched, fitted, resident = [], [], []
    for _ in range(repeats):
        search, fit, gigabytes = run_alone(measure, file, attribute)
        searched.append(search)
        fitted.append(fit)
        resident.append(gigabytes)
        print(f"one fit {fit:.2f} s, search {search:.2f} s, {gigabytes:.2f} GiB resident")
    ratio = statistics.median(searched) / statistics.median(fitted)
    print(f"{told}: {ratio:.2f} times one fit, {max(resident):.2f} GiB resident")


def main() -> None:
    """Print the seconds of each repeat, and the ratio of the medians."""
    arguments = sys.argv[1:]
    if arguments[:1] == ["--at"]:
        repeats = int(arguments[3]) if len(arguments) > 3 else 5
        repeat(Path(arguments[1]) / "warehouse.duckdb", arguments[2], repeats, arguments[1])
        return
    given = [int(value) for value in arguments]
    rows, floats, repeats = (given + [100_000, 64, 5][len(given) :])[:3]
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "warehouse.duckdb"
        make_tables(file, rows, floats)
        repeat(file, "obstacle", repeats, f"{rows} rows of {floats} floats")


if __name__ == "__main__":
    main()
