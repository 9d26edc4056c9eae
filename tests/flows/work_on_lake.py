"""One of several processes that work on the same lake at once; started by test_many_writers.

Usage: work_on_lake.py LOOP NAME SECONDS; prints one line of JSON with what it wrote.
"""

import json
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from tasks.export_fixes import QueueFilter, export_fixes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_settings
from tasks.settle_fixes import settle_fixes

ROWS = 50
START = datetime(2026, 5, 1, tzinfo=UTC)


def write_log(path: Path, name: str, turn: int) -> None:
    """Half of the rows carry a label that contradicts, the other half are called with a low margin."""
    numbers = range(ROWS)
    pq.write_table(
        pa.table(
            {
                "recording_id": [f"{name}-{turn}"] * ROWS,
                "object_id": [str(number) for number in numbers],
                "observed_at": [START + timedelta(hours=turn, seconds=number) for number in numbers],
                "attribute": ["obstacle"] * ROWS,
                "model_version": ["m1"] * ROWS,
                "predicted": ["crate"] * ROWS,
                "confidence": [0.5] * ROWS,
                "scores": ['{"crate": 0.5, "person": 0.45}'] * ROWS,
                "reference_label": ["person" if number % 2 else None for number in numbers],
                "reference_origin": ["person" if number % 2 else None for number in numbers],
            }
        ),
        path,
    )


def answer_all(loop: Loop, name: str, turn: int) -> int:
    asked, answers = loop.folder / f"ask-{name}-{turn}.parquet", loop.folder / f"ans-{name}-{turn}.parquet"
    export_fixes(loop, asked, QueueFilter(), is_open=False)
    fixes = pq.read_table(asked, columns=["fix_id"]).column("fix_id").to_pylist()
    rows = [(fix, person) for fix in fixes for person in ("ana", "ben")]
    pq.write_table(
        pa.table(
            {
                "fix_id": pa.array([fix for fix, _ in rows], pa.string()),
                "annotator": pa.array([person for _, person in rows], pa.string()),
                "answer": pa.array(["person"] * len(rows), pa.string()),
            }
        ),
        answers,
    )
    return import_answers(loop, answers).rows_kept


def main(folder: str, name: str, seconds: float) -> None:
    loop = Loop(Path(folder), read_settings(Path(folder)))
    deadline, turn = time.monotonic() + seconds, 0
    while time.monotonic() < deadline:
        path = loop.folder / f"{name}-{turn}.parquet"
        write_log(path, name, turn)
        pull_files(loop, [path])
        flag_mispredictions(loop)
        queue_doubted(loop)
        answer_all(loop, name, turn)
        settle_fixes(loop)
        turn += 1
    print(json.dumps({"name": name, "turns": turn, "rows": turn * ROWS}))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
