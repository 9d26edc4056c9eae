"""Several processes write one lake on PostgreSQL at once: all get through, nothing is lost or doubled."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from schemas.tables import DATED_FACTS
from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.settle_fixes import settle_fixes
from tasks.warehouse import open_warehouse

_WORKER = Path(__file__).with_name("work_on_lake.py")
_TURNROW = Path(sys.executable).with_name("turnrow")
_MILLION = 1_000_000
_KEYS = {
    "sample": "sample_id",
    "prediction": "prediction_id",
    "label_revision": "revision_id",
    "misprediction": "misprediction_id",
    "label_fix": "fix_id",
    "fix_answer": "fix_id, annotator",
    "fix_outcome": "fix_id",
    "pull_batch": "batch_id",
}


def _write_million(path: Path) -> None:
    duckdb.execute(
        "copy (select 'big-' || (i // 1000) as recording_id, cast(i as varchar) as object_id, "
        "timestamptz '2026-06-01 00:00:00+00' + interval 1 second * i as observed_at, 'obstacle' as attribute, "
        "'m1' as model_version, 'crate' as predicted, 0.99 as confidence "
        f"from range({_MILLION}) as t(i)) to '{path}' (format parquet)"
    )


def _start(*command: str) -> subprocess.Popen[str]:
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def _finish(process: subprocess.Popen[str]) -> str:
    out, err = process.communicate(timeout=400)
    assert process.returncode == 0, err
    return out


@pytest.mark.slow
def test_two_working_processes_and_a_pull_of_a_million_rows(
    make_lake_loop: Callable[..., Loop], tmp_path: Path
) -> None:
    loop = make_lake_loop()
    big = tmp_path / "big.parquet"
    _write_million(big)
    workers = [_start(sys.executable, str(_WORKER), str(loop.folder), name, "30") for name in ("ann", "bob")]
    puller = _start(str(_TURNROW), "--at", str(loop.folder), "pull", str(big))
    wrote = [json.loads(_finish(worker)) for worker in workers]
    _finish(puller)
    assert all(worker["turns"] >= 1 for worker in wrote), wrote

    flag_mispredictions(loop)
    settle_fixes(loop)
    rows = sum(worker["rows"] for worker in wrote)
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        _check_nothing_doubled(connection)
        assert _count(connection, "select count(*) from sample") == rows + _MILLION
        assert _count(connection, "select count(*) from prediction") == rows + _MILLION
        labelled = "select count(*) from misprediction where rule = 'label_disagrees' and revision_id in "
        assert (
            _count(connection, f"{labelled} (select revision_id from label_revision where fix_id is null)")
            == rows // 2
        )
        settled = _count(connection, "select count(*) from fix_outcome where outcome = 'settled'")
        assert settled == _count(connection, "select count(*) from label_revision where fix_id is not null")
        _check_commit_order(connection)


def _count(connection: duckdb.DuckDBPyConnection, query: str) -> int:
    row = connection.execute(query).fetchone()
    assert row is not None
    return int(row[0])


def _check_nothing_doubled(connection: duckdb.DuckDBPyConnection) -> None:
    doubled = {
        table: _count(
            connection, f"select count(*) from (select {key} from {table} group by {key} having count(*) > 1)"
        )
        for table, key in _KEYS.items()
    }
    assert doubled == dict.fromkeys(_KEYS, 0)


def _check_commit_order(connection: duckdb.DuckDBPyConnection) -> None:
    """The lake numbers its commits: each must bring facts later than all before it."""
    snapshots = [
        row[0]
        for row in connection.execute("select snapshot_id from ducklake_snapshots('wh') order by 1").fetchall()
    ]
    clocks = []
    for snapshot in snapshots:
        try:
            query = f"select known_at from warehouse_clock at (version => {snapshot})"
            clocks += connection.execute(query).fetchall()
        except duckdb.CatalogException:  # before the table was made
            assert not clocks
    assert clocks == sorted(clocks)
    facts = " union all ".join(f"select max(known_at) as known_at from {table}" for table in DATED_FACTS)
    latest = connection.execute(f"select max(known_at) from ({facts})").fetchone()
    assert latest is not None
    assert latest[0] <= clocks[-1][0]
