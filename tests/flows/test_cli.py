"""What the command line promises: names, help, exit codes, one line an error, and JSON that is nothing else."""

import json
import os
import re
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import flows
from flows.cli import main
from tasks.errors import UnknownNameError
from tasks.locate_warehouse import find_location
from tasks.lock import hold_file_lock
from tasks.loop import Loop
from tasks.warehouse import open_warehouse

COMMANDS = [
    "init",
    "demo",
    "check-setup",
    "pull",
    "flag",
    "case",
    "mine",
    "watch",
    "queue list",
    "queue export",
    "queue import",
    "queue renew",
    "answer",
    "annotators",
    "settle",
    "audit",
    "holdout",
    "assemble",
    "verify",
    "diff",
    "export",
    "import-set",
    "retrain",
    "predict",
    "import-model",
    "sign-off",
    "nightly",
    "round",
    "schedule",
    "backfill",
    "lineage",
    "why",
    "erase",
    "status",
    "report",
    "sql",
]
LATER = ["move-warehouse"]

CROUCHED = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
severity = "high"
[members]
where = "predicted = 'crate' and truth = 'person'"
[scope]
where = "(context->>'light') = 'dusk'"
[holdout]
size = 4
"""

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(file_loop: Loop, capsys: pytest.CaptureFixture[str]) -> Run:
    """Return a runner of commands in the orchard's loop: exit code, stdout, stderr."""

    def run_command(*argv: str) -> tuple[int, str, str]:
        code = main([*argv, "--at", str(file_loop.folder)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run_command


def put_case(loop: Loop, text: str = CROUCHED, name: str = "crouched-picker") -> Path:
    path = loop.folder / "cases" / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def put_log(loop: Loop, name: str = "drive.jsonl") -> Path:
    """Write an invented log: three crates that are people, two people, one doubted crate without a label."""
    seen = [
        ("crate", "person"),
        ("crate", "person"),
        ("crate", "person"),
        ("person", "person"),
        ("person", "person"),
    ]
    rows: list[dict[str, Any]] = [
        {
            "recording_id": f"drive-{number}",
            "object_id": "o1",
            "observed_at": f"2026-05-01T20:0{number}:00Z",
            "attribute": "obstacle",
            "model_version": "m1",
            "predicted": predicted,
            "confidence": 0.9,
            "features": [float(number), 1.0],
            "context": {"light": "dusk"},
            "reference_label": truth,
            "reference_origin": "person",
        }
        for number, (predicted, truth) in enumerate(seen)
    ]
    doubted = rows[0] | {"recording_id": "drive-9", "confidence": 0.51, "scores": {"crate": 0.51, "person": 0.49}}
    rows.append({key: value for key, value in doubted.items() if not key.startswith("reference")})
    path = loop.folder / "inbox" / name
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


def ready(loop: Loop, run: Run) -> None:
    """Pull the log and flag it, through the commands."""
    put_case(loop)
    assert run("pull", str(put_log(loop)))[0] == 0
    assert run("flag")[0] == 0


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_that_is_a_sentence(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*command.split(), "--help"]) == 0
    words = capsys.readouterr().out.split("\n\n")[1]
    assert re.match(r"[A-Z][^.]+\.", words)


def test_help_lists_the_commands_and_none_that_is_not_built(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    listed = re.findall(r"^ {4}([a-z-]+)(?: |$)", out, flags=re.MULTILINE)
    assert [name for name in listed if name != "queue"] == [name for name in COMMANDS if " " not in name]


@pytest.mark.parametrize(
    "argv",
    [
        [],
        *[[name] for name in LATER],
        ["queue"],
        ["holdout"],
        ["holdout", "a", "--from", "f.csv", "--grow", "3"],
        ["holdout", "a", "--grow", "0"],
        ["case", "a", "--park"],
        ["case", "--park", "--by", "Ina"],
        ["case", "a", "--by", "Ina"],
        ["sign-off", "m1", "--by", "Ina"],
        ["sign-off", "m1", "--by", "Ina", "--accept", "--refuse"],
        ["backfill", "a", "--since", "2026-05-01"],
        ["assemble", "obstacle", "--as-of", "yesterday"],
        ["status", "--jsn"],
        ["queue", "list", "--at-most", "-1"],
    ],
)
def test_wrong_usage_exits_with_2_and_says_so(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(argv) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "error: " in captured.err.splitlines()[-1]


def test_a_time_that_is_none_is_told_how_to_write_one(capsys: pytest.CaptureFixture[str]) -> None:
    main(["assemble", "obstacle", "--as-of", "31.3.2026"])
    assert "'31.3.2026' is no time; write it as 2026-03-31 or" in capsys.readouterr().err


def test_the_shared_options_stand_before_or_after_the_command(
    file_loop: Loop, capsys: pytest.CaptureFixture[str]
) -> None:
    at = ["--at", str(file_loop.folder)]
    outs = []
    for argv in (
        [*at, "--json", "queue", "list"],
        ["queue", *at, "--json", "list"],
        ["queue", "list", *at, "--json"],
        ["--json", "queue", "list", *at],
    ):
        assert main(argv) == 0
        outs.append(capsys.readouterr().out)
    assert {json.dumps(json.loads(out)) for out in outs} == {'{"fixes": []}'}


def test_the_environment_names_the_folder_and_the_option_wins(file_loop: Loop, tmp_path: Path) -> None:
    environment = os.environ | {"TURNROW_AT": str(file_loop.folder)}
    command = [sys.executable, "-m", "flows.cli", "queue", "list"]
    named = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert (named.returncode, named.stdout, named.stderr) == (0, "no open label fix\n", "")
    elsewhere = [*command, "--at", str(tmp_path / "elsewhere")]
    other = subprocess.run(elsewhere, env=environment, capture_output=True, text=True, check=False)
    assert other.returncode == 1
    assert "elsewhere/turnrow.toml: there is no such file" in other.stderr


def test_init_makes_a_loop_folder_that_check_setup_finds_nothing_wrong_with(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "orchard"
    assert main(["init", str(folder)]) == 0
    assert (folder / "turnrow.toml").is_file()
    assert main(["check-setup", "--at", str(folder)]) == 0
    assert "0 things wrong" in capsys.readouterr().out
    assert main(["init", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["folder"] == str(folder)


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (
            ["mine", "crouched-piker"],
            "no failure case crouched-piker in cases/; the nearest known one is `crouched-picker`",
        ),
        (["case", "crouched-piker"], "the nearest known one is `crouched-picker`"),
        (
            ["holdout", "overall:obstacel"],
            "no attribute obstacel in turnrow.toml; the nearest known one is `obstacle`",
        ),
        (["assemble", "grond"], "the nearest known one is `ground`"),
        (["round", "grond"], "the nearest known one is `ground`"),
        (["queue", "list", "--attribute", "grond"], "the nearest known one is `ground`"),
        (["queue", "export", "q.csv", "--case", "dusk"], "no failure case dusk in cases/"),
        (["backfill", "dusk", "--since", "2026-05-01", "--until", "2026-05-02"], "no failure case dusk in cases/"),
        (["lineage", "obstacle-0009"], "obstacle-0009: the warehouse knows no training set"),
        (["verify", "obstacle-0009"], "obstacle-0009"),
        (["predict", "m9", "in.parquet", "out.parquet"], "m9"),
        (["sign-off", "m9", "--by", "Ina", "--accept"], "m9"),
    ],
)
def test_an_unknown_name_is_one_line_on_stderr_and_exit_code_1(
    argv: list[str], words: str, run: Run, file_loop: Loop
) -> None:
    put_case(file_loop)
    for more in ([], ["--json"]):
        code, out, err = run(*argv, *more)
        assert (code, out, err.count("\n")) == (1, "", 1)
        assert err.startswith("turnrow: ")
        assert words in err


def test_debug_keeps_the_traceback_of_our_own_errors(file_loop: Loop) -> None:
    with pytest.raises(UnknownNameError, match="no failure case dusk"):
        main(["mine", "dusk", "--at", str(file_loop.folder), "--debug"])


@pytest.mark.parametrize(
    "argv",
    [
        ["status"],
        ["check-setup"],
        ["case"],
        ["case", "crouched-picker"],
        ["case", "crouched-picker", "--park", "--by", "Ina"],
        ["queue", "list"],
        ["sql", "select * from flagged_sample"],
        ["lineage", "m1"],
        ["settle"],
        ["flag"],
        ["pull"],
        ["holdout", "crouched-picker"],
        ["nightly"],
        ["backfill", "crouched-picker", "--since", "2026-05-01", "--until", "2026-05-02"],
        ["backfill", "crouched-picker", "--since", "2026-05-01", "--until", "2026-05-02", "--dry-run"],
    ],
)
def test_json_is_one_document_on_stdout_and_text_says_something(
    argv: list[str], run: Run, file_loop: Loop
) -> None:
    ready(file_loop, run)
    code, out, err = run(*argv, "--json")
    assert code in (0, 3)
    assert isinstance(json.loads(out), dict)
    assert [line for line in err.splitlines() if "of the history" not in line] == []
    code, out, _ = run(*argv)
    assert code in (0, 3)
    assert out.strip()


def test_each_command_that_any_text_of_ours_tells_to_type_is_there() -> None:
    """What a finding, an error or `status` says to type is a command."""
    source, prose = Path(flows.__file__).parents[1], {"with", "warehouse", "perceptron"}
    texts = [path for kind in ("schemas/**/*.sql", "tasks/*.py", "flows/*.py") for path in source.glob(kind)]
    told = {word for path in texts for word in re.findall(r"\bturnrow ([a-z][a-z-]+)", path.read_text("utf-8"))}
    assert "sql" in told
    assert told - prose <= {command.split()[0] for command in COMMANDS}


def test_a_loop_from_log_to_label_through_the_commands(run: Run, file_loop: Loop, tmp_path: Path) -> None:
    put_case(file_loop)
    log = put_log(file_loop)
    _, out, _ = run("pull", str(log), "--json")
    (pulled,) = json.loads(out)["files"]
    counts = ("rows_read", "rows_kept", "rows_duplicate", "rows_quarantined")
    assert [pulled[name] for name in counts] == [6, 6, 0, 0]

    _, out, _ = run("flag", "--json")
    assert json.loads(out) == {
        "samples": 6,
        "flagged": 4,
        "lapsed": 0,
        "cases": {"crouched-picker": 3},
        "asked": 1,
        "problems": [],
    }

    code, out, _ = run("holdout", "overall:obstacle", "--json")
    drawn = json.loads(out)
    assert (code, drawn["members"], drawn["missing"]) == (3, 6, 1)
    assert run("holdout", "overall:obstacle", "--json") == (code, out, "")

    questions = tmp_path / "questions.jsonl"
    assert run("queue", "export", str(questions))[1] == f"1 label fix written to {questions}, blind\n"
    fix_id = json.loads(questions.read_text())["fix_id"]
    answers = tmp_path / "answers.csv"
    rows = [f"{fix_id},ada,person", f"{fix_id},bo,person", f"{fix_id},cy,tractor"]
    answers.write_text("\n".join(["fix_id,annotator,answer", *rows]) + "\n")
    code, out, _ = run("queue", "import", str(answers), "--json")
    taken = json.loads(out)
    assert (code, taken["rows_kept"], [row["row_number"] for row in taken["refused"]]) == (0, 2, [3])

    _, out, _ = run("settle", "--json")
    assert json.loads(out)["frozen_holdouts"] == [drawn["holdout_id"]]
    code, out, _ = run("holdout", "overall:obstacle", "--json")
    assert (code, json.loads(out)["missing"]) == (0, 0)
    code, _, err = run("assemble", "obstacle")
    assert code == 3  # every group is reserved: not yet
    assert err.count("\n") == 1


def test_a_file_that_cannot_be_read_is_told_and_the_others_are_pulled(run: Run, file_loop: Loop) -> None:
    broken = file_loop.folder / "inbox" / "broken.parquet"
    broken.write_bytes(b"no parquet")
    code, out, err = run("pull", str(broken), str(put_log(file_loop)), "--json")
    assert code == 1
    assert [file["rows_kept"] for file in json.loads(out)["files"]] == [0, 6]
    assert err.count("\n") == 1
    assert "inbox/broken.parquet" in err


def test_a_bad_case_file_is_told_and_the_others_are_matched(run: Run, file_loop: Loop) -> None:
    put_case(file_loop)
    put_case(file_loop, "case = 3", "broken")
    other = CROUCHED.replace("crouched-picker", "other").replace("predicted = 'crate'", "predicte = 'crate'")
    put_case(file_loop, other, "other")
    assert run("pull", str(put_log(file_loop)))[0] == 0
    code, out, err = run("flag", "--json")
    assert code == 1
    assert json.loads(out)["cases"] == {"crouched-picker": 3}
    assert sorted(name for name in ("broken.toml", "other.toml") if name in err) == ["broken.toml", "other.toml"]
    assert err.count("\n") == 2
    code, out, err = run("check-setup")
    assert code == 1
    assert "2 things are wrong" in err
    assert out.splitlines()[0].startswith("wrong")


def test_a_person_parks_and_reopens_a_case_and_twice_is_once(run: Run, file_loop: Loop) -> None:
    ready(file_loop, run)
    for argv in (["--park"], ["--park"], ["--reopen"]):
        assert run("case", "crouched-picker", *argv, "--by", "Ina")[0] == 0
    _, out, _ = run(
        "sql", "select state, decided_by from case_state where decided_by is not null order by known_at", "--json"
    )
    assert json.loads(out)["rows"] == [
        {"state": "parked", "decided_by": "Ina"},
        {"state": "reopened", "decided_by": "Ina"},
    ]


def test_sql_gives_columns_and_rows_as_objects(run: Run, file_loop: Loop) -> None:
    ready(file_loop, run)
    query = (
        "select object_id, observed_at, 1 as n, 2 as n, null as nothing from sample order by observed_at limit 1"
    )
    code, out, err = run("sql", query, "--json")
    assert (code, err) == (0, "")
    assert json.loads(out) == {
        "columns": ["object_id", "observed_at", "n", "n_1", "nothing"],
        "rows": [{"object_id": "o1", "observed_at": "2026-05-01T20:00:00Z", "n": 1, "n_1": 2, "nothing": None}],
    }
    assert run("sql", query)[1].splitlines() == [
        "object_id  observed_at           n  n_1  nothing",
        "o1         2026-05-01T20:00:00Z  1    2  null",
        "1 row",
    ]


@pytest.mark.parametrize(
    "text", ["drop table sample", "select * from read_text('x')", "select nothing from sample", ""]
)
def test_sql_that_is_refused_is_one_line(text: str, run: Run) -> None:
    code, out, err = run("sql", text)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert err.startswith("turnrow: sql: ")


def test_sql_runs_on_every_kind_of_warehouse(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(
        ["sql", "select attribute from attribute_definition order by 1", "--at", str(loop.folder), "--json"]
    )
    assert code == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert [row["attribute"] for row in rows] == ["distance", "ground", "obstacle"]


def test_a_reader_that_goes_away_is_no_error(file_loop: Loop) -> None:
    with open_warehouse(file_loop, write=True) as warehouse:
        warehouse.write(
            lambda known_at: warehouse.connection.execute(
                "insert into vector_space select 'obstacle', 'space-' || n, n, $known_at from range(200000) t(n)",
                {"known_at": known_at},
            )
        )
    query = "select space from vector_space"
    command = [sys.executable, "-m", "flows.cli", "sql", query, "--at", str(file_loop.folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().strip() == b"space"
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(timeout=60) == 0


def test_an_interrupt_ends_quietly_with_130(file_loop: Loop) -> None:
    command = [sys.executable, "-m", "flows.cli", "status", "--at", str(file_loop.folder)]
    with hold_file_lock(find_location(file_loop).lock_path, shared=False, wait_seconds=5):
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
            time.sleep(2)
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (130, b"", b"")


def test_what_a_log_says_cannot_steer_the_terminal(run: Run, file_loop: Loop) -> None:
    log = put_log(file_loop)
    log.write_text(log.read_text().replace('"o1"', '"o1", "media_uri": "frame"'))
    assert run("pull", str(log))[0] == 0
    _, out, _ = run("sql", "select 'o' || chr(27) || '[31m' || chr(10) || media_uri as said from sample limit 1")
    assert out.splitlines()[1] == r"o\u001b[31m\nframe"


def test_status_ends_with_what_to_do_next(run: Run, file_loop: Loop) -> None:
    assert run("status")[1].splitlines()[-1].endswith(": turnrow pull")
    assert run("pull", str(put_log(file_loop)))[0] == 0
    assert "cases/NAME.toml" in run("status")[1].splitlines()[-1]
    put_case(file_loop)
    assert run("status")[1].splitlines()[-1].endswith(": turnrow flag")
    assert run("flag")[0] == 0
    assert run("status")[1].splitlines()[-1].endswith(": turnrow holdout overall:obstacle")


def test_status_loads_nothing_heavy(file_loop: Loop, run: Run) -> None:
    ready(file_loop, run)
    heavy = ["numpy", "pandas", "pyarrow", "sklearn", "scipy", "prefect", "great_expectations", "psycopg", "pytz"]
    code = (
        "import sys; from flows.cli import main; "
        f"main(['status', '--at', {str(file_loop.folder)!r}]); "
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.slow
def test_status_starts_within_0_3_s_of_importing_duckdb(file_loop: Loop, run: Run) -> None:
    ready(file_loop, run)
    status = ["-m", "flows.cli", "status", "--at", str(file_loop.folder)]
    bare, whole = [], []
    for _ in range(5):
        bare.append(measure(["-c", "import duckdb"]))
        whole.append(measure(status))
    base = statistics.median(bare)
    # The second limit is for a machine that is busy: where the import takes longer, so may the rest.
    assert statistics.median(whole) <= max(base + 0.3, 4 * base)


def measure(arguments: list[str]) -> float:
    started = time.perf_counter()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
    return time.perf_counter() - started
