"""Time a backfill over stored predictions against plain scans of the same predictions, and tell its peak memory.

Run as `python tests/bench/bench_backfill.py [PREDICTIONS] [DAYS] [FOLDER]`. The predictions are invented and put
into the warehouse by SQL, one day after the other, as pulls of daily files would leave them. The backfill is a
process of its own, as its memory is what counts; the plain scan reads once what the case is about.
"""

import json
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse

SINCE = datetime(2026, 1, 1, tzinfo=UTC)
SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
"""
CASE = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate' and truth = 'person'"
"""

# One sample a prediction; every tenth has a label, every second label contradicts its prediction, and one
# prediction in fifty is called with a low margin.
PUT_DAY = """
create or replace temp table day_row as
with numbered as (
    select
        i,
        'run-' || (i // 500) as recording_id,
        'track-' || (i % 500) as object_id,
        $first + to_microseconds(cast(86400000000 * ((i - $low) / ($high - $low)) as bigint)) as observed_at
    from range($low, $high) as r(i)
)
select *, make_sample_id(recording_id, object_id, observed_at, 'obstacle') as sample_id
from numbered;
insert into sample
select sample_id, recording_id, object_id, observed_at, 'obstacle', 'cart-' || (i % 12), null,
    '{"light":"dusk"}', 'b', $known_at
from day_row;
insert into prediction
select
    make_prediction_id(sample_id, 'm1', 'served', 'crate', null),
    sample_id, 'obstacle', observed_at, 'm1', 'served', 'crate', null,
    case when i % 50 = 0 then 0.55 else 0.95 end, null, observed_at, 'b', $known_at
from day_row;
insert into label_revision
select id_of(sample_id), sample_id, 'obstacle', observed_at, case when i % 20 = 0 then 'person' else 'crate' end,
    null, 'person', 'ann', observed_at, null, 'b', null, null, $known_at
from day_row
where i % 10 = 0;
"""


def put_history(loop: Loop, predictions: int, days: int) -> None:
    """Store `predictions` over `days`, a transaction a day."""
    for day in range(days):
        with open_warehouse(loop, write=True) as warehouse:
            connection = warehouse.connection

            def insert(known_at: datetime, day: int = day) -> None:
                low, high = (predictions * number // days for number in (day, day + 1))
                values = {"first": SINCE + timedelta(days=day), "low": low, "high": high, "known_at": known_at}
                for statement in PUT_DAY.split(";")[:-1]:
                    used = {name: value for name, value in values.items() if f"${name}" in statement}
                    connection.execute(statement, used)  # noqa: B023

            warehouse.write(insert)


def make_history(folder: Path, predictions: int, days: int) -> Loop:
    """Make a loop folder with one case and its history."""
    folder.mkdir(parents=True)
    (folder / "turnrow.toml").write_text(SETTINGS, encoding="utf-8")
    loop = Loop(folder, read_settings(folder))
    make_loop(loop)
    (folder / "cases" / "crouched-picker.toml").write_text(CASE, encoding="utf-8")
    put_history(loop, predictions, days)
    return loop


def time_scan(loop: Loop) -> float:
    """Return the seconds of one plain scan of all predictions, their samples and labels, nothing looked up."""
    started = time.perf_counter()
    with open_warehouse(loop, write=False) as warehouse:
        for table in ("prediction", "sample", "label_revision"):
            warehouse.connection.execute(
                f"select count(*), max(sample_id), max(observed_at), min(known_at) from {table}"
            )
        warehouse.connection.execute("select max(predicted), max(confidence), max(prediction_id) from prediction")
    return time.perf_counter() - started


def time_backfill(loop: Loop, days: int, *options: str) -> tuple[float, dict[str, object]]:
    """Return the seconds of `turnrow backfill` over the whole history, and what it said."""
    span = ("--since", SINCE.isoformat(), "--until", (SINCE + timedelta(days=days)).isoformat())
    command = (
        "-m",
        "flows.cli",
        "--at",
        str(loop.folder),
        "--json",
        "backfill",
        "crouched-picker",
        *span,
        *options,
    )
    started = time.perf_counter()
    done = subprocess.run(
        (sys.executable, *command), capture_output=True, text=True, check=False, cwd=Path(__file__).parents[2]
    )
    if done.returncode:
        raise SystemExit(done.stderr)
    return time.perf_counter() - started, json.loads(done.stdout)


def main() -> None:
    """Print the seconds of each, their ratio, and the peak memory of the backfills."""
    predictions, days = ([int(value) for value in sys.argv[1:3]] + [10_000_000, 60][len(sys.argv[1:3]) :])[:2]
    with tempfile.TemporaryDirectory(dir=sys.argv[3] if len(sys.argv) > 3 else None) as name:
        started = time.perf_counter()
        loop = make_history(Path(name) / "loop", predictions, days)
        print(f"{predictions:,} predictions over {days} days, stored in {time.perf_counter() - started:.0f} s")
        scan = time_scan(loop)
        for options in (("--dry-run",), (), ()):
            seconds, document = time_backfill(loop, days, *options)
            peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024**2
            print(
                f"backfill {' '.join(options) or 'for good'}: {seconds:.1f} s, {seconds / scan:.1f} plain scans "
                f"of {scan:.2f} s, at most {peak:.2f} GiB so far; {json.dumps(document)}"
            )


if __name__ == "__main__":
    main()
