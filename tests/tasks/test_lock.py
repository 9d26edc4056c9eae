"""One writer at a time, on every kind of warehouse: who waits, for whom, how long, and what a lost lock costs."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from schemas.settings import Settings
from tasks.errors import BusyWarehouseError, WarehouseError
from tasks.loop import Loop
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import ReadRows

_HOLD = """
import sys
from pathlib import Path
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse
folder, kind = Path(sys.argv[1]), sys.argv[2]
with open_warehouse(Loop(folder, read_settings(folder)), write=kind == "write") as warehouse:
    with warehouse.hold_writers_lock():
        print("held", flush=True)
        sys.stdin.readline()
"""

_WRITE = """
import sys
from pathlib import Path
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse
folder, name = Path(sys.argv[1]), sys.argv[2]
loop = Loop(folder, read_settings(folder))
for number in range(int(sys.argv[3])):
    with open_warehouse(loop, write=True) as warehouse:
        def insert(known_at):
            count = warehouse.connection.execute("select count(*) from case_state").fetchone()[0]
            warehouse.connection.execute(
                "insert into case_state values ($n, $s, 'x', null, $k)",
                {"n": name, "s": str(count), "k": known_at},
            )
        warehouse.write(insert)
"""


def wait_at_most(loop: Loop, seconds: int) -> Loop:
    settings: Settings = replace(loop.settings, warehouse=replace(loop.settings.warehouse, wait_seconds=seconds))
    return replace(loop, settings=settings)


@contextmanager
def held_by_another(folder: Path, kind: str = "write") -> Iterator[subprocess.Popen[str]]:
    """A process of its own that holds the warehouse; it lets go when told to, or at the end."""
    process = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(folder), kind], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.communicate(timeout=30)


def write_once(loop: Loop) -> datetime:
    with open_warehouse(loop, write=True) as warehouse:
        return warehouse.write(lambda known_at: known_at)


def test_who_meets_a_writer_gives_up_in_time_and_names_its_process(loop: Loop) -> None:
    impatient = wait_at_most(loop, 1)
    with held_by_another(loop.folder) as holder:
        started = time.monotonic()
        with pytest.raises(
            BusyWarehouseError, match=rf"in use by (process|turnrow) {holder.pid}\b.* more than 1 s"
        ):
            write_once(impatient)
        waited = time.monotonic() - started
    assert 1 <= waited < 10


def test_a_wait_of_no_seconds_is_none(loop: Loop) -> None:
    with held_by_another(loop.folder), pytest.raises(BusyWarehouseError, match="more than 0 s"):
        write_once(wait_at_most(loop, 0))


def test_who_is_patient_gets_through_when_the_writer_lets_go(loop: Loop) -> None:
    with held_by_another(loop.folder) as holder:
        waiting = subprocess.Popen([sys.executable, "-c", _WRITE, str(loop.folder), "patient", "1"])
        time.sleep(0.5)
        assert waiting.poll() is None
        holder.communicate("let go\n", timeout=30)
        assert waiting.wait(timeout=60) == 0


def test_a_holder_that_is_killed_frees_the_warehouse(loop: Loop) -> None:
    with held_by_another(loop.folder) as holder:
        holder.kill()
        holder.wait(timeout=30)
        write_once(wait_at_most(loop, 10))


def test_readers_share_a_file_and_keep_a_writer_waiting(file_loop: Loop, read_rows: "ReadRows") -> None:
    write_once(file_loop)
    with held_by_another(file_loop.folder, "read") as holder:
        assert read_rows(file_loop, "select count(*) from sample") == [(0,)]
        with pytest.raises(BusyWarehouseError, match="in use by another process for more than 1 s"):
            write_once(wait_at_most(file_loop, 1))
        holder.communicate("let go\n", timeout=30)
        write_once(wait_at_most(file_loop, 10))


def test_a_writer_that_is_dead_is_not_named(file_loop: Loop) -> None:
    """Its name is left in the lock file when it is killed; a reader came after it."""
    with held_by_another(file_loop.folder) as writer:
        writer.kill()
        writer.wait(timeout=30)
    lock = file_loop.folder / "warehouse.duckdb.lock"
    assert lock.read_text(encoding="utf-8") == f"process {writer.pid}"
    with (
        held_by_another(file_loop.folder, "read"),
        pytest.raises(BusyWarehouseError, match="in use by another process"),
    ):
        write_once(wait_at_most(file_loop, 0))


def test_readers_of_a_lake_wait_for_nobody(make_lake_loop: "MakeLoop", read_rows: "ReadRows") -> None:
    loop = make_lake_loop()
    with held_by_another(loop.folder):
        assert read_rows(wait_at_most(loop, 0), "select count(*) from sample") == [(0,)]


def test_a_file_that_another_program_has_open_names_that_program(file_loop: Loop) -> None:
    """It holds DuckDB's own lock, not ours."""
    code = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.readline()"
    path = file_loop.folder / "warehouse.duckdb"
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        with pytest.raises(BusyWarehouseError, match=rf"in use by process {process.pid} for more than 1 s"):
            write_once(wait_at_most(file_loop, 1))
    finally:
        process.kill()
        process.communicate(timeout=30)


def test_moments_rise_in_commit_order_over_processes(loop: Loop, read_rows: "ReadRows") -> None:
    """Each row counts the rows before it under the lock: so the counts are the order of commits."""
    writers = [
        subprocess.Popen([sys.executable, "-c", _WRITE, str(loop.folder), f"writer {n}", "5"]) for n in range(2)
    ]
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0]
    rows = read_rows(loop, "select state, case_name from case_state order by known_at")
    assert [state for state, _ in rows] == [str(n) for n in range(10)]
    assert {name for _, name in rows} == {"writer 0", "writer 1"}
    assert read_rows(loop, "select count(distinct known_at) from case_state") == [(10,)]


def test_a_lost_lock_reruns_the_insert_and_not_the_preparation(
    make_lake_loop: "MakeLoop", read_rows: "ReadRows"
) -> None:
    """Another writer commits in the middle, as after a broken session: the clock's row tells, and all is kept."""
    loop = make_lake_loop()
    tries: list[datetime] = []
    with open_warehouse(loop, write=True) as warehouse:

        def insert(known_at: datetime) -> int:
            tries.append(known_at)
            place = {"n": f"try {len(tries)}", "k": known_at}
            warehouse.connection.execute("insert into case_state values ($n, 'open', 'x', null, $k)", place)
            if len(tries) == 1:
                _write_without_the_lock(loop)
            return len(tries)

        assert warehouse.write(insert) == 2
    assert read_rows(loop, "select case_name from case_state order by known_at") == [("intruder",), ("try 2",)]
    assert tries[0] < tries[1]


def _write_without_the_lock(loop: Loop) -> None:
    with open_warehouse(loop, write=True) as other:
        other.connection.execute("update warehouse_clock set known_at = known_at + interval 1 microsecond")
        other.connection.execute(
            "insert into case_state select 'intruder', 'open', 'x', null, known_at from warehouse_clock"
        )
        other.connection.execute("commit")
        other.connection.execute("begin transaction")


def test_a_lock_whose_session_is_cut_loses_no_work(make_lake_loop: "MakeLoop", read_rows: "ReadRows") -> None:
    """PostgreSQL ends the session that holds the lock, in the middle of a step."""
    import psycopg

    loop = make_lake_loop()
    with open_warehouse(loop, write=True) as warehouse:

        def insert(known_at: datetime) -> None:
            with psycopg.connect(warehouse.location.target, autocommit=True) as session:
                cut = session.execute(
                    "select pg_terminate_backend(pid) from pg_stat_activity where application_name = %s",
                    [f"turnrow {os.getpid()}"],
                ).fetchall()
            assert cut == [(True,)]
            warehouse.connection.execute(
                "insert into case_state values ('kept', 'open', 'x', null, $k)", {"k": known_at}
            )

        warehouse.write(insert)
    assert read_rows(loop, "select case_name from case_state") == [("kept",)]


def test_a_server_that_is_not_there_is_told_in_one_line(make_lake_loop: "MakeLoop") -> None:
    loop = make_lake_loop()
    settings = replace(loop.settings.warehouse, location="ducklake:postgres:host=/no/such/folder dbname=x")
    lost = replace(loop, settings=replace(loop.settings, warehouse=settings))
    with pytest.raises(WarehouseError) as caught, open_warehouse(lost, write=True):
        pass
    assert len(str(caught.value).splitlines()) == 1


def test_a_clock_that_runs_backwards_on_another_host_does_no_harm(loop: Loop) -> None:
    first = write_once(loop)
    behind = replace(loop, clock=lambda: datetime(2020, 1, 1, tzinfo=UTC))
    assert write_once(behind) > first


def test_who_waits_gets_in_before_one_who_lets_go_and_asks_again_at_once(file_loop: Loop) -> None:
    """A writer that opens forty times in a row, a little longer each time than anybody polls, starves nobody."""
    greedy = _WRITE.replace("warehouse.write(insert)", "warehouse.write(insert); __import__('time').sleep(0.1)")
    process = subprocess.Popen([sys.executable, "-c", greedy, str(file_loop.folder), "greedy", "40"])
    try:
        deadline = time.monotonic() + 30
        while not (file_loop.folder / "warehouse.duckdb.lock").read_text():
            assert time.monotonic() < deadline
        waited = []
        for _ in range(3):
            began = time.monotonic()
            write_once(file_loop)
            waited.append(time.monotonic() - began)
        assert process.poll() is None, "it was still at work"
        assert max(waited) < 2, waited
    finally:
        process.wait(timeout=60)


def test_a_query_that_is_broken_off_is_heard_as_just_that(file_loop: Loop) -> None:
    """Not as the connection's complaint about the rollback that follows; and the warehouse is free afterwards."""
    slow = "select count(*) from range(100000000) as a(i), range(1000) as b(j) where i % 7 = j % 5"
    timer = threading.Timer(0.5, lambda: os.kill(os.getpid(), signal.SIGINT))
    with pytest.raises(KeyboardInterrupt), open_warehouse(file_loop, write=True) as warehouse:
        timer.start()
        warehouse.connection.execute(slow).fetchall()
    write_once(file_loop)
