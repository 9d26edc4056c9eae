"""One night at a time: of several that start at once one passes; the dead and the distant do not block on."""

import json
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta

import pytest

from schemas.sql_files import read_sql
from tasks.close_dead_runs import close_dead_runs
from tasks.errors import NotYetError
from tasks.know_process import name_process
from tasks.loop import Loop
from tasks.track_run import track_run
from tasks.warehouse import open_warehouse

STARTER = """
import sys, time
from pathlib import Path
from tasks.errors import NotYetError
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.track_run import track_run
folder = Path(sys.argv[1])
loop = Loop(folder, read_settings(folder))
print("ready", flush=True)
sys.stdin.readline()
try:
    with track_run(loop, "nightly", {}, is_alone=True):
        print("passed", flush=True)
        sys.stdin.readline()
except NotYetError as error:
    print(error, flush=True)
"""


def test_of_three_that_start_at_once_one_passes(loop: Loop) -> None:
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", STARTER, str(loop.folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(3)
    ]
    try:
        assert [read_line(process) for process in processes] == ["ready"] * 3
        for process in processes:
            write_line(process)
        told = {process.pid: read_line(process) for process in processes}
        (passed,) = (pid for pid, line in told.items() if line == "passed")
        for pid, line in told.items():
            assert pid == passed or f"another nightly is under way (process {passed} on " in line
        for process in processes:
            process.communicate(timeout=30)
    finally:
        for process in processes:
            process.kill()
            process.wait()
    assert fetch(loop, "select count(*) from flow_run where state = 'done'") == [(1,)]
    assert fetch(loop, "select count(*) from flow_run") == [(1,)]
    with track_run(loop, "nightly", {}, is_alone=True):
        pass  # nothing is left in the way


def read_line(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def write_line(process: "subprocess.Popen[str]") -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def test_a_run_of_another_host_blocks_for_a_day_and_is_named(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop()
    started = loop.clock() - timedelta(hours=23, minutes=50)
    put_running(loop, started_hours_ago=23.8, host="press-shop", process=4711)
    message = rf"another nightly is under way \(process 4711 on press-shop, since {started:%Y-%m-%d}T"
    with pytest.raises(NotYetError, match=message), track_run(loop, "nightly", {}, is_alone=True):
        pass
    put_running(loop, started_hours_ago=24.1, host="press-shop", process=4711)
    with track_run(loop, "nightly", {}, is_alone=True):
        pass
    assert close_dead_runs(loop) == []  # who knows what it does there
    assert fetch(loop, "select state from flow_run order by state") == [("done",), ("running",)]


def test_the_dead_of_this_host_are_closed_by_who_starts(make_file_loop: Callable[..., Loop]) -> None:
    """A process number that was given out again is no life: the start of the process is another one."""
    loop = make_file_loop()
    put_running(loop, started_hours_ago=1, **name_process() | {"process_started": "1"})
    with track_run(loop, "nightly", {}, is_alone=True):
        pass
    assert fetch(loop, "select state from flow_run order by state") == [("crashed",), ("done",)]


def put_running(loop: Loop, *, started_hours_ago: float, **process: object) -> None:
    row = {
        "run_id": "old",
        "flow": "nightly",
        "parameters": "{}",
        "started_at": loop.clock() - timedelta(hours=started_hours_ago),
        "counts": json.dumps(process),
    }

    def replace(connection: object) -> None:
        warehouse.connection.execute("delete from flow_run where run_id = 'old'")
        warehouse.connection.execute(read_sql("runs/start_run"), row)

    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(replace)


def fetch(loop: Loop, text: str) -> list[tuple[object, ...]]:
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(text).fetchall()
