"""`settle` makes a label of answers that agree, once; what stays open, and how it ends otherwise."""

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.queue_fixes import queue_doubted
from tasks.settle_fixes import SettleSummary, settle_fixes

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, OpenFixes, ReadRows, WriteRows

SETTINGS = """
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder"]
critical = ["person", "animal"]
deciders = ["dora", "dov"]
answers_needed = 2
answers_at_most = 4

[attribute.distance]
kind = "number"
unit = "m"
tolerance = 0.2
deciders = ["dora"]
answers_needed = 2
answers_at_most = 4
rules = []
"""

# name -> answers in order (annotators ada, ben, cyd, eve; dora and dov decide) and the outcome with its label
CLASSES: dict[str, tuple[str, tuple[str, str | None] | None]] = {
    "one answer": ("ada crate", None),
    "two that agree": ("ada crate, ben crate", ("settled", "crate")),
    "two that differ wait": ("ada crate, ben ladder", None),
    "a third decides": ("ada crate, ben ladder, cyd crate", ("settled", "crate")),
    "two against two": ("ada crate, ben ladder, cyd crate, eve ladder", ("ambiguous", None)),
    "no two agree": ("ada crate, ben ladder, cyd unsure, eve unusable", ("ambiguous", None)),
    "unsure is no vote": ("ada crate, ben unsure", None),
    "unsure beside two": ("ada crate, ben unsure, cyd crate", ("settled", "crate")),
    "all unsure": ("ada unsure, ben unsure, cyd unsure, eve unsure", ("ambiguous", None)),
    "unusable": ("ada unusable, ben unusable", ("unusable", None)),
    "unusable is outvoted": ("ada unusable, ben unusable, cyd crate, eve crate", ("settled", "crate")),
    "unusable before one vote": ("ada unusable, ben crate, cyd unusable", ("unusable", None)),
    "a critical class is not outvoted": ("ada person, ben crate, cyd crate", None),
    "not even by another critical class": ("ada animal, ben person, cyd person", None),
    "a critical class waits for a decider": ("ada person, ben crate, cyd crate, eve crate", None),
    "a critical tie waits too": ("ada crate, ben person, cyd crate, eve person", None),
    "in whatever order": ("ada person, ben crate, cyd person, eve crate", None),
    "a decider who cannot tell either": ("ada person, ben crate, cyd crate, dora unsure", ("ambiguous", None)),
    "a critical class outvotes": ("ada person, ben person, cyd crate", ("settled", "person")),
    "a decider ends it": ("ada person, ben crate, cyd crate, dora crate", ("settled", "crate")),
    "a decider ends a dispute of two": ("ada crate, dora ladder", ("settled", "ladder")),
    "a decider alone is one answer": ("dora crate", None),
    "a decider who is unsure": ("ada crate, ben ladder, dora unsure", None),
    "deciders who differ": ("ada crate, ben ladder, dora crate, dov ladder", ("ambiguous", None)),
    "a decider against two": ("ada crate, ben crate, dora ladder", ("settled", "ladder")),
}

NUMBERS: dict[str, tuple[str, tuple[str, float | None] | None]] = {
    "one": ("ada 2.0", None),
    "two that are near": ("ada 2.0, ben 2.1", ("settled", 2.05)),
    "each at the tolerance from the middle": ("ada 2.0, ben 2.4", ("settled", 2.2)),
    "two that are far": ("ada 2.0, ben 2.5", None),
    "two near and one far": ("ada 2.0, ben 9.0, cyd 2.1", ("settled", 2.1)),
    "two against two": ("ada 2.0, ben 9.0, cyd 2.1, eve 9.1", ("ambiguous", None)),
    "unusable": ("ada unusable, ben unusable", ("unusable", None)),
    "a decider": ("ada 2.0, dora 9.0", ("settled", 9.0)),
    "a decider alone": ("dora 9.0", None),
    "zero is zero": ("ada -0.0, ben 0", ("settled", 0.0)),
}


def ask(
    loop: Loop,
    attribute: str,
    names: list[str],
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
) -> dict[str, str]:
    """Serve a sample for each name and ask about it; name -> fix_id."""
    predicted = "1.0" if attribute == "distance" else "crate"
    rows = [{"object_id": name, "attribute": attribute, "predicted": predicted} for name in names]
    samples = write_predictions(loop, rows)
    question = {"attribute": attribute, "attempt": 1, "reason": "flagged", "priority": 1.0}
    fixes = [{"fix_id": make_id(sample, 1), "sample_id": sample, **question} for sample in samples]
    insert_rows(loop, "label_fix", fixes)
    return dict(zip(names, (str(fix["fix_id"]) for fix in fixes), strict=True))


def split(fix_id: str, text: str) -> list[tuple[str, ...]]:
    return [(fix_id, *answer.split()) for answer in text.split(", ")]


def count(outcomes: list[str | None]) -> SettleSummary:
    return SettleSummary(*(outcomes.count(name) for name in ("settled", "ambiguous", "unusable")))


def test_answers_decide_a_class(
    make_any_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    loop = make_any_loop(SETTINGS)
    fixes = ask(loop, "obstacle", list(CLASSES), write_predictions, insert_rows, make_id)
    answer(loop, [row for name, (text, _) in CLASSES.items() for row in split(fixes[name], text)])

    summary = settle_fixes(loop)

    expected = {name: wanted for name, (_, wanted) in CLASSES.items()}
    query = (
        "select f.fix_id, o.outcome, r.label from label_fix f left join fix_outcome o using (fix_id) "
        "left join label_revision r on r.fix_id = f.fix_id"
    )
    found = {row[0]: row[1:] if row[1] else None for row in read_rows(loop, query)}
    assert {name: found[fix_id] for name, fix_id in fixes.items()} == expected
    assert summary == count([wanted[0] if wanted else None for wanted in expected.values()])
    assert settle_fixes(loop) == SettleSummary(0, 0, 0)


def test_numbers_near_their_median_decide(
    make_any_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    loop = make_any_loop(SETTINGS)
    fixes = ask(loop, "distance", list(NUMBERS), write_predictions, insert_rows, make_id)
    answer(loop, [row for name, (text, _) in NUMBERS.items() for row in split(fixes[name], text)])

    settle_fixes(loop)

    query = (
        "select f.fix_id, o.outcome, round(r.label_value, 9) from label_fix f "
        "left join fix_outcome o using (fix_id) left join label_revision r on r.fix_id = f.fix_id"
    )
    found = {row[0]: row[1:] if row[1] else None for row in read_rows(loop, query)}
    assert {name: found[fix_id] for name, fix_id in fixes.items()} == {n: w for n, (_, w) in NUMBERS.items()}
    sample = make_id("run-1", "zero is zero", datetime(2026, 5, 1, 6, tzinfo=UTC), "distance")
    revision_id = make_id(sample, None, 0.0, "person", "ada,ben", None, fixes["zero is zero"])
    ended = read_rows(loop, "select revision_id from fix_outcome where fix_id = $id", id=fixes["zero is zero"])
    assert ended == [(revision_id,)]


def test_the_revision_names_all_who_answered_and_the_last_moment(
    loop: Loop,
    write_predictions: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    make_id: "MakeId",
    read_rows: "ReadRows",
) -> None:
    """Its id is the contract's, made here with hashlib alone; annotators are sorted and joined by commas."""
    (sample,) = write_predictions(loop, [{"confidence": 0.5}])
    flag_mispredictions(loop)
    queue_doubted(loop)
    fix_id = open_fixes(loop)[sample]
    assert fix_id == make_id(sample, 1)
    answer(
        loop,
        [
            (fix_id, "zoe", "person", "2026-05-04T10:00:00Z"),
            (fix_id, "Ben", "unsure", "2026-05-04T12:00:00.000250+01:00"),
            (fix_id, "émile", "person"),
        ],
    )
    settle_fixes(loop)

    decided_at = datetime(2026, 5, 4, 11, 0, 0, 250, tzinfo=UTC)
    who = "Ben,zoe,émile"
    revision_id = make_id(sample, "person", None, "person", who, decided_at, fix_id)
    assert read_rows(
        loop,
        "select revision_id, sample_id, label, origin, decided_by, epoch_us(decided_at), "
        "fix_id, batch_id, supersedes from label_revision",
    ) == [
        (
            *(revision_id, sample, "person", "person", who),
            *(int(decided_at.timestamp()) * 1_000_000 + 250, fix_id, None, None),
        )
    ]
    assert read_rows(loop, "select fix_id, outcome, revision_id from fix_outcome") == [
        (fix_id, "settled", revision_id)
    ]


def test_a_settled_fix_is_never_decided_again(
    loop: Loop,
    write_predictions: "WriteRows",
    answer: "Answer",
    open_fixes: "OpenFixes",
    read_rows: "ReadRows",
) -> None:
    (sample,) = write_predictions(loop, [{"confidence": 0.5}])
    flag_mispredictions(loop)
    queue_doubted(loop)
    fix_id = open_fixes(loop)[sample]
    answer(loop, [(fix_id, "ada", "crate"), (fix_id, "ben", "crate")])
    settle_fixes(loop)
    before = read_rows(loop, "select * from label_revision")

    late = answer(loop, [(fix_id, "cyd", "person"), (fix_id, "dora", "person"), (fix_id, "eve", "person")])
    assert late.rows_kept == 3
    assert settle_fixes(loop) == SettleSummary(0, 0, 0)

    assert read_rows(loop, "select * from label_revision") == before
    assert read_rows(loop, "select label from current_label") == [("crate",)]


def test_a_settled_fix_replaces_the_label_that_it_was_asked_about(
    loop: Loop,
    write_predictions: "WriteRows",
    write_labels: "WriteRows",
    insert_rows: "InsertRows",
    answer: "Answer",
    make_id: "MakeId",
    read_rows: "ReadRows",
) -> None:
    """Though that label has a later time than the answers."""
    write_predictions(loop, [{}])
    (sample,) = write_labels(loop, [{"label": "person", "decided_at": "2026-09-01T00:00:00Z"}])
    about = make_id(sample, "person", None, "person", None, datetime(2026, 9, 1, tzinfo=UTC), None)
    fix = {"fix_id": make_id(sample, 1), "sample_id": sample, "attribute": "obstacle", "attempt": 1}
    insert_rows(loop, "label_fix", [{**fix, "reason": "guideline", "priority": 1.0, "about_revisions": [about]}])
    early = "2026-05-04T10:00:00Z"
    answer(loop, [(str(fix["fix_id"]), who, "animal", early) for who in ("ada", "ben")])
    settle_fixes(loop)

    assert read_rows(loop, "select label, supersedes from label_revision where fix_id is not null") == [
        ("animal", about)
    ]
    assert read_rows(loop, "select truth from current_sample") == [("animal",)]


def test_answers_under_an_old_name_of_a_label_count_for_its_present_one(
    file_loop: Loop,
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    """`step_ladder` became `ladder` between two answers to one question."""
    fix_id = ask(file_loop, "obstacle", ["a"], write_predictions, insert_rows, make_id)["a"]
    old = {"fix_id": fix_id, "annotator": "ada", "answer": "step_ladder", "saw_prediction": False, "batch_id": "x"}
    insert_rows(file_loop, "fix_answer", [old])
    answer(file_loop, [(fix_id, "ben", "ladder")])

    assert settle_fixes(file_loop).settled == 1
    assert read_rows(file_loop, "select label from label_revision") == [("ladder",)]


def test_two_processes_that_settle_at_once_lose_and_double_nothing(
    loop: Loop,
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    names = [f"n{i}" for i in range(40)]
    fixes = ask(loop, "obstacle", names, write_predictions, insert_rows, make_id)
    answer(loop, [(fix_id, who, "crate") for fix_id in fixes.values() for who in ("ada", "ben")])

    told = _run_at_once(loop.folder, 3)

    assert sum(int(text) for text in told) == len(names)
    for table in ("label_revision", "fix_outcome"):
        assert read_rows(loop, f"select count(*), count(distinct revision_id) from {table}") == [(40, 40)]
    assert read_rows(loop, "select count(*) from flow_run where flow = 'settle'") == [(3,)]
    assert read_rows(loop, "select count(*) from open_fix") == [(0,)]


_SETTLE = """
import sys
from pathlib import Path
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.settle_fixes import settle_fixes
folder = Path(sys.argv[1])
loop = Loop(folder, read_settings(folder))
print("ready", flush=True)
sys.stdin.readline()
print(settle_fixes(loop).settled)
"""


def _run_at_once(folder: Path, times: int) -> list[str]:
    """Start processes that wait for a word, give it to all of them, and return what each settled."""
    running = [
        subprocess.Popen(
            [sys.executable, "-c", _SETTLE, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for _ in range(times)
    ]
    for process in running:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in running:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    told = [process.communicate(timeout=120)[0].strip() for process in running]
    assert [process.returncode for process in running] == [0] * times
    return told


def test_a_dispute_that_no_decider_may_end_ends_as_ambiguous(
    make_file_loop: "MakeLoop",
    write_predictions: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    answer: "Answer",
    read_rows: "ReadRows",
) -> None:
    """The only decider had decided the sample in a lot that failed, so its second look is not theirs."""
    loop = make_file_loop(SETTINGS.replace('deciders = ["dora", "dov"]', 'deciders = ["dora"]'))
    first = ask(loop, "obstacle", ["bush"], write_predictions, insert_rows, make_id)["bush"]
    answer(loop, [(first, "dora", "crate"), (first, "ada", "crate")])
    settle_fixes(loop)
    insert_rows(loop, "fix_outcome", [{"fix_id": first, "outcome": "lot_failed"}])
    ((sample_id,),) = read_rows(loop, "select sample_id from label_fix")
    second = make_id(sample_id, 2)
    question = {"attribute": "obstacle", "attempt": 2, "reason": "second_look", "priority": 1.0}
    insert_rows(loop, "label_fix", [{"fix_id": second, "sample_id": sample_id, **question}])
    assert answer(loop, [(second, "dora", "person")]).rows_quarantined == 1
    answer(loop, split(second, "ben person, cyd crate, eve crate, fay crate"))

    assert settle_fixes(loop) == SettleSummary(0, 1, 0)
