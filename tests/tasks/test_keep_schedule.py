"""What the scheduler remembers of runs names files and recordings: an erasure takes it away, or tells of it."""

import json
from collections.abc import Callable
from contextlib import ExitStack

import pytest

from tasks.erase_recording import erase_recording
from tasks.keep_schedule import HOME, LOCK, is_scheduled_now
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.pull_logs import pull_files

SETTINGS = '[pull]\npredictions = ["inbox/*.jsonl"]\n[attribute.obstacle]\nlabels = ["person", "crate"]\n'
ROW = {
    "recording_id": "row-7-may-4",
    "observed_at": "2026-05-04T06:00:00Z",
    "served_at": "2026-05-04T06:00:00.1Z",
    "attribute": "obstacle",
    "model_version": "served-1",
    "predicted": "crate",
    "confidence": 0.6,
    "step": 1,
    "object_id": "a",
}


@pytest.mark.parametrize("is_running", [False, True])
def test_an_erasure_takes_the_memory_of_runs_away_or_says_that_it_must_go(
    make_file_loop: Callable[..., Loop], is_running: bool
) -> None:
    loop = make_file_loop(SETTINGS)
    (loop.folder / "inbox" / "night.jsonl").write_text(json.dumps(ROW))
    assert pull_files(loop).files[0].rows_kept == 1
    home = loop.folder / HOME
    home.mkdir()
    (home / "prefect.db").write_text("left: pull inbox/row-7-may-4.jsonl")
    with ExitStack() as stack:
        if is_running:
            stack.enter_context(hold_file_lock(loop.folder / LOCK, shared=False, wait_seconds=0))
        assert is_scheduled_now(loop) == is_running
        assert erase_recording(loop, "row-7-may-4", is_dry_run=True).is_new
        assert home.exists()
        done = erase_recording(loop, "row-7-may-4")
    assert done.is_rewritten
    assert home.exists() == is_running
    said = "stop turnrow schedule, delete the folder" if is_running else "is gone"
    assert [said in line for line in done.told if str(home) in line] == [True]
