"""Retention deletes what nothing needs: digests, verifying and lineage stand, and known files add nothing."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from schemas.tables import FACTS
from tasks.errors import InputError
from tasks.flag_mispredictions import flag_mispredictions
from tasks.forget_old import Forgotten, forget_old
from tasks.pull_logs import pull_files
from tasks.trace_lineage import trace_lineage
from tasks.track_run import track_run
from tasks.verify_training_set import verify_training_set

Orchard = Any
Field = Any
Facts = dict[str, list[tuple[object, ...]]]


def read_facts(orchard: Orchard, *leave_out: str) -> Facts:
    return {
        name: sorted(orchard.ask(f"select * from {name}"), key=repr) for name in FACTS if name not in leave_out
    }


def keep(orchard: Orchard, days: int, *, vectors: bool, later: int = 400) -> Callable[[], Forgotten]:
    """Return retention by these settings, so many days from now."""
    retention = replace(orchard.loop.settings.retention, days=days, vectors=vectors)
    now = orchard.loop.clock() + timedelta(days=later)
    loop = replace(orchard.loop, clock=lambda: now, settings=replace(orchard.loop.settings, retention=retention))
    return lambda: forget_old(loop)


def test_what_nothing_needs_goes_and_all_else_stands(any_orchard: Orchard, field: Field) -> None:
    """Nothing by default, nothing young; then contents, runs and idle vectors, once, and no other fact."""
    orchard = any_orchard
    labelled = field.sights("crate", 6, "known") + field.sights("person", 6, "known")
    idle = field.predict(field.sights("foliage", 5, "idle"))
    files = [orchard.pull(field.label(labelled)), orchard.pull(idle)]
    torn = orchard.write([idle[0] | {"recording_id": "torn", "confidence": 7.0}])
    assert pull_files(orchard.loop, [torn]).files[0].rows_quarantined == 1
    orchard.pull(field.predict(field.sights("crouched", 3, "doubt")))
    version = orchard.assemble().version
    orchard.flag()
    orchard.flag()
    lineage = _trace(orchard, version)
    before = read_facts(orchard)

    assert keep(orchard, 0, vectors=True)() == Forgotten()
    assert keep(orchard, 30, vectors=False, later=0)() == Forgotten()
    assert read_facts(orchard) == before

    jumped = replace(orchard.loop, clock=lambda: orchard.loop.clock() + timedelta(days=399))
    refused = keep(orchard, 30, vectors=True, later=399)
    with track_run(jumped, "nightly", {}), pytest.raises(InputError, match="399 days before this one"):
        flag_mispredictions(jumped)  # a step of this very night is no witness of its clock
        refused()
    assert read_facts(orchard) == before
    runs = orchard.number("select count(*) from flow_run")

    done = keep(orchard, 30, vectors=False)()
    assert (done.forgotten_refused_rows, done.forgotten_vectors) == (1, 0) and done.forgotten_runs > 0
    assert orchard.number("select count(*) from flow_run") == runs - done.forgotten_runs + 1
    ((raw, reason),) = orchard.ask("select raw, reason from quarantined_row")
    assert raw == "" and "confidence" in reason
    assert read_facts(orchard, "quarantined_row") == {
        name: rows for name, rows in before.items() if name != "quarantined_row"
    }

    done = keep(orchard, 30, vectors=True)()
    doubted = orchard.number("select count(distinct sample_id) from misprediction")
    assert done.forgotten_vectors == 5 + 3 - doubted
    assert keep(orchard, 30, vectors=True)() == Forgotten()
    after = read_facts(orchard, "quarantined_row", "sample_vector")
    assert after == {name: before[name] for name in after}
    assert (
        orchard.number("select count(*) from sample_vector semi join training_set_member using (sample_id)") == 12
    )
    assert verify_training_set(orchard.loop, version).is_equal
    assert _trace(orchard, version) == lineage
    for file in (*files, torn, _copy(files[1])):
        assert pull_files(orchard.loop, [file]).files[0].is_known
    assert read_facts(orchard, "quarantined_row", "sample_vector") == after


def test_steps_of_a_held_out_track_stay_since_steadiness_is_measured_on_them(
    any_orchard: Orchard, field: Field
) -> None:
    orchard = any_orchard
    held, other = field.sights("crate", 1, "held"), field.sights("crate", 1, "other")
    steps = [row | {"observed_at": f"2026-05-01T09:0{n}:00Z"} for row in (*held, *other) for n in range(3)]
    orchard.pull(field.predict(steps))
    orchard.pull(field.label(steps[:1]))
    orchard.hold(steps[:1])
    done = keep(orchard, 10, vectors=True, later=29)()
    assert done.forgotten_vectors == 3
    left = "select recording_id, count(*) from sample semi join sample_vector using (sample_id) group by all"
    assert orchard.ask(left) == [("held-crate-000", 3)]


def _copy(path: Path) -> Path:
    target = path.with_name(f"copy-{path.name}")
    target.write_bytes(path.read_bytes())
    return target


def _trace(orchard: Orchard, version: str) -> object:
    return trace_lineage(orchard.loop, version)
