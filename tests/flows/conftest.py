"""A night in an invented orchard, and a real Prefect server on the loopback interface, one a test run."""

import http.client
import json
import re
import signal
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from flows.temporary_server import TemporaryServer, start_temporary_server
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.export_fixes import QueueFilter, list_fixes
from tasks.flag_mispredictions import flag_mispredictions
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.queue_fixes import queue_doubted
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
[queue]
watch_per_week = 0
[checks]
look_for_suspects = false
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


# The orchard of the answer page: pictures in tracks, plots of features, and a number; one answer settles.
QUESTIONS = """
[media]
roots = ["media"]
[attribute.obstacle]
labels = ["person", "animal", "crate", "ladder", "foliage"]
answers_needed = 1
guideline = "guidelines/obstacle.md"
[attribute.ground]
labels = ["firm", "soft", "flooded"]
answers_needed = 1
[attribute.distance]
kind = "number"
unit = "m"
tolerance = 0.2
answers_needed = 1
"""
_TURNROW = Path(sys.executable).with_name("turnrow")


@dataclass(frozen=True)
class ServedPage:
    """A page that runs as a process of its own; `address` holds its token, `told` what was printed before it."""

    process: subprocess.Popen[str]
    address: str
    told: list[str]

    @property
    def port(self) -> int:
        return int(self.address.split("/")[2].partition(":")[2])

    def request(
        self, method: str, path: str, body: object = None, **headers: str | None
    ) -> tuple[int, dict[str, str], bytes]:
        """Ask as a browser would; `path` is within the address, or a whole path; a header of None is left out."""
        whole = path if path.startswith(("/", "*")) else f"/{self.address.split('/')[3]}/{path}"
        sent: dict[str, str | None] = {"Host": f"127.0.0.1:{self.port}"}
        if body is not None:
            sent |= {"Origin": f"http://127.0.0.1:{self.port}", "Content-Type": "application/json"}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        content = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, whole, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                if value is not None:
                    connection.putheader(name, value)
            if content is not None:
                connection.putheader("Content-Length", str(len(content)))
            connection.endheaders(content)
            reply = connection.getresponse()
            return reply.status, {name.lower(): value for name, value in reply.getheaders()}, reply.read()
        finally:
            connection.close()

    def read_state(self) -> dict[str, Any]:
        status, _, content = self.request("GET", "state")
        assert status == 200, content
        state: dict[str, Any] = json.loads(content)
        return state

    def change(self, what: str, **body: object) -> tuple[int, dict[str, Any]]:
        """Answer, undo or ask for the opinion; return the status and what was told."""
        status, _, content = self.request("POST", what, body)
        told: dict[str, Any] = json.loads(content)
        return status, told

    def end(self) -> tuple[int, str, str]:
        """End it as Ctrl-C does; return its exit code and what it printed since."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=20)
        return self.process.returncode, out, err

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


ServePage = Callable[..., ServedPage]


@pytest.fixture
def serve_page() -> Iterator[ServePage]:
    """Return a starter of pages: loop, annotator, further arguments in; what still runs at the end is killed."""
    started: list[subprocess.Popen[str]] = []

    def serve(loop: Loop, annotator: str, *argv: str) -> ServedPage:
        command = [
            str(_TURNROW),
            "--at",
            str(loop.folder),
            "answer",
            "--annotator",
            annotator,
            "--no-browser",
            *argv,
        ]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        started.append(process)
        assert process.stdout is not None
        told: list[str] = []
        for line in process.stdout:
            address = re.search(r"http://\S+/", line)
            if address:
                return ServedPage(process, address[0], told)
            told.append(line)
        raise AssertionError(process.communicate()[1])

    yield serve
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


def draw_png(shade: int, size: int = 16) -> bytes:
    """Return an invented picture as a PNG file: a slope of greys, by the PNG specification's own chunks."""
    rows = b"".join(b"\0" + bytes((shade * 5 + 9 * x + 4 * y) % 256 for x in range(size)) for y in range(size))

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", size, size, 8, 0, 0, 0, 0)
    parts = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


AskOrchard = Callable[..., Loop]


@pytest.fixture
def ask_orchard(make_file_loop: Callable[..., Loop]) -> AskOrchard:
    """Return a maker of loops with open questions.

    In: how many of each attribute (obstacles in tracks of two, of which both are asked), settings to stand behind
    and before the usual ones, and what makes the loop, if not on a DuckDB file. Each prediction's confidence is
    its own, so that it can be looked for in bytes.
    """

    def make(
        obstacles: int = 4,
        grounds: int = 2,
        distances: int = 0,
        more: str = "",
        head: str = "",
        make_loop: Callable[..., Loop] = make_file_loop,
    ) -> Loop:
        loop = make_loop(head + QUESTIONS + more)
        for name in ("media", "guidelines"):
            (loop.folder / name).mkdir()
        (loop.folder / "guidelines" / "obstacle.md").write_text("# What stands there\n\n- **person**: anybody\n")
        rows = [_ask_obstacle(loop, number) for number in range(obstacles)]
        rows += [_ask_ground(number) for number in range(grounds)]
        rows += [_ask_distance(number) for number in range(distances)]
        log = loop.folder / "inbox" / "predictions" / "log.jsonl"
        log.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        labels = [
            {name: row[name] for name in ("recording_id", "object_id", "observed_at", "attribute")}
            | {"label": label, "origin": "person"}
            for row in rows[obstacles + grounds :]
            for label in ("1.5", "9.5")  # two labels that disagree: a second look is asked
        ]
        told = loop.folder / "inbox" / "labels" / "labels.jsonl"
        told.write_text("".join(json.dumps(row) + "\n" for row in labels), encoding="utf-8")
        if not rows:
            return loop
        pulled = pull_files(loop, [log, *([told] if labels else [])]).files
        assert [(file.error, file.rows_quarantined) for file in pulled] == [("", 0)] * len(pulled)
        flag_mispredictions(loop)
        assert queue_doubted(loop) == obstacles + grounds + distances
        return loop

    return make


def _ask_obstacle(loop: Loop, number: int) -> dict[str, object]:
    picture = loop.folder / "media" / f"{number}.png"
    picture.write_bytes(draw_png(number))
    return {
        "recording_id": f"run-{number // 2}",
        "object_id": "o1",
        "observed_at": (DAY + timedelta(minutes=number // 2, seconds=number % 2)).isoformat(),
        "attribute": "obstacle",
        "model_version": "obstacle-1",
        "predicted": "crate",
        "confidence": (513_771 + number * 10) / 1_000_000,
        "features": [1.0, number / 7],
        "context": {"light": "dusk"},
        "media_uri": f"media/{number}.png",
    }


def _ask_ground(number: int) -> dict[str, object]:
    return {
        "recording_id": f"ground-{number}",
        "object_id": "g",
        "observed_at": (DAY + timedelta(hours=1, minutes=number)).isoformat(),
        "attribute": "ground",
        "model_version": "ground-1",
        "predicted": "firm",
        "confidence": (533_771 + number * 10) / 1_000_000,
        "features": [number / 3, 1.0, -0.5],
    }


def _ask_distance(number: int) -> dict[str, object]:
    return {
        "recording_id": f"far-{number}",
        "object_id": "d",
        "observed_at": (DAY + timedelta(hours=2, minutes=number)).isoformat(),
        "attribute": "distance",
        "model_version": "distance-1",
        "predicted": (71_377 + number * 7) / 10_000,
        "confidence": 0.9,
    }


def read_answer_rows(loop: Loop) -> list[dict[str, Any]]:
    """Return the rows of all answer files, in the order of the files' names."""
    files = sorted((loop.folder / "inbox" / "answers").glob("*.jsonl"))
    return [json.loads(line) for path in files for line in path.read_text(encoding="utf-8").splitlines()]


@pytest.fixture(name="read_answer_rows")
def read_answer_rows_fixture() -> Callable[[Loop], list[dict[str, Any]]]:
    """Return a reader of the rows that the page has written so far."""
    return read_answer_rows


@pytest.fixture(name="draw_png")
def draw_png_fixture() -> Callable[..., bytes]:
    """Return a maker of small pictures."""
    return draw_png
