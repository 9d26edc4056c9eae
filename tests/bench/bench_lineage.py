"""Time the whole lineage of a version against the bare join of its members with their label revisions.

Every column of both is streamed in record batches. The version is the last of three; three times as many samples
are known as it has rows, each with a label and a prediction; a third of all is flagged, some by two rules, so that
it has more lines than rows. The file cache is warm, imports and opening the warehouse are not counted; each
measurement is a process of its own. Run as `python tests/bench/bench_lineage.py [ROWS] [REPEATS]`, or with
`--at LOOP [REPEATS]` on the latest version of a loop that is there; prints seconds, the ratio of medians, and the
greatest memory that reading the lineage had resident.
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
from typing import TypeVar

import duckdb

sys.path.insert(0, str(Path(__file__).parents[2]))

from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse

T = TypeVar("T")
ROWS_AT_ONCE = 50_000
SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
"""

# Of ten samples five were labelled by file, three flagged (one of these by two rules), two asked about; one was
# told of by two files.
FACTS = """
create temp table sight as
select
    i,
    sha256('sample ' || i)[:32] as sample_id,
    sha256('prediction ' || i)[:32] as prediction_id,
    sha256('revision ' || i)[:32] as revision_id,
    case when i % 10 >= 8 then sha256('fix ' || i)[:32] end as fix_id,
    case when i % 10 < 5 then 'base' when i % 10 < 8 then 'fixed' else 'mined' end as reason,
    ['person', 'animal', 'crate', 'ladder', 'foliage'][1 + i % 7 % 5] as label,
    sha256('file ' || (i // 30000))[:32] as batch_id,
    'obstacle' as attribute,
    timestamptz '2024-05-01 00:00:00+00' + to_milliseconds(i * 100) as observed_at,
    timestamptz '2024-06-01 00:00:00+00' as known_at
from range($rows * 3) as r(i);
insert into sample by name
select
    sample_id, 'run-' || lpad((i // 500)::varchar, 6, '0') as recording_id, 'track-' || (i % 50) as object_id,
    observed_at, attribute, sha256(batch_id || copy)[:32] as batch_id, known_at
from sight, range(case when i % 10 = 0 then 2 else 1 end) as c(copy);
insert into prediction by name
select
    prediction_id, sample_id, attribute, observed_at, 'obstacle-0001' as model_version, 'champion' as role,
    label as predicted, 0.9 as confidence, observed_at as predicted_at, batch_id, known_at
from sight;
insert into label_revision by name
select
    revision_id, sample_id, attribute, observed_at, label, 'person' as origin,
    case when fix_id is null then 'ana' else 'ana,ben' end as decided_by, fix_id,
    case when fix_id is null then sha256(batch_id || 'labels')[:32] end as batch_id, known_at
from sight;
insert into misprediction by name
select
    sha256(prediction_id || rule)[:32] as misprediction_id, sample_id, prediction_id, attribute, rule,
    '' as definition_sha256, known_at
from sight, (values ('label_disagrees', 5, 7), ('sure_of_a_crate', 7, 7)) as r(rule, first, last)
where i % 10 between first and last;
insert into pull_batch by name
select
    batch_id, 'file:///inbox/' || batch_id || '-' || copy || '.parquet' as source_uri,
    sha256(batch_id) as content_sha256, kind, 0 as rows_read, 0 as rows_kept, 0 as rows_duplicate,
    0 as rows_quarantined, known_at + to_days(copy::integer) as known_at
from (
    select distinct batch_id, 'predictions' as kind, known_at from sight
    union all
    select distinct batch_id, 'labels', known_at from label_revision where batch_id is not null
), range(2) as c(copy);
insert into training_set by name
select
    'obstacle-' || number as version, 'obstacle' as attribute, number as running_number, '{}' as composition,
    timestamptz '2024-07-01 00:00:00+00' as as_of, as_of as reserved_until, $rows * number // 3 as row_count,
    '' as digest, 'passed' as state, as_of as known_at
from range(1, 4) as r(number);
insert into training_set_member by name
select
    t.version, s.sample_id, s.sample_id[:8] as group_id, s.revision_id, s.label, 1 as weight, s.reason, s.fix_id,
    case when s.reason <> 'base' then 'crouched-picker' end as case_name,
    case when s.reason <> 'base' then ['crouched-picker', 'any-dusk-error'] end as case_names,
    case when s.reason <> 'base' then s.prediction_id end as prediction_id
from training_set as t
inner join sight as s on s.i < t.row_count
order by t.running_number, s.sample_id
"""

QUERIES = {
    "bare": """
        select m.*, r.*
        from training_set_member as m
        inner join label_revision as r using (revision_id)
        where m.version = $version
    """,
    "lineage": "select * from training_set_lineage where version = $version",
}


def make_versions(folder: Path, rows: int) -> None:
    """Make a loop with three versions, the last of so many rows, invented."""
    folder.mkdir()
    (folder / "turnrow.toml").write_text(SETTINGS, encoding="utf-8")
    loop = Loop(folder, read_settings(folder))
    make_loop(loop)
    with open_warehouse(loop, write=True) as warehouse:
        for statement in FACTS.split(";"):
            warehouse.connection.execute(statement, {"rows": rows} if "$rows" in statement else None)
        warehouse.connection.execute("commit")
        warehouse.connection.execute("begin transaction")


def stream(connection: duckdb.DuckDBPyConnection, query: str, version: str) -> int:
    """Read all of a query batch by batch, in the way in which this DuckDB keeps only a batch; return its lines."""
    given = {"version": version}
    if duckdb.__version__.startswith("1."):
        reader = connection.execute(query, given).to_arrow_reader(ROWS_AT_ONCE)
    else:
        reader = connection.sql(query, params=given).to_arrow_reader(ROWS_AT_ONCE)
    return sum(batch.num_rows for batch in reader)


def measure(folder: Path, name: str) -> tuple[float, int, float]:
    """Return the seconds that reading all of a query takes, its lines, and the greatest resident GiB."""
    import pyarrow  # noqa: F401

    with open_warehouse(Loop(folder, read_settings(folder)), write=False) as warehouse:
        connection = warehouse.connection
        latest = "select version from training_set order by known_at desc, running_number desc limit 1"
        ((version,),) = connection.execute(latest).fetchall()
        stream(connection, "select now(), $version", version)  # what the first batch imports
        started = time.perf_counter()
        lines = stream(connection, QUERIES[name], version)
        seconds = time.perf_counter() - started
    return seconds, lines, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def run_alone(work: Callable[..., T], *given: object) -> T:
    """Return what a function gives in a fresh process, whose peak memory is at least its parent's so far."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(work, *given).result()


def repeat(folder: Path, repeats: int) -> None:
    """Measure so many times, after once to warm the file cache, and print the ratio of the medians."""
    bare, traced, resident = [], [], []
    for name in QUERIES:
        run_alone(measure, folder, name)
    for _ in range(repeats):
        seconds, rows, _ = run_alone(measure, folder, "bare")
        bare.append(seconds)
        seconds, lines, gigabytes = run_alone(measure, folder, "lineage")
        traced.append(seconds)
        resident.append(gigabytes)
        print(f"bare {bare[-1]:.2f} s, lineage {seconds:.2f} s, {gigabytes:.2f} GiB resident")
    ratio = statistics.median(traced) / statistics.median(bare)
    print(f"{rows} rows, {lines} lines: {ratio:.2f} times the bare join, {max(resident):.2f} GiB resident")


def main() -> None:
    """Print the seconds of each repeat, and the ratio of the medians."""
    arguments = sys.argv[1:]
    if arguments[:1] == ["--at"]:
        repeat(Path(arguments[1]), int(arguments[2]) if len(arguments) > 2 else 5)
        return
    rows, repeats = ([int(value) for value in arguments] + [1_000_000, 5][len(arguments) :])[:2]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "loop"
        run_alone(make_versions, folder, rows)
        repeat(folder, repeats)


if __name__ == "__main__":
    main()
