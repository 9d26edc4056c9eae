"""A night in an invented orchard, and a real Prefect server on the loopback interface, one a test run."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest

from flows.temporary_server import TemporaryServer, start_temporary_server
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.export_fixes import QueueFilter, list_fixes
from tasks.loop import Loop
from tasks.read_settings import read_case
from tasks.warehouse import open_warehouse

DAY = datetime(2026, 5, 1, tzinfo=UTC)

# One answer settles, two settled fixes start a round, and training takes a moment: all made for the test.
NIGHT = """
[pull]
predictions = ["inbox/predictions/**/*.jsonl"]
labels = ["inbox/labels/**/*.jsonl"]
[schedule]
round_after_fixes = 2
[attribute.obstacle]
labels = ["person", "crate"]
answers_needed = 1
[attribute.obstacle.trainer_settings]
hidden = [4]
epochs = 3
warm_epochs = 2
[attribute.ground]
labels = ["firm", "soft"]
"""
CASE = """
case = "crouched-picker"
attribute = "obstacle"
question = "Is a picker crouched beside a crate read as a crate?"
[members]
where = "predicted = 'crate'"
[scope]
where = "true"
[mine]
budget = 0
"""


@dataclass(frozen=True)
class Orchard:
    """A loop folder whose nights can be arranged: what arrives, and what people answer."""

    loop: Loop

    @staticmethod
    def row(number: int, truth: str | None, confidence: float, attribute: str = "obstacle") -> dict[str, object]:
        """Return one prediction of the model `m1`, which takes everything for a crate; all of it is invented."""
        sign = 1.0 if number % 2 else -1.0
        seen = {"reference_label": truth, "reference_origin": "person"} if truth else {}
        return {
            "recording_id": f"r{number}",
            "object_id": "o1",
            "observed_at": (DAY + timedelta(minutes=number)).isoformat(),
            "attribute": attribute,
            "model_version": "m1",
            "predicted": "crate" if attribute == "obstacle" else "firm",
            "confidence": confidence,
            "features": [sign, number / 100],
            **seen,
        }

    def put_log(self, name: str, rows: list[dict[str, object]]) -> None:
        path = self.loop.folder / "inbox" / "predictions" / f"{name}.jsonl"
        path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")

    def put_case(self, name: str = "crouched-picker", where: str = "predicted = 'crate'") -> None:
        text = CASE.replace("crouched-picker", name).replace("predicted = 'crate'", where)
        (self.loop.folder / "cases" / f"{name}.toml").write_text(text, encoding="utf-8")

    def put_first_night(self) -> None:
        """Forty labelled samples, half of them people read as crates, and four doubted ones without a label."""
        labelled = [self.row(number, "person" if number % 2 else "crate", 0.99) for number in range(40)]
        self.put_log("first", labelled + [self.row(number, None, 0.55) for number in range(40, 44)])
        self.put_case()

    def freeze_holdout(self) -> None:
        """Hold out ten of the labelled samples, as an evaluation set that exists already, for case and whole."""
        path = self.loop.folder / "evaluation.jsonl"
        rows = [self.row(number, None, 0.99) for number in range(10)]
        names = ("recording_id", "object_id", "observed_at")
        path.write_text(
            "".join(json.dumps({name: row[name] for name in names}) + "\n" for row in rows), encoding="utf-8"
        )
        attribute = self.loop.settings.attribute["obstacle"]
        case = read_case(self.loop.folder / "cases" / "crouched-picker.toml", self.loop.settings)
        for target in (HoldoutTarget(attribute, None), HoldoutTarget(attribute, case)):
            assert draw_holdout(self.loop, target, listed=path).missing == 0

    def answer_all(self, name: str = "answers", answer: str = "person") -> int:
        """Put a file of answers to every open fix into the inbox and return how many."""
        fixes = list_fixes(self.loop, QueueFilter())
        rows = [{"fix_id": fix["fix_id"], "annotator": "ana", "answer": answer} for fix in fixes]
        path = self.loop.folder / "inbox" / "answers" / f"{name}.jsonl"
        path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        return len(rows)

    def fetch(self, query: str) -> list[tuple[object, ...]]:
        with open_warehouse(self.loop, write=False) as warehouse:
            return warehouse.connection.execute(query).fetchall()


@pytest.fixture
def make_orchard(make_file_loop: Callable[..., Loop]) -> Callable[[str], Orchard]:
    """Return a maker of orchards on DuckDB files, with more settings than the usual ones."""
    return lambda more: Orchard(make_file_loop(NIGHT + more))


@pytest.fixture
def orchard(make_orchard: Callable[[str], Orchard]) -> Orchard:
    """Return an orchard on a DuckDB file."""
    return make_orchard("")


@pytest.fixture
def any_orchard(make_any_loop: Callable[..., Loop]) -> Orchard:
    """Return an orchard, once on a DuckDB file and once on a DuckLake on PostgreSQL."""
    return Orchard(make_any_loop(NIGHT))


@pytest.fixture(scope="session")
def prefect_server() -> Iterator[TemporaryServer]:
    """Return a healthy Prefect server of this test run on the loopback interface."""
    with start_temporary_server() as server:
        assert server.wait_until_healthy()
        yield server
