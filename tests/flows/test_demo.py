"""The demo: the whole loop once on invented data, told so that a newcomer can go on from there."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from flows.demo import run_demo
from flows.demo_commands import name_program
from flows.demo_round import play_round_visibly
from flows.demo_scene import Scene
from flows.temporary_server import TemporaryServer
from tasks.errors import InputError
from tasks.loop import Loop
from tasks.read_settings import read_cases, read_settings

CASES = ("crouched-picker", "ladder-in-low-sun", "soft-called-firm")
SECONDS_AT_MOST = 120
PROGRAM = Path(sys.executable).parent / "turnrow"


@dataclass(frozen=True)
class Demo:
    """One run of the command, from a shell that does not know where the program is."""

    folder: Path
    environment: dict[str, str]
    stdout: str
    stderr: str
    returncode: int
    seconds: float

    @property
    def commands(self) -> list[str]:
        return [line.strip() for line in self.stdout.splitlines() if line.startswith(f"  {PROGRAM} ")]

    def run(self, command: str) -> subprocess.CompletedProcess[str]:
        """Paste a command into a shell in the folder where the demo was started."""
        return subprocess.run(
            command,
            shell=True,
            cwd=self.folder.parent,
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
        )

    def query(self, text: str) -> list[dict[str, Any]]:
        answer = self.run(f'{PROGRAM} sql "{text}" --json --at {self.folder.name}')
        assert answer.returncode == 0, answer.stderr
        rows: list[dict[str, Any]] = json.loads(answer.stdout)["rows"]
        return rows


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    here = tmp_path_factory.mktemp("demo")
    (here / "temporary").mkdir()
    environment = {"PATH": "/usr/bin:/bin", "HOME": str(here), "TMPDIR": str(here / "temporary")}
    started_at = time.monotonic()
    ran = subprocess.run(
        [str(PROGRAM), "demo"], cwd=here, env=environment, capture_output=True, text=True, check=False
    )
    seconds = time.monotonic() - started_at
    return Demo(here / "turnrow-demo", environment, ran.stdout, ran.stderr, ran.returncode, seconds)


@pytest.mark.slow
def test_it_runs_to_its_end_in_well_under_two_minutes_and_says_nothing_on_stderr(demo: Demo) -> None:
    assert (demo.returncode, demo.stderr) == (0, "")
    assert demo.seconds < SECONDS_AT_MOST


@pytest.mark.slow
def test_it_says_first_and_last_that_all_is_invented_and_leaves_that_in_the_folder(demo: Demo) -> None:
    lines = demo.stdout.splitlines()
    assert lines[0].startswith("Everything in this demo is invented")
    assert "invented" in lines[-1]
    assert "Everything here is invented" in (demo.folder / "README.md").read_text(encoding="utf-8")


@pytest.mark.slow
def test_it_tells_the_cautions_once(demo: Demo) -> None:
    assert demo.stdout.count("Turnrow is no safety case and certifies nothing.") == 1


@pytest.mark.slow
def test_every_case_is_cured_by_a_candidate_that_passed_and_was_accepted(demo: Demo) -> None:
    states = demo.query(
        "select case_name, arg_max(state, known_at) as state from case_state group by all order by 1"
    )
    assert states == [{"case_name": name, "state": "cured"} for name in CASES]
    verdicts = demo.query(
        "select i.attribute, g.verdict from incumbent as i join gate_decision as g "
        "on g.candidate = i.model_version and g.criterion = 'overall' order by 1"
    )
    assert verdicts == [{"attribute": name, "verdict": "passed"} for name in ("ground", "obstacle")]
    pages = sorted((demo.folder / "reports").glob("*.html"))
    assert len(pages) == 4
    assert all("accepted by dana" in page.read_text(encoding="utf-8").lower() for page in pages)


@pytest.mark.slow
def test_the_figures_it_tells_are_those_that_the_gate_judged(demo: Demo) -> None:
    judged = demo.query(
        "select criterion, estimate from gate_decision where criterion like 'figure:%' order by criterion"
    )
    told = [
        line.split() for line in demo.stdout.splitlines() if line.strip().startswith(CASES) and "recall" in line
    ]
    assert [row["criterion"].removeprefix("figure:") for row in judged] == sorted(words[0] for words in told)
    after = {words[0]: words[6] for words in told}
    assert [after[row["criterion"].removeprefix("figure:")] for row in judged] == [
        f"{row['estimate']:.1%}" for row in judged
    ]


@pytest.mark.slow
def test_the_gain_over_the_control_is_what_the_new_labels_earn(demo: Demo) -> None:
    gains = demo.query(
        "select criterion, estimate, low from gate_decision as g join model as m on m.model_version = g.baseline "
        "where m.role = 'control' and criterion like 'target:%' order by criterion"
    )
    assert [row["criterion"] for row in gains] == [f"target:{name}" for name in CASES]
    assert all(row["low"] > 0 for row in gains)


@pytest.mark.slow
def test_no_hold_out_recording_is_in_a_training_set(demo: Demo) -> None:
    text = (
        "select count(*) as leaked from training_set_member as m join training_set as v on v.version = m.version "
        "join holdout_reserved as r on r.attribute = v.attribute and r.group_id = m.group_id "
        "where v.running_number > 1"
    )
    assert demo.query(text) == [{"leaked": 0}]


@pytest.mark.slow
def test_every_command_that_it_ends_with_works_when_pasted(demo: Demo) -> None:
    assert len(demo.commands) == 8
    for command in demo.commands:
        answer = demo.run(command)
        assert (answer.returncode, answer.stderr) == (0, ""), command
        assert len(answer.stdout.splitlines()) >= 1, command


@pytest.mark.slow
def test_the_query_for_the_training_set_names_what_it_gained(demo: Demo) -> None:
    command = next(line for line in demo.commands if "training_set_lineage" in line)
    rows = json.loads(demo.run(f"{command} --json").stdout)["rows"]
    assert {row["reason"] for row in rows} == {"base", "fixed", "mined", "look_alike"}
    assert {row["case_name"] for row in rows} == {None, "crouched-picker", "ladder-in-low-sun"}


@pytest.mark.slow
def test_the_last_round_is_a_prefect_flow_and_its_server_is_gone(demo: Demo) -> None:
    assert "ground, as a Prefect flow on a temporary server" in demo.stdout
    temporary = demo.environment["TMPDIR"]
    assert list(Path(temporary).iterdir()) == []
    assert _list_processes_with(temporary) == []


@pytest.mark.slow
def test_nothing_of_it_lands_outside_its_folder(demo: Demo) -> None:
    assert {path.name for path in demo.folder.parent.iterdir()} <= {"turnrow-demo", "temporary", ".cache"}


@pytest.mark.slow
def test_run_again_it_changes_nothing_and_says_once_more_what_to_look_at(demo: Demo) -> None:
    before = _hash_files(demo.folder)
    again = demo.run(f"{PROGRAM} demo")
    assert (again.returncode, again.stderr) == (0, "")
    assert "nothing was run again" in again.stdout
    assert all(command in again.stdout for command in demo.commands)
    assert _hash_files(demo.folder) == before


@pytest.mark.slow
def test_where_prefect_fails_the_round_runs_without_it_and_that_is_said(demo: Demo, tmp_path: Path) -> None:
    folder = shutil.copytree(demo.folder, tmp_path / "copy")
    said: list[str] = []
    loop = Loop(folder, read_settings(folder))
    scene = Scene(loop, tuple(read_cases(folder, loop.settings)[0]), said.append)
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        process.wait()
        done = play_round_visibly(scene, "ground", TemporaryServer(process, "http://127.0.0.1:1/api", {}))
    assert not done.through_prefect
    assert "did not come up" in " ".join(said)


def test_a_folder_that_holds_something_else_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"is not empty and holds no demo; name a new or empty folder"):
        run_demo(tmp_path, print)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_a_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "taken"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"taken: is a file"):
        run_demo(path, print)
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_demo_that_was_stopped_is_not_mistaken_for_a_finished_one(tmp_path: Path) -> None:
    (tmp_path / ".demo").mkdir()
    with pytest.raises(InputError, match=r"still runs or was stopped before its end; delete the folder"):
        run_demo(tmp_path, print)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"folder": "x"}'])
def test_a_damaged_summary_is_one_line_that_says_what_to_do(tmp_path: Path, text: str) -> None:
    (tmp_path / ".demo").mkdir()
    (tmp_path / ".demo" / "summary.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"summary.json: is damaged; delete the folder"):
        run_demo(tmp_path, print)


def test_the_program_is_named_as_the_shell_will_find_it(tmp_path: Path) -> None:
    program = tmp_path / "a b" / "turnrow"
    program.parent.mkdir()
    program.write_text("#!/bin/sh\n", encoding="utf-8")
    program.chmod(0o755)
    assert name_program(str(program), str(program.parent)) == "turnrow"
    assert name_program(str(program), "/usr/bin") == f"'{program}'"
    assert name_program(".venv/bin/turnrow", "/usr/bin") == ".venv/bin/turnrow"
    assert name_program(".venv/bin/turnrow", str(program.parent)) == ".venv/bin/turnrow"
    assert name_program("/usr/lib/flows/cli.py", "/usr/bin") == f"{sys.executable} -m flows.cli"


def _hash_files(folder: Path) -> dict[str, str]:
    files = (path for path in folder.rglob("*") if path.is_file() and path.suffix != ".lock")
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def _list_processes_with(text: str) -> list[int]:
    """Return the processes that have a text in their environment, where the system shows it."""
    found = []
    for path in Path("/proc").glob("[0-9]*/environ"):
        try:
            is_found = text.encode() in path.read_bytes()
        except OSError:
            continue
        if is_found and int(path.parent.name) != os.getpid():
            found.append(int(path.parent.name))
    return found
