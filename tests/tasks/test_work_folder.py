"""A trainer's folder: gone afterwards, and removed by the next one where its process was killed."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from tasks.know_process import name_process
from tasks.work_folder import clear_work_folders, make_work_folder

_HOLD = """
import os, signal
from tasks.work_folder import make_work_folder
with make_work_folder() as folder:
    (folder / "train.parquet").write_text("somebody's rows")
    print(folder, flush=True)
    {end}
"""


def hold(temporary: Path, end: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", _HOLD.format(end=end)],
        env={**os.environ, "TMPDIR": str(temporary)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_what_a_killed_process_left_is_removed_and_what_is_in_use_or_unknown_stays(tmp_path: Path) -> None:
    killed = hold(tmp_path, "os.kill(os.getpid(), signal.SIGKILL)")
    left = Path(killed.communicate(timeout=60)[0].strip())
    assert killed.returncode == -signal.SIGKILL
    assert (left / "train.parquet").exists()
    elsewhere = tmp_path / "turnrow-trainer-1-1-barn.example-abcdefgh"
    other = tmp_path / "turnrow-trainer-abcdefgh"
    elsewhere.mkdir()
    other.mkdir()
    living = hold(tmp_path, "input()")
    assert living.stdout is not None
    used = Path(living.stdout.readline().strip())
    assert not left.exists(), "the next training has removed it"
    asked = subprocess.run(
        [sys.executable, "-c", "from tasks.work_folder import *; print(*clear_work_folders(), sep='\\n')"],
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert set(asked.stdout.split()) == {str(used), str(elsewhere), str(other)}
    living.communicate("\n", timeout=60)
    assert not used.exists()


def test_a_number_that_was_given_out_again_is_another_process() -> None:
    with make_work_folder() as own:
        named = name_process()
        stale = own.with_name(f"turnrow-trainer-{named['process']}-1-{named['host']}-abcdefgh")
        stale.mkdir()
        assert own in clear_work_folders()
        assert not stale.exists()
