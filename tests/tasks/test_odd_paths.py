"""Names, folders and locks that no command may fail over without saying which."""

import json
import os
import tempfile
from pathlib import Path

import pytest

from tasks.errors import WarehouseError
from tasks.find_log_files import list_inbox, look_at_file
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.read_settings import read_cases

_ROW = {
    "recording_id": "run-1",
    "object_id": "track-1",
    "observed_at": "2026-05-01T08:00:00+23:59",
    "attribute": "obstacle",
    "label": "person",
    "origin": "person",
}  # invented


def test_a_name_that_is_not_utf8_fails_alone_and_so_does_an_impossible_offset(file_loop: Loop) -> None:
    """Offsets go to 23:59: RFC 3339, section 5.6, time-numoffset."""
    folder = file_loop.folder / "inbox" / "labels"
    folder.mkdir(parents=True, exist_ok=True)
    rows = [_ROW, *({**_ROW, "observed_at": f"2026-05-01T08:00:00{o}"} for o in ("+99:00", "-24:00", "+08:60"))]
    text = "".join(json.dumps(row) + "\n" for row in rows)
    (folder / "good.jsonl").write_text(text, encoding="utf-8")
    bad = Path(os.fsdecode(os.fsencode(folder) + b"/bad\xff.jsonl"))
    bad.write_text(text, encoding="utf-8")
    files = {Path(file.path).name: file for file in pull_files(file_loop, sorted(folder.iterdir())).files}
    assert files["bad\\xff.jsonl"].error.endswith("bad\\xff.jsonl: its name is not UTF-8; rename it")
    assert (files["good.jsonl"].rows_kept, files["good.jsonl"].rows_quarantined) == (1, 3)


def test_a_case_file_that_is_a_pipe_or_has_an_odd_name_is_told_and_not_opened(file_loop: Loop) -> None:
    cases = file_loop.folder / "cases"
    cases.mkdir(exist_ok=True)
    os.mkfifo(cases / "pipe.toml")
    Path(os.fsdecode(os.fsencode(cases) + b"/odd\xff.toml")).touch()
    told = sorted(str(error) for error in read_cases(file_loop.folder, file_loop.settings)[1])
    assert [text.split("cases/")[1] for text in told] == [
        "odd\\xff.toml: its name is not UTF-8; rename it",
        "pipe.toml: cannot be read: it is no file; move it away",
    ]


def test_a_lock_that_is_a_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "warehouse.lock").mkdir()
    with (
        pytest.raises(WarehouseError, match=r"warehouse\.lock: is no file; move it away"),
        hold_file_lock(tmp_path / "warehouse.lock", shared=True, wait_seconds=0),
    ):
        pass


def test_a_folder_that_may_not_be_read_is_told(file_loop: Loop) -> None:
    """Asked in a child process without root's rights, as root may read everything."""
    pattern = file_loop.settings.pull.labels[0]
    closed = file_loop.folder / pattern.split("**")[0] / "own"
    closed.mkdir(parents=True, exist_ok=True)
    closed.chmod(0)
    for folder in (file_loop.folder, *file_loop.folder.parents):
        if os.getuid() == 0 and Path(tempfile.gettempdir()) in folder.parents:
            folder.chmod(folder.stat().st_mode | 0o055)
    child = os.fork()
    if child == 0:
        if os.getuid() == 0:
            os.setuid(65534)
        try:
            assert closed in list_inbox(file_loop)
            look_at_file(file_loop, closed)
        except Exception as error:
            os._exit(0 if "may not be read" in str(error) else 2)
        os._exit(1)
    status = os.waitpid(child, 0)[1]
    closed.chmod(0o755)
    assert os.waitstatus_to_exitcode(status) == 0
