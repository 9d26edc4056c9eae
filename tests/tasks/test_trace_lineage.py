"""Where a thing came from: each step of descent, all of it counted, the first few of a kind shown."""

from datetime import datetime
from typing import Any

import pytest

from tasks.errors import UnknownNameError
from tasks.loop import Loop
from tasks.trace_lineage import Thing, trace_lineage
from tasks.warehouse import open_warehouse

MEMBERS = 12


def insert(loop: Loop, table: str, *rows: dict[str, Any]) -> None:
    """Insert rows by column name; what is not given is null."""
    with open_warehouse(loop, write=True) as warehouse:

        def write(known_at: datetime) -> None:
            columns = [row[0] for row in warehouse.connection.execute(f"describe {table}").fetchall()]
            for row in rows:
                values = [row.get(name, known_at if name == "known_at" else None) for name in columns]
                marks = ", ".join("?" for _ in columns)
                warehouse.connection.execute(f"insert into {table} values ({marks})", values)

        warehouse.write(write)


def fill(loop: Loop) -> None:
    """A log and a label file, twelve samples, one of them fixed; a version, its model, and a next version."""
    about = {"attribute": "obstacle", "observed_at": datetime(2026, 5, 1, 20)}
    files = [
        {"batch_id": name, "source_uri": f"inbox/{name}.parquet", "content_sha256": name}
        for name in ("log", "labels")
    ]
    counts = {"rows_read": 12, "rows_kept": 12, "rows_duplicate": 0, "rows_quarantined": 0}
    insert(loop, "pull_batch", *[file | counts | {"kind": "predictions"} for file in files])
    numbers = range(MEMBERS)
    insert(
        loop,
        "sample",
        *[
            about | {"sample_id": f"s{n:02}", "recording_id": "r", "object_id": f"o{n}", "batch_id": "log"}
            for n in numbers
        ],
    )
    insert(
        loop,
        "prediction",
        about
        | {
            "prediction_id": "p00",
            "sample_id": "s00",
            "model_version": "m0",
            "role": "served",
            "predicted": "crate",
        }
        | {"predicted_at": about["observed_at"], "batch_id": "log"},
    )
    flagged = {"misprediction_id": "f00", "sample_id": "s00", "prediction_id": "p00", "rule": "low_margin"}
    insert(loop, "misprediction", about | flagged | {"definition_sha256": "d"})
    fix = {"fix_id": "x00", "sample_id": "s00", "attempt": 1, "reason": "flagged", "priority": 1.0}
    insert(loop, "label_fix", about | fix)
    wish = {"fix_id": "x00", "case_name": "crouched-picker", "reason": "flagged", "misprediction_id": "f00"}
    insert(loop, "fix_request", wish)
    revisions = [
        about | {"revision_id": f"l{n:02}", "sample_id": f"s{n:02}", "label": "person", "origin": "person"}
        for n in numbers
    ]
    revisions[0]["fix_id"] = "x00"
    insert(
        loop, "label_revision", *[row if "fix_id" in row else row | {"batch_id": "labels"} for row in revisions]
    )
    for number, parent in ((1, None), (2, "obstacle-1")):
        version = {
            "version": f"obstacle-{number}",
            "running_number": number,
            "parent_version": parent,
            "digest": "d",
        }
        kept = {
            "composition": "{}",
            "as_of": about["observed_at"],
            "reserved_until": about["observed_at"],
            "row_count": MEMBERS,
            "state": "passed",
        }
        insert(loop, "training_set", {"attribute": "obstacle"} | version | kept)
        rows = [
            {"version": version["version"], "sample_id": f"s{n:02}", "group_id": "r", "revision_id": f"l{n:02}"}
            | {"weight": 1.0, "reason": "fixed" if n == 0 else "base", "prediction_id": "p00" if n == 0 else None}
            for n in numbers
        ]
        insert(loop, "training_set_member", *rows)
    model = {
        "model_version": "m1",
        "attribute": "obstacle",
        "role": "candidate",
        "training_set_version": "obstacle-1",
    }
    insert(loop, "model", model)


def find(thing: Thing, kind: str) -> list[Thing]:
    found = [thing] if thing.kind == kind else []
    return found + [deeper for parent in thing.parents for deeper in find(parent, kind)]


def test_a_training_set_comes_from_its_labels_fixes_files_and_parent(loop: Loop) -> None:
    fill(loop)
    lineage = trace_lineage(loop, "obstacle-2")
    assert lineage.came_from == {
        "failure_case": 1,
        "file": 2,
        "label_fix": 1,
        "label_revision": 12,
        "misprediction": 1,
        "model": 1,
        "prediction": 1,
        "sample": 12,
        "training_set": 1,
    }
    assert lineage.led_to == {}
    tree = lineage.tree
    assert tree.words == "12 rows, passed: 11 base, 1 fixed"
    assert [parent.id for parent in tree.parents if parent.kind == "label_revision"] == [
        "l00",
        "l01",
        "l02",
        "l03",
        "l04",
    ]
    assert tree.more == {"label_revision": 7}
    (fix,) = find(tree, "label_fix")
    assert {(parent.kind, parent.id) for parent in fix.parents} == {
        ("failure_case", "crouched-picker"),
        ("misprediction", "f00"),
    }


def test_the_rows_of_a_parent_version_are_counted_and_not_listed_again(file_loop: Loop) -> None:
    fill(file_loop)
    (parent,) = find(trace_lineage(file_loop, "obstacle-2").tree, "training_set")[1:]
    assert (parent.id, parent.more) == ("obstacle-1", {"label_revision": 12})


def test_what_stands_further_up_is_named_and_not_repeated(file_loop: Loop) -> None:
    fill(file_loop)
    predictions = find(trace_lineage(file_loop, "obstacle-2").tree, "prediction")
    assert [thing.id for thing in predictions] == ["p00"] * 3
    assert [thing.is_repeated for thing in predictions] == [False, True, True]
    assert [thing.parents for thing in predictions[1:]] == [(), ()]


@pytest.mark.parametrize(
    ("thing_id", "kind", "words"),
    [
        ("obstacle-1", "training_set", "12 rows, passed: 11 base, 1 fixed"),
        ("m1", "model", "candidate"),
        ("m0", "model", None),
        ("l00", "label_revision", "person, by a person"),
        ("x00", "label_fix", "asked as flagged, attempt 1"),
        ("p00", "prediction", "crate by m0, served"),
        ("log", "file", "inbox/log.parquet"),
        ("f00", "misprediction", "rule low_margin"),
        ("s00", "sample", "r, o0, 2026-05-01T20:00:00Z"),
    ],
)
def test_every_kind_of_id_can_be_traced(file_loop: Loop, thing_id: str, kind: str, words: str | None) -> None:
    fill(file_loop)
    tree = trace_lineage(file_loop, thing_id).tree
    assert (tree.kind, tree.id, tree.words) == (kind, thing_id, words)


def test_a_file_tells_which_training_sets_and_models_it_led_to(file_loop: Loop) -> None:
    fill(file_loop)
    lineage = trace_lineage(file_loop, "labels")
    assert lineage.came_from == {}
    assert lineage.led_to == {"label_revision": 11, "model": 1, "training_set": 2}
    assert [row["id"] for row in lineage.led_to_names] == ["m1", "obstacle-1", "obstacle-2"]


def test_an_unknown_id_names_the_nearest_training_set_or_model(file_loop: Loop) -> None:
    fill(file_loop)
    with pytest.raises(UnknownNameError, match=r"the nearest known one is `obstacle-[12]`"):
        trace_lineage(file_loop, "obstacle-3")
