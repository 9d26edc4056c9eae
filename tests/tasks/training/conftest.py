"""An invented orchard, small enough to train on in a moment: three kinds of things, and one that is misread.

A thing's features are eight numbers around the middle of its kind. A crouched person lies near the crates, so a
model that never learned from one calls it a crate: the failure case of these tests.
"""

import importlib.util
import itertools
import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from schemas.case_file import FailureCase
from tasks.assemble_training_set import AssembleSummary, assemble_training_set
from tasks.draw_holdout import HoldoutSummary, HoldoutTarget, draw_holdout
from tasks.flag_mispredictions import flag_mispredictions
from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.match_cases import match_cases
from tasks.mine_samples import MineSummary, mine_samples
from tasks.predict_file import predict_file
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
from tasks.read_settings import read_case, read_settings
from tasks.retrain_model import RetrainSummary, retrain_model
from tasks.settle_fixes import settle_fixes
from tasks.sign_off import sign_off
from tasks.warehouse import open_warehouse

SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate", "foliage"]
critical = ["person"]
rules = ["label_disagrees"]
answers_needed = 1

[attribute.obstacle.trainer_settings]
hidden = [8]
epochs = 30
warm_epochs = 30
learning_rate = 0.02

[gate]
margin = 0.15
critical_margin = 0.15
false_alarm_margin = 0.15
"""
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
size = 20
truth = "person"
[mine]
budget = 40
look_alikes = 0.0
[gate]
accuracy_at_least = 0.80
"""
START = datetime(2026, 5, 4, 6, tzinfo=UTC)  # a Monday
_MIDDLE = {
    "person": (4, 0, 0, 0),
    "crate": (0, 4, 0, 0),
    "foliage": (0, 0, 4, 0),
    "crouched": (0, 4, 0, 4),
}
_TRUTH = {"crouched": "person"}
_SAMPLE_COLUMNS = ("recording_id", "object_id", "observed_at", "attribute", "features", "context", "unit_id")
_numbers = itertools.count()

Row = dict[str, Any]


def measure(kind: str, name: str) -> list[float]:
    """Eight features: the kind's middle and noise that the name alone decides."""
    noise = np.random.default_rng(zlib.crc32(name.encode())).normal(size=8)
    return [float(value) for value in np.round(np.array([*_MIDDLE[kind], 0, 0, 0, 1]) + 0.6 * noise, 6)]


def sight(kind: str, recording: str, thing: str = "1", *, minute: int = 0, **more: Any) -> Row:
    """One sample of invented data, without a prediction or label; `kind` says what it is."""
    return {
        "recording_id": recording,
        "object_id": thing,
        "observed_at": (START + timedelta(minutes=minute)).isoformat(),
        "attribute": "obstacle",
        "features": measure(kind, f"{recording}/{thing}/{minute}"),
        "context": {"light": "dusk" if kind == "crouched" else "noon"},
        **more,
    }


def sights(kind: str, count: int, prefix: str, **more: Any) -> list[Row]:
    """So many samples, each a recording of its own."""
    return [sight(kind, f"{prefix}-{kind}-{number:03d}", minute=number, **more) for number in range(count)]


def standing(count: int) -> list[Row]:
    """So many people at dusk whom any model gets right: a fair test holds more than errors."""
    return sights("person", count, "dusk", context={"light": "dusk"})


def label(rows: Sequence[Row], kind: str | None = None) -> list[Row]:
    """Rows of a label file; without `kind` the truth is read from the recording's name."""
    return [row | {"label": kind or tell(row), "origin": "person"} for row in rows]


def tell(row: Row) -> str:
    """The truth of a sample that `sights` made."""
    kind = str(row["recording_id"]).split("-")[-2]
    return _TRUTH.get(kind, kind)


def predict(rows: Sequence[Row], predicted: str | None = None, model: str = "m1", **more: Any) -> list[Row]:
    """Rows of a prediction log; without `predicted`, of a model that calls crouched people crates."""
    return [
        row
        | {
            "model_version": model,
            "predicted": predicted or ("crate" if "crouched" in row["recording_id"] else tell(row)),
            "confidence": 0.9,
        }
        | more
        for row in rows
    ]


@dataclass
class Orchard:
    """A loop with short names for its steps."""

    loop: Loop

    def configure(self, text: str) -> None:
        """Change the settings of a loop on a file."""
        (self.loop.folder / "turnrow.toml").write_text(text, encoding="utf-8")
        self.loop = replace(self.loop, settings=read_settings(self.loop.folder))

    def write(self, rows: Sequence[Row], suffix: str = ".jsonl") -> Path:
        """Write rows to a new file."""
        path = self.loop.folder / f"rows-{next(_numbers)}{suffix}"
        path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        return path

    def pull(self, rows: Sequence[Row]) -> Path:
        """Bring rows in by a file of their own; every one must be kept."""
        path = self.write(rows)
        (pulled,) = pull_files(self.loop, [path]).files
        assert (pulled.error, pulled.rows_quarantined) == ("", 0), self.ask(
            "select reason, raw from quarantined_row"
        )
        return path

    def ask(self, query: str, **values: object) -> list[tuple[Any, ...]]:
        """Return what a query gives."""
        with open_warehouse(self.loop, write=False) as warehouse:
            return warehouse.connection.execute(query, values).fetchall()

    def tamper(self, statement: str) -> None:
        """Change the warehouse behind Turnrow's back."""
        with open_warehouse(self.loop, write=True) as warehouse:
            warehouse.write(lambda _: warehouse.connection.execute(statement).fetchall())

    def number(self, query: str, **values: object) -> Any:
        """Return the single value that a query gives."""
        ((value,),) = self.ask(query, **values)
        return value

    def case(self, text: str = CROUCHED) -> FailureCase:
        """Write a case file and read it."""
        path = self.loop.folder / "cases" / f"{text.split(chr(34))[1]}.toml"
        path.write_text(text, encoding="utf-8")
        return read_case(path, self.loop.settings)

    def flag(self, *cases: FailureCase) -> None:
        """Flag, match the cases, and queue what is doubted."""
        flag_mispredictions(self.loop)
        match_cases(self.loop, cases)
        queue_doubted(self.loop)

    def holdout(self, case: FailureCase | None = None, **more: Any) -> HoldoutSummary:
        """Draw a case's hold-out, or the overall one."""
        target = HoldoutTarget(self.loop.settings.attribute["obstacle"], case)
        return draw_holdout(self.loop, target, **more)

    def hold(self, rows: Sequence[Row], case: FailureCase | None = None) -> HoldoutSummary:
        """Freeze exactly these rows as an evaluation set that exists already."""
        names = ("recording_id", "object_id", "observed_at", "attribute")
        return self.holdout(case, listed=self.write([{name: row[name] for name in names} for row in rows]))

    def mine(self, case: FailureCase) -> MineSummary:
        """Mine for a case."""
        return mine_samples(self.loop, case)

    def assemble(self, **more: Any) -> AssembleSummary:
        """Assemble a version."""
        return assemble_training_set(self.loop, "obstacle", **more)

    def retrain(self, *cases: FailureCase, version: str | None = None) -> RetrainSummary:
        """Train, evaluate and gate."""
        return retrain_model(self.loop, "obstacle", cases, version=version)

    def accept(self, model: str, note: str | None = None) -> None:
        """Sign a model off."""
        sign_off(self.loop, model, signed_by="A. Picker", decision="accept", note=note)

    def answer(self, kind: str | None = None, at: str = "2026-06-01T00:00:00Z", by: str = "ana") -> int:
        """Answer every open question, truly or with `kind`, and settle; return how many there were."""
        asked = self.ask("select fix_id, recording_id from open_fix inner join known_sample using (sample_id)")
        rows = [
            {
                "fix_id": fix_id,
                "annotator": by,
                "answer": kind or tell({"recording_id": recording}),
                "answered_at": at,
            }
            for fix_id, recording in asked
        ]
        if rows:
            summary = import_answers(self.loop, self.write(rows))
            assert summary.refused == (), summary
        settle_fixes(self.loop)
        return len(rows)

    def replay(self, model: str, rows: Sequence[Row], role: str = "served") -> list[Row]:
        """Run a model over samples and return its log with another role, unpulled."""
        source = self.write([{name: row[name] for name in _SAMPLE_COLUMNS if name in row} for row in rows])
        target = source.with_suffix(".out.jsonl").with_name(f"out-{source.name}")
        predict_file(self.loop, model, source, target)
        return [json.loads(line) | {"role": role} for line in target.read_text(encoding="utf-8").splitlines()]


@pytest.fixture
def orchard(make_file_loop: Callable[..., Loop]) -> Orchard:
    """The invented orchard on a DuckDB file."""
    return Orchard(make_file_loop(SETTINGS))


@pytest.fixture
def make_orchard(make_file_loop: Callable[..., Loop]) -> Callable[..., Orchard]:
    """Return a maker of orchards on DuckDB files."""
    return lambda settings=SETTINGS, name="loop": Orchard(make_file_loop(settings, name))


@pytest.fixture
def any_orchard(make_any_loop: Callable[..., Loop]) -> Orchard:
    """The invented orchard, once on a DuckDB file and once on a lake."""
    return Orchard(make_any_loop(SETTINGS))


@pytest.fixture
def field() -> Any:
    """The builders of rows: sight, sights, standing, label, predict, tell, measure."""
    return _Field


class _Field:
    sight = staticmethod(sight)
    sights = staticmethod(sights)
    standing = staticmethod(standing)
    label = staticmethod(label)
    predict = staticmethod(predict)
    tell = staticmethod(tell)
    measure = staticmethod(measure)
    crouched = CROUCHED
    settings = SETTINGS
    start = START


@pytest.fixture(scope="session")
def plainly() -> Any:
    """The module `recompute_plainly`: ids and digests without the product."""
    spec = importlib.util.spec_from_file_location(
        "recompute_plainly", Path(__file__).with_name("recompute_plainly.py")
    )
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
