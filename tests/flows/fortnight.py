"""What arrives in a simulated fortnight, and when; everything in it is invented. Used by live_a_fortnight.

A recording's name tells its unit, the night it came for and what it shows: `cart-1-n03-crouched-2`. A file of the
night NN lies in DELIVERED/nNN/, at its place in the loop folder, before that night begins. Each night brings what
was seen on the day before.
"""

import gzip
import json
import shutil
import zlib
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

NIGHTS = 14
MISSED = (11, 12, 13)
FIRST_DAY = datetime(2026, 3, 22, tzinfo=UTC)  # seen on this day: what the first night takes in
UNITS = ("cart-1", "cart-2", "cart-3")
SILENT = {"cart-2": (4, 11, 12, 13, 14)}
KINDS = ("person", "crate", "foliage")
_MIDDLE = {"person": (4, 0, 0, 0), "crate": (0, 4, 0, 0), "foliage": (0, 0, 4, 0)}
_CROUCHED = (0, 4, 0, 4)
_SEEN = ("person", "crate", "foliage", "crouched", "crouched", "crouched", "doubted", "murky")
Row = dict[str, Any]


def show(recording: str, kind: str, at: datetime, unit: str | None = None) -> Row:
    """One sample: people crouched at dusk look like crates."""
    noise = np.random.default_rng(zlib.crc32(recording.encode())).normal(size=8)
    middle = np.array([*_MIDDLE.get(kind, _CROUCHED), 0, 0, 0, 1])
    row: Row = {
        "recording_id": recording,
        "object_id": "1",
        "observed_at": at.isoformat(),
        "attribute": "obstacle",
        "features": [float(value) for value in np.round(middle + 0.6 * noise, 6)],
        "context": {"light": "noon" if kind in KINDS else "dusk"},
    }
    return row | ({"unit_id": unit} if unit else {})


def predict(row: Row) -> Row:
    """What the model in service says: crouched people are crates; of some it is not sure."""
    kind = row["recording_id"].split("-")[-2]
    confidence = 0.5 if kind in ("doubted", "murky") else 0.9
    predicted = kind if kind in KINDS else "crate"
    other = "person" if predicted != "person" else "crate"
    said = {"model_version": "m1", "predicted": predicted, "confidence": confidence}
    return row | said | {"scores": {predicted: confidence, other: 0.4 if confidence < 0.6 else 0.05}}


def label(row: Row, said: str, by: str, at: datetime | None = None) -> Row:
    """A row of a label file."""
    names = ("recording_id", "object_id", "observed_at", "attribute")
    decided = {"decided_at": at.isoformat()} if at else {}
    return {name: row[name] for name in names} | {"label": said, "origin": "person", "decided_by": by} | decided


def see(unit: str, night: int, mark: str = "") -> list[Row]:
    """What a unit saw on the day before a night, from six in the morning on."""
    morning = FIRST_DAY + timedelta(days=night - 1, hours=6)
    return [
        show(f"{unit}-n{night:02}{mark}-{kind}-{place}", kind, morning + timedelta(minutes=90 * place), unit)
        for place, kind in enumerate(_SEEN)
        if kind != "murky" or night == 1
    ]


def spell(rows: Iterable[Row]) -> str:
    return "".join(json.dumps(row) + "\n" for row in rows)


class Delivery:
    """The files of one night."""

    def __init__(self, folder: Path, night: int) -> None:
        self.folder, self.night = folder / f"n{night:02}", night

    def put(self, kind: str, name: str, content: str | bytes) -> None:
        path = self.folder / "inbox" / kind / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)

    def log(self, name: str, rows: Iterable[Row]) -> None:
        self.put("predictions", name, spell(predict(row) for row in rows))


def deliver_all(folder: Path) -> None:
    """Write the deliveries of all nights."""
    for night in range(1, NIGHTS + 1):
        delivery = Delivery(folder, night)
        for unit in UNITS:
            if night not in SILENT.get(unit, ()):
                _SPECIAL.get((unit, night), _deliver_log)(delivery, unit)
        if night > 1:
            _deliver_labels(delivery)
        _EVENTS.get(night, lambda delivery: None)(delivery)


def list_held() -> tuple[list[Row], list[Row]]:
    """Return what the hold-outs hold: the whole's samples and the case's."""
    at = FIRST_DAY - timedelta(days=6)
    whole = [
        show(f"whole-{kind}-{n}", kind, at + timedelta(hours=n), "cart-1") for kind in KINDS for n in range(8)
    ]
    case = [show(f"held-crouched-{n}", "crouched", at + timedelta(hours=n), "cart-1") for n in range(8)]
    return whole, case


def _deliver_log(delivery: Delivery, unit: str) -> None:
    delivery.log(f"n{delivery.night:02}-{unit}.jsonl", see(unit, delivery.night))


def _deliver_labels(delivery: Delivery) -> None:
    """The night after, one crouched person of each unit has a label, and its crate."""
    rows = []
    for unit in UNITS:
        if delivery.night - 1 in SILENT.get(unit, ()):
            continue
        crate, crouched = see(unit, delivery.night - 1)[1], see(unit, delivery.night - 1)[3]
        at = FIRST_DAY + timedelta(days=delivery.night, hours=-3) if unit == "cart-3" else None
        rows += [label(crate, "crate", "cora", at), label(crouched, "person", "cora", at)]
    delivery.put("labels", f"n{delivery.night:02}.jsonl", spell(rows))


def _begin(delivery: Delivery) -> None:
    """What the loop starts with: labelled samples that no unit sent, and hold-outs of which three lack a label."""
    at = FIRST_DAY - timedelta(days=5)
    base = [show(f"base-{kind}-{n}", kind, at + timedelta(hours=n)) for kind in KINDS for n in range(12)]
    whole, case = list_held()
    delivery.put(
        "labels", "base.jsonl", spell(row | label(row, row["recording_id"].split("-")[1], "cora") for row in base)
    )
    delivery.log("held.jsonl", whole + case)
    labelled = [label(row, row["recording_id"].split("-")[1], "cora") for row in whole]
    labelled += [label(row, "person", "cora") for row in case[3:]]
    delivery.put("labels", "held.jsonl", spell(labelled))
    strange = [predict(row) for row in see("cart-1", 1, "x")[:2]]
    strange[0]["predicted"] = "tractor"
    strange[1]["observed_at"] = "yesterday"
    delivery.put("predictions", "n01-strange.jsonl", spell(strange))


def _send_again(delivery: Delivery) -> None:
    """The same file again, a renamed copy, and the same rows in another file, the last first."""
    first = Delivery(delivery.folder.parent, 1).folder / "inbox" / "predictions"
    for name, source in {"n01-cart-1": "n01-cart-1", "copy-of-n01-cart-2": "n01-cart-2"}.items():
        delivery.put("predictions", f"{name}.jsonl", (first / f"{source}.jsonl").read_bytes())
    rows = [predict(row) for row in reversed(see("cart-3", 1))]
    for row in rows:
        row["observed_at"] = datetime.fromisoformat(row["observed_at"]).strftime("%Y-%m-%d %H:%M:%SZ")
    delivery.put("predictions", "n01-cart-3-once-more.jsonl.gz", gzip.compress(spell(rows).encode(), mtime=0))


def _pack_more() -> bytes:
    """A second file of cart-1 for the third night."""
    return gzip.compress(spell(predict(row) for row in see("cart-1", 3, "b")).encode(), mtime=0)


def _deliver_torn(delivery: Delivery, unit: str) -> None:
    """Of a file that was cut within its last line."""
    content = spell(predict(row) for row in see(unit, delivery.night))
    delivery.put("predictions", f"n{delivery.night:02}-{unit}.jsonl", content[:-40])


def _cut(delivery: Delivery) -> None:
    delivery.put("predictions", "n03-cart-1-more.jsonl.gz", _pack_more()[:200])


def _bring_whole(delivery: Delivery) -> None:
    """The cut files, whole; and what cart-1 had kept since the first day, with a prediction that it changed."""
    delivery.put("predictions", "n03-cart-1-more.jsonl.gz", _pack_more())
    delivery.log("n03-cart-3.jsonl", see("cart-3", 3))
    changed = predict(see("cart-1", 1)[0]) | {"predicted": "foliage", "scores": {"foliage": 0.9, "crate": 0.05}}
    late = [predict(row) for row in see("cart-1", 1, "late")]
    delivery.put("predictions", "n01-cart-1-late.jsonl", spell([*late, changed]))


def _contradict(delivery: Delivery) -> None:
    """Dora says otherwise than Cora did: of two nobody knows who is right, of the third it is the later word."""
    at = FIRST_DAY + timedelta(days=5, hours=12)
    rows = [
        label(see("cart-1", 1)[3], "crate", "dora"),
        label(see("cart-2", 1)[3], "crate", "dora"),
        label(see("cart-3", 1)[3], "crate", "dora", at),
    ]
    delivery.put("labels", "n06-dora.jsonl", spell(rows))


def _change_clocks(delivery: Delivery) -> None:
    """Central Europe's clocks go from 02:00 to 03:00 on 29 March 2026 (Directive 2000/84/EC, article 2).

    The same two instants in local time and in UTC: two samples, not four.
    """
    rows = []
    for minute, told in enumerate(("2026-03-29T01:59:30+01:00", "2026-03-29T03:00:30+02:00")):
        row = predict(show(f"cart-1-n08clock-crouched-{minute}", "crouched", FIRST_DAY, "cart-1"))
        rows += [
            row | {"observed_at": told},
            row | {"observed_at": f"2026-03-29T0{minute}:{(59, 0)[minute]:02}:30Z"},
        ]
    delivery.put("predictions", "n08-cart-1-clock.jsonl", spell(rows))


def _deliver_more_columns(delivery: Delivery, unit: str) -> None:
    rows = [predict(row) | {"lens": "wide"} for row in see(unit, delivery.night)]
    delivery.put("predictions", f"n{delivery.night:02}-{unit}.jsonl", spell(rows))


def _deliver_renamed(delivery: Delivery, unit: str) -> None:
    """From noon on the unit's new software calls `confidence` by another name."""
    rows = [predict(row) for row in see(unit, delivery.night)]
    for row in rows[3:]:
        row["conf"] = row.pop("confidence")
    delivery.put("predictions", f"n{delivery.night:02}-{unit}.jsonl", spell(rows))


def _deliver_other_name(delivery: Delivery, unit: str) -> None:
    """A file none of whose rows has the column `predicted`."""
    rows = [predict(row) for row in see(unit, delivery.night)]
    for row in rows:
        row["prediction"] = row.pop("predicted")
    delivery.put("predictions", f"n{delivery.night:02}-{unit}.jsonl", spell(rows))


def _mend(delivery: Delivery) -> None:
    delivery.log("n09-cart-2.jsonl", see("cart-2", 9))


_SPECIAL = {
    ("cart-3", 3): _deliver_torn,
    ("cart-1", 9): _deliver_more_columns,
    ("cart-2", 9): _deliver_other_name,
    ("cart-3", 9): _deliver_renamed,
}
_EVENTS = {
    1: _begin,
    2: _send_again,
    3: _cut,
    4: _bring_whole,
    6: _contradict,
    8: _change_clocks,
    10: _mend,
}


def copy_in(folder: Path, loop: Path, night: int) -> None:
    """Let a night's delivery arrive in a loop's folder; each file is written anew, also the same one again."""
    source = folder / f"n{night:02}"
    for path in sorted(source.rglob("*")) if source.exists() else ():
        if path.is_file():
            target = loop / path.relative_to(source)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
