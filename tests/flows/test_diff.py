"""`turnrow verify` and `turnrow diff` on the command line: what they say, their exit codes, their JSON."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from flows.cli import main
from tasks.assemble_training_set import assemble_training_set
from tasks.erase_recording import erase_recording
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.warehouse import open_warehouse

DAY = datetime(2026, 5, 1, tzinfo=UTC)


def pull(loop: Loop, labels: dict[int, str], day: int) -> None:
    """Pull invented labels: sight number -> label, all decided on one day; a drive has two sights."""
    rows = [
        {
            "recording_id": f"drive-{number // 2}",
            "object_id": f"track-{number}",
            "observed_at": (DAY + timedelta(minutes=number)).isoformat(),
            "attribute": "obstacle",
            "label": label,
            "origin": "person",
            "decided_by": "survey",
            "decided_at": (DAY + timedelta(days=day)).isoformat(),
            "features": [float(number), 1.0],
        }
        for number, label in labels.items()
    ]
    path = loop.folder / f"labels-{day}.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    assert not pull_files(loop, [path]).failed


def tamper(loop: Loop, statement: str) -> None:
    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(lambda _: warehouse.connection.execute(statement).fetchall())


@pytest.fixture
def versions(file_loop: Loop) -> list[str]:
    """A version of eight rows, and a later one: two more rows, one other label, and one left out."""
    pull(file_loop, dict.fromkeys(range(8), "crate"), 1)
    made = [assemble_training_set(file_loop, "obstacle").version]
    pull(file_loop, {0: "person", 8: "ladder", 9: "ladder"}, 2)
    pull(file_loop, {7: "animal"}, 1)
    made.append(assemble_training_set(file_loop, "obstacle").version)
    return [str(version) for version in made]


def run(loop: Loop, capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    code = main([*argv, "--at", str(loop.folder)])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def read_ids(loop: Loop) -> list[str]:
    """The sight's samples, by number."""
    with open_warehouse(loop, write=False) as warehouse:
        rows = warehouse.connection.execute("select sample_id from known_sample order by observed_at").fetchall()
    return [name for (name,) in rows]


def test_diff_tells_on_one_screen_what_changed_and_why(
    file_loop: Loop, versions: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    old, new = versions
    ids = read_ids(file_loop)
    code, out, err = run(file_loop, capsys, "diff", old, new)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    moments = [line.split("passed")[1] for line in lines[1:3]]
    first_new = min(ids[8:10])
    assert lines == [
        f"version{'':{len(old) - 7}}  rows  checks  as of",
        f"{old}     8  passed{moments[0]}",
        f"{new}     9  passed{moments[1]}",
        "6 rows in both with the same label, weight and reason",
        "",
        "rows  change             reason  case",
        "   2  came in            base    -",
        "   1  went out           base    -",
        "   1  got another label  base    -",
        "",
        f"Came in; {old} lacks them",
        f"  2 pulled after the version's moment, as {first_new}",
        "",
        f"Went out; {new} lacks them",
        f"  1 disputed: two labels contradict each other, as {ids[7]}",
        "",
        "Labels",
        "  crate, now person: 1 (1 by files)",
        f"  sample{'':26}  before  now     origin  decided by  fix",
        f"  {ids[0]}  crate   person  person  survey      -",
    ]
    assert moments[1].endswith("UTC  not made from the other")


def test_diff_gives_all_of_it_as_json_and_refuses_what_it_does_not_know(
    file_loop: Loop, versions: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    old, new = versions
    code, out, _ = run(file_loop, capsys, "diff", old, new, "--json")
    told = json.loads(out)
    assert code == 0
    assert [told[side]["version"] for side in ("old", "new")] == [old, new]
    assert {row["change"]: row["row_count"] for row in told["changes"]} == {"in": 2, "out": 1, "relabelled": 1}
    assert (told["steps"], told["same_row_count"], told["settings"]) == (None, 6, {})
    code, out, err = run(file_loop, capsys, "diff", old, f"{new}0")
    assert (code, out) == (1, "")
    assert err.count("\n") == 1
    assert f"{new}0: no such training set; the nearest is {new}" in err
    assert run(file_loop, capsys, "diff", new, new)[1].splitlines()[-1].startswith("9 rows in both")


def test_verify_says_what_differs_and_where(
    file_loop: Loop, versions: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    old, new = versions
    ids = read_ids(file_loop)
    code, out, _ = run(file_loop, capsys, "verify", new)
    assert (code, out.split(": digest ")[0]) == (0, f"{new} was rebuilt exactly")

    change = f"update training_set_member set weight = 2 where version = '{new}' and sample_id = '{ids[0]}'"
    tamper(file_loop, change)
    tamper(file_loop, f"delete from training_set_member where version = '{new}' and sample_id = '{ids[1]}'")
    code, out, _ = run(file_loop, capsys, "verify", new)
    lines = out.splitlines()
    assert code == 3
    assert lines[0] == (
        f"{new} could not be rebuilt: its stored rows were changed; the facts still give what was noted"
    )
    assert [line.split(", digest")[0] for line in lines[1:4]] == [
        "  noted    9 rows",
        "  stored   8 rows",
        "  rebuilt  9 rows",
    ]
    assert lines[4:] == [
        f"  rebuilt, 1 sample came in: {ids[1]}",
        f"  rebuilt, 1 sample got another weight: {ids[0]} (2.000000, now 1.000000)",
    ]
    told = json.loads(run(file_loop, capsys, "verify", new, "--json")[1])
    assert (told["is_equal"], told["moved"], told["is_rest_equal"]) == (False, "stored rows", False)

    tamper(file_loop, f"delete from label_revision where sample_id in (select unnest({ids[2:]}))")
    lines = run(file_loop, capsys, "verify", old)[1].splitlines()
    assert lines[0].endswith("the facts it was made of are no longer what they were")
    first = ", ".join(sorted(ids[2:8])[:5])
    assert lines[4:] == [f"  rebuilt, 6 samples went out: {first} and 1 more"]


def test_verify_of_a_version_with_erased_rows_says_so_with_exit_code_3(
    file_loop: Loop, versions: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    erase_recording(file_loop, "drive-1")
    code, out, err = run(file_loop, capsys, "verify", versions[1])
    assert (code, err) == (3, "")
    assert out.splitlines() == [
        f"{versions[1]} cannot be rebuilt: rows of an erased recording (2 of 9 have lost their content)",
        "  the other 7 rows give what they gave",
    ]
    told = json.loads(run(file_loop, capsys, "verify", versions[1], "--json")[1])
    assert (told["moved"], told["erased_rows"], told["is_rest_equal"]) == ("erased", 2, True)
