"""Lives through a fortnight of nights with one loop, each night a process of its own; started by test_fortnight.

Usage: live_a_fortnight.py LOOP FOLDER. LOOP holds nothing but its settings and cases. Writes to FOLDER: nNN/ (what
arrives before a night, see fortnight.py, the answers of people included), runs.json (how each run ended, and its
summary), held.json (what the warehouse then holds). A night is a fork of this process, which has loaded what it
needs and opens no warehouse itself.
"""

import contextlib
import json
import os
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import great_expectations
import pandas as pd
import sklearn.neural_network
from fortnight import MISSED, NIGHTS, Delivery, copy_in, deliver_all, list_held, spell

from flows.attempt_steps import perform_plainly
from flows.nightly import NightlySummary, run_nightly
from flows.tell_schedule import find_next
from schemas.tables import FACTS
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.locate_warehouse import find_location
from tasks.loop import Loop
from tasks.make_loop import make_loop
from tasks.make_plain import make_plain
from tasks.read_settings import read_case, read_settings
from tasks.warehouse import open_warehouse

LOADED = (great_expectations, pd, sklearn.neural_network)
T = TypeVar("T")
_FULL, _KILLED, _OVERLAP, _OUTAGE = 5, 6, 8, 10
_WAIT_SECONDS = 60


def open_loop(folder: Path, now: datetime) -> Loop:
    """Return the loop with a clock that shows `now`, and goes on from there."""
    began = time.monotonic()
    return Loop(folder, read_settings(folder), lambda: now + timedelta(seconds=time.monotonic() - began))


def list_nights(folder: Path) -> list[datetime]:
    """Return when the nights are, as the scheduler has it."""
    schedule = read_settings(folder).schedule
    found: list[datetime] = []
    while len(found) < NIGHTS:
        since = found[-1] + timedelta(minutes=1) if found else datetime(2026, 3, 22, 12, tzinfo=UTC)
        found += [datetime.fromisoformat(n["utc"]) for n in find_next(schedule.nightly, schedule.timezone, since)]
    return found[:NIGHTS]


def fork(work: Callable[[], None]) -> int:
    process = os.fork()
    if process:
        return process
    try:
        work()
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def wait(process: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


def apart(work: Callable[[], None]) -> None:
    """Do something that opens a warehouse in a process of its own."""
    assert wait(fork(work)) == 0


def wait_for(path: Path) -> None:
    deadline = time.monotonic() + _WAIT_SECONDS
    while not path.exists():
        assert time.monotonic() < deadline, path
        time.sleep(0.02)


class Fortnight:
    """The loop, the folder of what is told of it, and the runs so far."""

    def __init__(self, loop: Path, folder: Path) -> None:
        self.loop, self.folder = loop, folder
        self.is_file = find_location(open_loop(loop, datetime.now(UTC))).kind == "file"
        self.runs: list[dict[str, Any]] = []

    def start(
        self,
        night: int,
        now: datetime,
        interrupt: Callable[[str], None] = lambda step: None,
        wait_seconds: float | None = None,
        is_full: bool = False,
    ) -> int:
        """Start a night; `interrupt` is called with each step's name before the step."""
        told = self.folder / f"run-{len(self.runs)}.json"
        self.runs.append({"night": night, "at": now.isoformat(), "told": told})
        return fork(lambda: self._run(now, told, interrupt, wait_seconds, is_full))

    def _run(
        self,
        now: datetime,
        told: Path,
        interrupt: Callable[[str], None],
        wait_seconds: float | None,
        is_full: bool,
    ) -> None:
        def perform(step: str, what: str, work: Callable[[], T], *, is_outside: bool = False) -> T:
            interrupt(step)
            return perform_plainly(step, what, work, is_outside=is_outside)

        def show(summary: NightlySummary) -> None:
            said["summary"] = make_plain(summary)

        loop = open_loop(self.loop, now)
        if wait_seconds:
            limits = replace(loop.settings.warehouse, wait_seconds=wait_seconds)
            loop = replace(loop, settings=replace(loop.settings, warehouse=limits))
        limit = resource.getrlimit(resource.RLIMIT_FSIZE)
        if is_full:
            size = (self.loop / "warehouse.duckdb").stat().st_size
            resource.setrlimit(resource.RLIMIT_FSIZE, (size // 2, limit[1]))
        said: dict[str, Any] = {"error": None}
        try:
            run_nightly(loop, perform, show=show)
        except Exception as error:
            said["error"] = [type(error).__name__, str(error)]
            traceback.print_exc()
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
        told.write_text(json.dumps(said), encoding="utf-8")

    def live(self) -> None:
        """Go through the nights with all that happens in them."""
        deliver_all(self.folder)
        apart(lambda: make_loop(open_loop(self.loop, datetime(2026, 3, 22, tzinfo=UTC))))
        for night, now in enumerate(list_nights(self.loop), start=1):
            copy_in(self.folder, self.loop, night)
            self._be_human(night, now)
            if night not in MISSED:
                self._pass(night, now)
        apart(lambda: self._write_contents("held.json"))
        for run in self.runs:
            path = run.pop("told")
            run |= json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        (self.folder / "runs.json").write_text(json.dumps(self.runs, indent=1), encoding="utf-8")

    def _pass(self, night: int, now: datetime) -> None:
        """One night, with what befalls it."""
        if night == _FULL and self.is_file:
            apart(lambda: self._write_contents("before_full.json"))
            self._end(self.start(night, now, is_full=True))
            apart(lambda: self._write_contents("after_full.json"))
        elif night == _KILLED:
            self._end(self.start(night, now, _die_before("settle")))
            self._end(self.start(night, now + timedelta(hours=5)))
        elif night == _OVERLAP:
            self._overlap(night, now)
        elif night == _OUTAGE:
            with self._hold_off():
                self._end(self.start(night, now, wait_seconds=0.5))
        else:
            self._end(self.start(night, now))

    def _end(self, process: int) -> None:
        self.runs[-1]["code"] = wait(process)

    def _overlap(self, night: int, now: datetime) -> None:
        """The first waits before it flags until the second has come and gone."""
        under_way, gone = self.folder / "under_way", self.folder / "gone"

        def pause(step: str) -> None:
            if step == "flag" and not under_way.exists():
                under_way.touch()
                wait_for(gone)

        first = self.start(night, now, pause)
        wait_for(under_way)
        self._end(self.start(night, now + timedelta(minutes=1)))
        gone.touch()
        self.runs[-2]["code"] = wait(first)

    @contextlib.contextmanager
    def _hold_off(self) -> Iterator[None]:
        """Let nobody use the warehouse: another process holds the file; the lake's database is not there."""
        held = self.folder / "held"
        if not self.is_file:
            with _hide_database(open_loop(self.loop, datetime.now(UTC))):
                yield
            return
        process = fork(lambda: self._hold(held))
        wait_for(held)
        yield
        os.kill(process, signal.SIGKILL)
        wait(process)

    def _hold(self, held: Path) -> None:
        with open_warehouse(open_loop(self.loop, datetime.now(UTC)), write=True):
            held.touch()
            time.sleep(_WAIT_SECONDS)

    def _be_human(self, night: int, now: datetime) -> None:
        """What people do before a night: draw the hold-outs, answer questions."""
        before = now - timedelta(hours=10)
        if night == 3:
            apart(lambda: self._hold_out(before))
        if night in (3, 6, 8, 14):
            apart(lambda: self._answer(night, before))
            copy_in(self.folder, self.loop, night)

    def _hold_out(self, now: datetime) -> None:
        loop = open_loop(self.loop, now)
        case = read_case(self.loop / "cases" / "crouched-picker.toml", loop.settings)
        for name, rows, wanted in zip(("whole", "case"), list_held(), (None, case), strict=True):
            path = self.folder / f"{name}.jsonl"
            path.write_text(
                spell({k: r[k] for k in ("recording_id", "object_id", "observed_at")} for r in rows),
                encoding="utf-8",
            )
            draw_holdout(loop, HoldoutTarget(loop.settings.attribute["obstacle"], wanted), listed=path)

    def _answer(self, night: int, now: datetime) -> None:
        """Answer open questions as their recordings' names tell; in the third night not those of hold-outs.

        Nobody dares to say what is disputed of cart-2, and in the end only cart-1's questions are looked at.
        """
        with open_warehouse(open_loop(self.loop, now), write=False) as warehouse:
            asked = warehouse.connection.execute(
                "select fix_id, recording_id, attempt from open_fix inner join known_sample using (sample_id) "
                "order by fix_id"
            ).fetchall()
        rows: list[dict[str, Any]] = []
        for fix_id, recording, attempt in asked:
            is_murky = "murky" in recording
            is_left = recording.startswith("held") if night == 3 else recording == "cart-2-n01-crouched-3"
            if is_left or (night == NIGHTS and not recording.startswith("cart-1")):
                continue
            answer = "unusable" if is_murky else "person"
            row = {"fix_id": fix_id, "annotator": ("ana", "ben")[attempt - 1], "answer": answer}
            rows.append(row | {"answered_at": now.isoformat()})
        delivery = Delivery(self.folder, night)
        delivery.put("answers", f"n{night:02}.jsonl", spell(rows))
        if night == 8:
            earlier = (self.folder / "n03" / "inbox" / "answers" / "n03.jsonl").read_text(encoding="utf-8")
            delivery.put("answers", "copy-of-n03.jsonl", earlier)
            changed = json.loads(earlier.splitlines()[0]) | {"answer": "crate"}
            delivery.put("answers", "n08-changed.jsonl", spell([changed]))

    def _write_contents(self, name: str) -> None:
        """Write all facts and the runs that the warehouse holds, and what its views tell."""
        held: dict[str, Any] = {}
        with open_warehouse(open_loop(self.loop, datetime.now(UTC)), write=False) as warehouse:
            warehouse.connection.execute("create temp view k as select * from known_sample")
            for table in (*FACTS, "flow_run", "seen_file", *_QUERIES):
                query = _QUERIES.get(table, f"select * from {table}")
                rows = warehouse.connection.execute(f"select * from ({query}) order by all").fetchall()
                held[table] = [
                    [str(value) if isinstance(value, datetime) else value for value in row] for row in rows
                ]
        (self.folder / name).write_text(json.dumps(held, default=str), encoding="utf-8")


_NAME = "k.recording_id || '@' || epoch_us(k.observed_at)"
_QUERIES = {
    "told_sample": f"select sample_id, {_NAME}, unit_id, context->>'light' from k",
    "told_prediction": f"select {_NAME}, model_version, p.predicted, p.confidence from prediction as p "
    "inner join k using (sample_id) where role = 'served'",
    "told_label": f"select {_NAME}, label, disputed_because from current_label inner join k using (sample_id)",
    "told_revision": f"select {_NAME}, r.label, r.decided_by, r.fix_id is not null from label_revision as r "
    "inner join k using (sample_id)",
    "told_refused": "select source_uri, row_number, reason from quarantined_row "
    "inner join pull_batch using (batch_id)",
    "told_file": "select source_uri, rows_read, rows_kept, rows_duplicate, rows_quarantined from pull_batch",
    "told_live": f"select {_NAME} from live_flag inner join k using (sample_id) where rule = 'label_disagrees'",
    "told_raised": f"select {_NAME}, r.label, r.decided_by from misprediction as m "
    "inner join k using (sample_id) inner join label_revision as r on r.revision_id = m.revision_id "
    "where m.rule = 'label_disagrees'",
    "told_member": f"select case_name, {_NAME} from present_member inner join k using (sample_id)",
    "told_open": f"select {_NAME}, f.attempt, f.reason, array_to_string(f.case_names, ',') from open_fix as f "
    "inner join k using (sample_id)",
    "told_ended": f"select {_NAME}, f.attempt, e.outcome, r.label, r.decided_by from fix_end as e "
    "inner join label_fix as f using (fix_id) inner join k using (sample_id) "
    "left join label_revision as r on r.revision_id = e.revision_id",
    "told_frozen": "select case_name from holdout inner join holdout_freeze using (holdout_id)",
    "told_run": "select started_at, run_id, state, error, counts from flow_run where flow = 'nightly'",
}


def _die_before(wanted: str) -> Callable[[str], None]:
    def die(step: str) -> None:
        if step == wanted:
            os.kill(os.getpid(), signal.SIGKILL)

    return die


@contextlib.contextmanager
def _hide_database(loop: Loop) -> Iterator[None]:
    """Rename the lake's database for a while, on the server of this test run."""
    import psycopg
    from psycopg.conninfo import conninfo_to_dict, make_conninfo

    conninfo = find_location(loop).target
    name = conninfo_to_dict(conninfo)["dbname"]
    with psycopg.connect(make_conninfo(conninfo, dbname="postgres"), autocommit=True) as connection:
        connection.execute(f'alter database "{name}" rename to "{name}_away"')
        yield
        connection.execute(f'alter database "{name}_away" rename to "{name}"')


if __name__ == "__main__":
    Fortnight(Path(sys.argv[1]), Path(sys.argv[2])).live()
