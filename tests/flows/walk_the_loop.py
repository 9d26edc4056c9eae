"""Goes through the loop's commands in processes of their own, and kills some; started by test_killed_anywhere.

Usage: walk_the_loop.py FOLDER KILLS SEED. FOLDER holds the loops `quiet` and `killed`, of the same settings and
inbox; `quiet` is taken through every command undisturbed, `killed` with so many kill -9 at random moments. What
both then hold is written to FOLDER/quiet.json and FOLDER/killed.json, and what was killed when to kills.json.

Each command is a fork of this process, which has loaded what they need: a real process and a real kill, without
the seconds that loading takes. This process opens no warehouse itself, so a fork would share nothing.
"""

import contextlib
import hashlib
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import great_expectations
import pandas as pd
import sklearn.neural_network

from flows.cli import main
from schemas.tables import FACTS
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.warehouse import open_warehouse

LOADED = (great_expectations, pd, sklearn.neural_network)
KILLED = ("pull", "flag", "import", "settle", "assemble", "retrain", "backfill")
"""What must survive; what else stands in the way is killed too, more often the longer it takes."""

_FINE = (0, 3)
# Moments of our own clock, beside known_at: no two runs share them.
_MOMENTS = ("known_at", "run_id", "as_of", "reserved_until", "seen_until")


def list_commands(folder: Path) -> Iterator[tuple[str, list[str]]]:
    """Yield the commands of the loop in their order, each with a short name."""
    yield "pull", ["pull"]
    yield "import-model", ["import-model", "obstacle", "none", "--as", "m1", "--by", "A. Picker"]
    yield "flag", ["flag"]
    yield "overall", ["holdout", "overall:obstacle", "--from", str(folder / "overall.jsonl")]
    yield "holdout", ["holdout", "crouched-picker", "--from", str(folder / "case.jsonl")]
    yield "mine", ["mine", "crouched-picker"]
    yield "watch", ["watch"]
    yield "import", ["queue", "import", str(folder / "answers.jsonl")]
    yield "settle", ["settle"]
    yield "assemble", ["assemble", "obstacle"]
    yield "retrain", ["retrain", "obstacle"]
    yield "backfill", ["backfill", "crouched-picker", "--since", "2026-05-01", "--until", "2026-06-01"]


def start(folder: Path, arguments: list[str]) -> int:
    """Start a command in a process of its own; return its number."""
    process = os.fork()
    if process:
        return process
    with (folder / "out.txt").open("a") as out:
        os.dup2(out.fileno(), 1)
        os.dup2(out.fileno(), 2)
        code = 70
        with contextlib.suppress(BaseException):
            code = main(["--at", str(folder), *arguments])
        os._exit(code)


def finish(folder: Path, arguments: list[str]) -> float:
    """Run a command to its end; return the seconds that it took."""
    began = time.monotonic()
    _, status = os.waitpid(start(folder, arguments), 0)
    code = os.waitstatus_to_exitcode(status)
    assert code in _FINE, (arguments, code, (folder / "out.txt").read_text()[-3000:])
    return time.monotonic() - began


def kill(folder: Path, arguments: list[str], after: float) -> bool:
    """Kill a command with -9 after so many seconds; return whether it was still running."""
    process = start(folder, arguments)
    time.sleep(after)
    os.kill(process, signal.SIGKILL)
    _, status = os.waitpid(process, 0)
    return os.WIFSIGNALED(status)


def write_answers(folder: Path, target: Path) -> None:
    """Answer every open question as the recording's name tells, in one order and at one time."""
    with open_warehouse(Loop(folder, read_settings(folder)), write=False) as warehouse:
        asked = warehouse.connection.execute(
            "select fix_id, recording_id from open_fix inner join known_sample using (sample_id) order by fix_id"
        ).fetchall()
    with target.open("w", encoding="utf-8") as lines:
        for fix_id, recording in asked:
            answer = "crate" if "crate" in recording else "person"
            row = {"fix_id": fix_id, "annotator": "ana", "answer": answer, "answered_at": "2026-06-02T00:00:00Z"}
            lines.write(json.dumps(row) + "\n")


def write_contents(folder: Path, target: Path) -> None:
    """Write what a warehouse holds of facts, and what stands in the folder of models."""
    held: dict[str, object] = {}
    with open_warehouse(Loop(folder, read_settings(folder)), write=False) as warehouse:
        for table in FACTS:
            columns = [row[0] for row in warehouse.connection.execute(f"describe {table}").fetchall()]
            kept = ", ".join(column for column in columns if column not in _MOMENTS)
            rows = warehouse.connection.execute(f"select {kept} from {table} order by all").fetchall()
            held[table] = [[str(value) for value in row] for row in rows]
    models = sorted(path for path in (folder / "models").rglob("*") if path.is_file())
    held["models"] = [
        [str(path.relative_to(folder)), hashlib.sha256(path.read_bytes()).hexdigest()]
        for path in models
        if not path.relative_to(folder / "models").parts[0].startswith(".")
    ]
    target.write_text(json.dumps(held), encoding="utf-8")


def apart(work: Callable[[Path, Path], None], folder: Path, target: Path) -> None:
    """Do something that opens a warehouse in a process of its own."""
    process = os.fork()
    if not process:
        try:
            work(folder, target)
        except BaseException as error:
            print(f"{type(error).__name__}: {error}", file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(process, 0)
    assert status == 0, (work.__name__, folder)


def walk(folder: Path, kills: int, seed: int) -> None:
    """Take both loops through all commands."""
    quiet, killed = folder / "quiet", folder / "killed"
    seconds = {}
    for name, arguments in list_commands(folder):
        if name == "import":
            apart(write_answers, quiet, folder / "answers.jsonl")
        seconds[name] = finish(quiet, arguments)
    told = []
    chance = random.Random(seed)
    names = [name for name, _ in list_commands(folder)]
    # Three of each that must survive, and the others where most of the time is spent.
    wanted = [name for name in KILLED for _ in range(3)]
    wanted += chance.choices(names, [seconds[name] for name in names], k=max(0, kills - len(wanted)))
    for name, arguments in list_commands(folder):
        for _ in range(wanted[:kills].count(name)):
            after = chance.uniform(0.0, seconds[name])
            told.append([name, after, kill(killed, arguments, after)])
        finish(killed, arguments)
    (folder / "kills.json").write_text(json.dumps(told), encoding="utf-8")
    for loop in (quiet, killed):
        apart(write_contents, loop, folder / f"{loop.name}.json")


if __name__ == "__main__":
    walk(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
