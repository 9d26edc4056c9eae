"""Reckons in plain Python what a loop must hold after a fortnight: from the files that arrived, and nothing else.

It knows the rules as the README tells them and shares no code with the product, nor with what makes the files.
Usage: reckon_fortnight.py FOLDER NIGHTS; NIGHTS is a JSON list of lists: which deliveries each night that went
well took in. Writes FOLDER/reckoned.json. The settings of the test are written out: one answer settles, ten new
fixes start a round, a margin below .2 is doubted; the case is a person taken for a crate.
"""

import gzip
import hashlib
import json
import sys
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

LABELS = ["person", "crate", "foliage"]
LOW_MARGIN = 0.2
ROUND_AFTER = 10
CASE = "crouched-picker"


def make_id(*fields: str) -> str:
    return hashlib.sha256("\x1f".join(fields).encode()).hexdigest()[:32]


def count_microseconds(text: str) -> int:
    moment = datetime.fromisoformat(text)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds


@dataclass
class Revision:
    """Something that somebody said a sample is; `replaces` are the earlier ones that it was asked about."""

    label: str
    by: str
    at: int | None
    fix_id: str = ""
    replaces: tuple["Revision", ...] = ()

    @property
    def key(self) -> tuple[Any, ...]:
        return (self.label, self.by, self.at, self.fix_id)


@dataclass
class Fix:
    """A question about a sample: its answers so far by person, and how it ended."""

    fix_id: str
    attempt: int
    reason: str
    about: tuple[Revision, ...]
    cases: set[str] = field(default_factory=set)
    answers: dict[str, str] = field(default_factory=dict)
    outcome: str = ""
    settled: Revision | None = None


@dataclass
class Sample:
    """All that is known of a sample."""

    name: str
    sample_id: str
    known: dict[str, Any] = field(default_factory=dict)
    prediction: dict[str, Any] | None = None
    features: list[float] | None = None
    revisions: list[Revision] = field(default_factory=list)
    fixes: list[Fix] = field(default_factory=list)
    raised: set[tuple[str, str]] = field(default_factory=set)
    is_member: bool = False

    @property
    def open_fix(self) -> Fix | None:
        return next((fix for fix in self.fixes if not fix.outcome), None)

    def list_standing(self) -> list[Revision]:
        replaced = [old for one in self.revisions for old in one.replaces]
        standing = [one for one in self.revisions if not any(one is old for old in replaced)]
        return sorted(standing, key=lambda one: (one.at is None, -(one.at or 0)))

    def why_disputed(self) -> str:
        """Say why the label is open: the last question gave none, or people disagree and nobody was later."""
        ended = [fix for fix in self.fixes if fix.outcome]
        if ended and ended[-1].outcome != "settled":
            return ended[-1].outcome
        standing = self.list_standing()
        rivals = [one for one in standing[1:] if one.label != standing[0].label]
        unclear = [one for one in rivals if None in (one.at, standing[0].at) or one.at == standing[0].at]
        return "labels disagree" if unclear else ""

    def find_label(self) -> Revision | None:
        standing = self.list_standing()
        return standing[0] if standing and not self.why_disputed() else None

    def is_disagreeing(self) -> bool:
        label = self.find_label()
        return bool(label and self.prediction and self.prediction["predicted"] != label.label)

    def is_doubted(self) -> bool:
        if self.prediction is None:
            return False
        best, second = sorted(self.prediction["scores"].values(), reverse=True)[:2]
        label = self.find_label()
        return best - second < LOW_MARGIN and (label is None or label.label != self.prediction["predicted"])


class Loop:
    """What the loop holds, night by night."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.samples: dict[str, Sample] = {}
        self.fixes: dict[str, tuple[Sample, Fix]] = {}
        self.contents: set[str] = set()
        self.files: list[list[Any]] = []
        self.refused: list[list[Any]] = []
        self.held: dict[str, list[Sample]] = {}
        self.frozen: set[str] = set()
        self.fixes_seen: set[str] = set()
        self.rounds: list[int] = []

    def live(self, nights: list[list[int]]) -> None:
        for deliveries in nights:
            self._take_files(deliveries, ("predictions", "labels"))
            self._sort()
            self._take_files(deliveries, ("answers",))
            self._settle()
            self._freeze()
            self._sort()
            self._ask()
            self._start_round(deliveries[-1])
            if deliveries[-1] == 2:
                self._hold_out()

    def _take_files(self, deliveries: list[int], kinds: tuple[str, ...]) -> None:
        """Take each content once; of a path that a later delivery replaced only the latest is there."""
        found: dict[str, bytes] = {}
        for night in deliveries:
            top = self.folder / f"n{night:02}"
            for kind in kinds:
                for path in sorted((top / "inbox" / kind).glob("*")):
                    found[path.relative_to(top).as_posix()] = path.read_bytes()
        by_content: dict[str, str] = {}
        for name in sorted(found):
            by_content.setdefault(hashlib.sha256(found[name]).hexdigest(), name)
        for digest, name in sorted(by_content.items()):
            lines = None if digest in self.contents else unpack(name, found[name])
            if lines is not None and self._take_file(name, lines, is_answers=kinds == ("answers",)):
                self.contents.add(digest)

    def _take_file(self, name: str, lines: list[str], *, is_answers: bool) -> bool:
        rows = [parse(line) for line in lines]
        columns = {key for row in rows if row for key in row}
        if not is_answers and not columns & {"predicted", "label"}:
            return False
        counts = {"kept": 0, "duplicate": 0, "refused": 0}
        for number, row in enumerate(rows, start=1):
            fault, is_new = self._take_answer(row or {}) if is_answers else self._take_row(row)
            counts["refused" if fault else "kept" if is_new else "duplicate"] += 1
            if fault:
                self.refused.append([name, number, fault])
        self.files.append([name, len(rows), *counts.values()])
        return True

    def _take_row(self, row: dict[str, Any] | None) -> tuple[str, bool]:
        if row is None:
            return "is no JSON object", False
        fault = find_fault(row)
        if fault:
            return fault, False
        at = count_microseconds(row["observed_at"])
        sample_id = make_id(row["recording_id"], row["object_id"], str(at), row["attribute"])
        name = f"{row['recording_id']}@{at}"
        sample = self.samples.get(sample_id, Sample(name, sample_id))
        said = {key: row[key] for key in ("model_version", "predicted", "confidence", "scores") if key in row}
        if said and sample.prediction and said != sample.prediction:
            return (
                f"a second, different prediction of model {said['model_version']} as served for the sample; "
                "the first to arrive stays"
            ), False
        is_new = sample_id not in self.samples
        self.samples[sample_id] = sample
        for key in ("unit_id", "context"):
            if key in row and key not in sample.known:
                sample.known[key], is_new = row[key], True
        if said and not sample.prediction:
            sample.prediction, is_new = said, True
        if "features" in row and sample.features is None:
            sample.features, is_new = row["features"], True
        if "label" in row:
            decided = count_microseconds(row["decided_at"]) if "decided_at" in row else None
            revision = Revision(row["label"], row["decided_by"], decided)
            if revision.key not in [one.key for one in sample.revisions]:
                sample.revisions.append(revision)
                is_new = True
        return "", is_new

    def _take_answer(self, row: dict[str, Any]) -> tuple[str, bool]:
        _, fix = self.fixes[row["fix_id"]]
        earlier = fix.answers.get(row["annotator"])
        if earlier is None:
            fix.answers[row["annotator"]] = row["answer"]
            fix.settled = Revision(
                row["answer"], row["annotator"], count_microseconds(row["answered_at"]), fix.fix_id, fix.about
            )
            return "", True
        if earlier == row["answer"]:
            return "", False
        return f"{row['annotator']} has answered this fix before, with {earlier}; the first answer stays", False

    def _settle(self) -> None:
        for sample, fix in self.fixes.values():
            if fix.outcome or not fix.answers:
                continue
            (answer,) = fix.answers.values()
            fix.outcome = "unusable" if answer == "unusable" else "settled"
            if fix.outcome == "settled" and fix.settled:
                sample.revisions.append(fix.settled)
            else:
                fix.settled = None

    def _sort(self) -> None:
        """Note what disagrees with its label, and who belongs to the case."""
        for sample in self.samples.values():
            label = sample.find_label()
            if label and sample.is_disagreeing():
                sample.raised.add((label.label, label.by))
                if sample.prediction and (sample.prediction["predicted"], label.label) == ("crate", "person"):
                    sample.is_member = True

    def _ask(self) -> None:
        reserved = {sample.sample_id for samples in self.held.values() for sample in samples}
        for sample in self.samples.values():
            is_disputed = bool(sample.why_disputed())
            is_doubted = sample.find_label() is None and sample.is_doubted() and sample.sample_id not in reserved
            failed = sum(fix.outcome == "unusable" for fix in sample.fixes)
            if failed < 2 and (is_disputed or is_doubted):
                self._open(sample, "second_look" if is_disputed else "flagged", CASE if sample.is_member else "")

    def _open(self, sample: Sample, reason: str, case: str) -> None:
        fix = sample.open_fix
        if fix is None:
            attempt = len(sample.fixes) + 1
            fix = Fix(make_id(sample.sample_id, str(attempt)), attempt, reason, tuple(sample.list_standing()))
            sample.fixes.append(fix)
            self.fixes[fix.fix_id] = (sample, fix)
        fix.cases |= {case} - {""}

    def _hold_out(self) -> None:
        """What people put aside after the second night: two lists of recordings."""
        for name, prefix in (("overall:obstacle", "whole-"), (CASE, "held-")):
            self.held[name] = [one for one in self.samples.values() if one.name.startswith(prefix)]
            for sample in self.held[name]:
                if sample.find_label() is None:
                    self._open(sample, "holdout", CASE)
        self._freeze()

    def _freeze(self) -> None:
        self.frozen |= {name for name, held in self.held.items() if all(one.find_label() for one in held)}

    def _start_round(self, night: int) -> None:
        """A round follows once the hold-out is frozen and enough other fixes settled since the last one."""
        new = {
            fix.fix_id
            for sample, fix in self.fixes.values()
            if fix.outcome == "settled" and fix.reason != "holdout" and (sample.is_member or CASE in fix.cases)
        } - self.fixes_seen
        if CASE in self.frozen and len(new) >= ROUND_AFTER:
            self.rounds.append(night)
            self.fixes_seen |= new

    def tell(self) -> dict[str, Any]:
        """Return everything in the words that the warehouse is asked in."""
        all_samples = list(self.samples.values())
        labelled = [(one, one.find_label()) for one in all_samples if one.revisions]
        told: dict[str, Any] = {
            "told_sample": [
                [s.sample_id, s.name, s.known.get("unit_id"), (s.known.get("context") or {}).get("light")]
                for s in all_samples
            ],
            "told_prediction": [
                [s.name, *(s.prediction[key] for key in ("model_version", "predicted", "confidence"))]
                for s in all_samples
                if s.prediction
            ],
            "told_label": [
                [s.name, label.label if label else None, s.why_disputed() or None] for s, label in labelled
            ],
            "told_revision": [[s.name, r.label, r.by, bool(r.fix_id)] for s in all_samples for r in s.revisions],
            "told_refused": self.refused,
            "told_file": self.files,
            "told_live": [[s.name] for s in all_samples if s.is_disagreeing()],
            "told_raised": [[s.name, *one] for s in all_samples for one in s.raised],
            "told_member": [[CASE, s.name] for s in all_samples if s.is_member],
            "told_open": [
                [s.name, f.attempt, f.reason, ",".join(sorted(f.cases)) or None]
                for s, f in self.fixes.values()
                if not f.outcome
            ],
            "told_ended": [
                [s.name, f.attempt, f.outcome, *((f.settled.label, f.settled.by) if f.settled else (None, None))]
                for s, f in self.fixes.values()
                if f.outcome
            ],
            "told_frozen": [[name] for name in self.frozen],
        }
        return {name: sorted(rows, key=repr) for name, rows in told.items()} | {"rounds": self.rounds}


def unpack(name: str, content: bytes) -> list[str] | None:
    """Return a file's lines, or None where it was cut so that it cannot be unpacked."""
    if name.endswith(".gz"):
        try:
            content = gzip.decompress(content)
        except (EOFError, OSError):
            return None
    return content.decode().splitlines()


def parse(line: str) -> dict[str, Any] | None:
    try:
        row = json.loads(line)
    except json.JSONDecodeError:
        return None
    return row if isinstance(row, dict) else None


def find_fault(row: dict[str, Any]) -> str:
    """Return which promise of the log contract a row breaks first."""
    try:
        count_microseconds(row["observed_at"])
    except ValueError:
        return "observed_at is no time; expected ISO 8601, as in 2024-05-01T10:00:00Z"
    if "predicted" in row and row["predicted"] not in LABELS:
        return f"predicted '{row['predicted']}' is no label of the attribute; expected one of {', '.join(LABELS)}"
    return "confidence is missing" if "predicted" in row and "confidence" not in row else ""


if __name__ == "__main__":
    reckoned = Loop(Path(sys.argv[1]))
    reckoned.live(json.loads(sys.argv[2]))
    (Path(sys.argv[1]) / "reckoned.json").write_text(json.dumps(reckoned.tell()), encoding="utf-8")
