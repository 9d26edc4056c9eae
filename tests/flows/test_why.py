"""`turnrow why` on the command line: one screen, its exit codes, its JSON."""

import json
from pathlib import Path

import pytest

from flows.cli import main
from tasks.assemble_training_set import assemble_training_set
from tasks.loop import Loop
from tasks.pull_logs import pull_files


def put_labels(loop: Loop) -> Path:
    """Write an invented label file: three sights of two objects in one drive."""
    rows = [
        {
            "recording_id": "drive-17",
            "object_id": thing,
            "observed_at": f"2026-05-01T06:0{minute}:00.5Z",
            "attribute": "obstacle",
            "label": "crate",
            "origin": "person",
            "decided_by": "survey",
            "decided_at": "2026-05-02T00:00:00Z",
            "features": [float(minute), 1.0],
            "context": {"light": "dusk"},
            "media_uri": f"media/{minute}.png",
        }
        for minute, thing in enumerate(["track-1", "track-1", "track-2"])
    ]
    path = loop.folder / "inbox" / "labels" / "survey.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


@pytest.fixture
def loop(file_loop: Loop) -> Loop:
    """Return a loop in which a drive was pulled."""
    assert not pull_files(file_loop, [put_labels(file_loop)]).failed
    return file_loop


def run(loop: Loop, capsys: pytest.CaptureFixture[str], *argv: str) -> tuple[int, str, str]:
    code = main([*argv, "--at", str(loop.folder)])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_it_tells_a_life_on_one_screen_and_all_of_it_as_json(
    loop: Loop, capsys: pytest.CaptureFixture[str]
) -> None:
    assemble_training_set(loop, "obstacle")
    code, out, err = run(loop, capsys, "why", "drive-17/track-2", "--json")
    assert (code, err) == (0, "")
    life = json.loads(out)
    version = life["presence"]["version"]
    sample_id, revision_id = life["sample"]["sample_id"], life["revisions"][0]["revision_id"]
    batch_id, known = life["arrivals"][0]["batch_id"], life["sample"]["known_at"][:19].replace("T", " ")

    code, out, err = run(loop, capsys, "why", sample_id[:8])

    assert (code, err) == (0, "")
    assert out.splitlines() == [
        f"sample {sample_id}: obstacle of drive-17/track-2",
        "  seen 2026-05-01 06:02:00.5; all times are UTC",
        "  context: light = dusk",
        "  picture: media/2.png",
        "  label: crate",
        "Came in",
        f"  {known}  sample, label, features:1  inbox/labels/survey.jsonl  ({batch_id})",
        "Labels",
        f"  {known}  crate by a person (survey): counts  ({revision_id})",
        "    decided 2026-05-02 00:00:00, from inbox/labels/survey.jsonl",
        "Training sets",
        f"  {version} (passed): crate, weight 1, base",
        f"  the check recording_share (should) of {version} names it",
        f"In {version} (passed, as of {life['presence']['as_of'][:19].replace('T', ' ')})",
    ]
    assert run(loop, capsys, "why", sample_id, "--version", version)[1] == out
    for thing in (sample_id, revision_id, batch_id):
        assert run(loop, capsys, "lineage", thing)[0] == 0, "what is named is enough to go on with"


def test_several_samples_are_listed_and_none_is_chosen(loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(loop, capsys, "why", "drive-17/track-1")
    assert code == 1
    assert err == "turnrow: drive-17/track-1: may be any of 2 samples; name one by its sample_id\n"
    assert [line.split()[-1] for line in out.splitlines()] == ["(UTC)", "06:00:00.5", "06:01:00.5"]
    code, out, _ = run(loop, capsys, "why", "drive-17/track-1", "--json")
    assert (code, json.loads(out)["match_count"]) == (1, 2)
    code, out, _ = run(loop, capsys, "why", "drive-17/track-1/2026-05-01 06:01:00.5")
    assert (code, out.splitlines()[3]) == (0, "  picture: media/1.png")


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["drive-18/track-1"], "drive-18/track-1: the warehouse knows no such sample; write its sample_id"),
        (
            ["drive-17/track-2", "--version", "obstacle-9"],
            "obstacle-9: no such training set; there is none yet",
        ),
    ],
)
def test_what_is_unknown_is_one_line(
    loop: Loop, capsys: pytest.CaptureFixture[str], argv: list[str], words: str
) -> None:
    code, out, err = run(loop, capsys, "why", *argv)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert err.startswith(f"turnrow: {words}")
