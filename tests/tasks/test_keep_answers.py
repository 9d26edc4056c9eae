"""Answer files only grow, whole line by whole line, and are read back after any ending."""

import json
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tasks.errors import InputError
from tasks.keep_answers import (
    append_peek,
    append_row,
    create_file,
    find_answer_folder,
    hold_annotator,
    make_slug,
    read_kept,
)
from tasks.loop import Loop

NOON = datetime(2026, 5, 1, 12, tzinfo=UTC)
LATER = datetime(2026, 5, 1, 13, tzinfo=UTC)


def give(fix_id: str, answer: str = "person", annotator: str = "ana", **more: object) -> dict[str, Any]:
    return {"fix_id": fix_id, "annotator": annotator, "answer": answer, **more}


def read_back(folder: Path, annotator: str = "ana") -> list[tuple[str, str]]:
    return [(row.fix_id, row.answer) for row in read_kept(folder, annotator).rows]


@contextmanager
def let_files_grow_to(size: int) -> Iterator[None]:
    """A real limit of the system: the write that goes beyond it is cut short, the next one fails."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_rows_come_back_in_the_order_they_were_given_over_several_starts(tmp_path: Path) -> None:
    first = create_file(tmp_path, "ana", NOON)
    append_row(first, give("1", "persön"))
    second = create_file(tmp_path, "ana", LATER)
    append_row(second, give("2"))
    append_row(first, give("1", "", takes_back=True, saw_prediction=True))
    append_peek(second, "3")
    kept = read_kept(tmp_path, "ana")
    assert [(row.path, row.fix_id, row.answer, row.takes_back, row.saw_prediction) for row in kept.rows] == [
        (first, "1", "persön", False, False),
        (first, "1", "", True, True),
        (second, "2", "person", False, False),
    ]
    assert kept.peeks == {"3"}
    assert json.loads(first.read_text(encoding="utf-8").splitlines()[0]) == give("1", "persön")


def test_two_starts_in_one_second_have_files_of_their_own(tmp_path: Path) -> None:
    paths = [create_file(tmp_path, "ana", NOON) for _ in range(11)]
    for number, path in enumerate(paths):
        append_row(path, give(str(number)))
    assert paths[0].name == "ana-20260501T120000Z.jsonl"
    assert [fix_id for fix_id, _ in read_back(tmp_path)] == [str(number) for number in range(11)]


def test_a_line_that_does_not_fit_on_the_disk_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    path = create_file(tmp_path, "ana", NOON)
    append_row(path, give("1"))
    before = path.read_bytes()
    with let_files_grow_to(len(before) + 20), pytest.raises(OSError, match="part of the line"):
        append_row(path, give("2"))
    assert path.read_bytes() == before
    append_row(path, give("2"))
    assert read_back(tmp_path) == [("1", "person"), ("2", "person")]


@pytest.mark.parametrize("cut", [1, 20, 40])
def test_half_a_last_line_is_cut_off_and_the_next_row_stands_on_a_line_of_its_own(
    tmp_path: Path, cut: int
) -> None:
    path = create_file(tmp_path, "ana", NOON)
    append_row(path, give("1"))
    whole = path.read_bytes()
    path.write_bytes(whole + json.dumps(give("2")).encode()[:cut])
    assert read_back(tmp_path) == [("1", "person")]
    assert path.read_bytes() == whole
    append_row(path, give("3"))
    assert read_back(tmp_path) == [("1", "person"), ("3", "person")]


def test_a_whole_last_line_without_its_end_is_an_answer(tmp_path: Path) -> None:
    path = create_file(tmp_path, "ana", NOON)
    path.write_bytes(json.dumps(give("1")).encode())
    assert read_back(tmp_path) == [("1", "person")]
    assert path.read_bytes().endswith(b"}\n")


def test_lines_that_are_no_answers_of_this_person_are_passed_over_and_stay(tmp_path: Path) -> None:
    path = create_file(tmp_path, "ana", NOON)
    lines = ["not json", "[1]", json.dumps({"answer": "x"}), json.dumps(give("9", annotator="bob")), "", "{}"]
    path.write_text("\n".join([*lines, json.dumps(give("1"))]) + "\n", encoding="utf-8")
    before = path.read_bytes()
    assert read_back(tmp_path) == [("1", "person")]
    assert path.read_bytes() == before


def test_people_of_like_names_have_files_of_their_own(tmp_path: Path) -> None:
    names = ["ana", "Ana", "ana ", "ana-b", "Zoë", "Zoe", "李", "../../ana", "a" * 200, "ana-20260501T120000Z"]
    assert len({make_slug(name) for name in names}) == len(names)
    for name in names:
        assert create_file(tmp_path, name, NOON).parent == tmp_path
        append_row(create_file(tmp_path, name, LATER), give(name, annotator=name))
    for name in names:
        assert read_back(tmp_path, name) == [(name, "person")]


def test_one_process_writes_for_a_person_at_a_time_and_a_killed_one_lets_go(tmp_path: Path) -> None:
    holding = (
        "import sys, time; from pathlib import Path; from tasks.keep_answers import hold_annotator\n"
        "with hold_annotator(Path(sys.argv[1]), 'ana'): print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holding, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(InputError, match=rf"ana: a page is open already \(by process {other.pid}\)"):
            with hold_annotator(tmp_path, "ana"):
                pass
        with hold_annotator(tmp_path, "bob"):
            pass
        other.kill()
        other.wait()
        with hold_annotator(tmp_path, "ana"):
            pass


def test_a_folder_that_cannot_be_made_is_named(file_loop: Loop) -> None:
    folder = find_answer_folder(file_loop)
    assert folder.is_dir()
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()
    folder.write_text("in the way")
    with pytest.raises(InputError, match=r"inbox/answers: cannot be made"):
        find_answer_folder(file_loop)


def test_every_row_is_synced_before_append_returns(tmp_path: Path) -> None:
    """Seen from outside, by what the process asks of the system, where that can be traced."""
    strace = next((p for d in os.environ["PATH"].split(":") if (p := Path(d) / "strace").exists()), None)
    if strace is None:
        pytest.skip("no strace on this machine: the calls of a process cannot be seen")
    code = (
        "import sys; from pathlib import Path; from datetime import datetime, UTC\n"
        "from tasks.keep_answers import append_row, create_file\n"
        "path = create_file(Path(sys.argv[1]), 'ana', datetime(2026, 5, 1, tzinfo=UTC))\n"
        "append_row(path, {'fix_id': 'traced'}); print('saved', flush=True)"
    )
    command = [str(strace), "-f", "-e", "trace=fsync,write", sys.executable, "-c", code, str(tmp_path)]
    trace = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    calls = [line for line in trace.splitlines() if "fsync(" in line or "traced" in line or "saved" in line]
    assert [line.partition("(")[0].split()[-1] for line in calls] == ["fsync", "write", "fsync", "write"]
