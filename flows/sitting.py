"""One person's sitting at the answer page: which question is next, what is saved, what may be shown.

Every change is on the disk before the state tells of it, and asking for the same change again changes nothing:
a reply that got lost is simply asked for again. Nothing here is called by two threads at once.
"""

import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from schemas.settings import NOT_LABELS
from tasks.errors import InputError
from tasks.keep_answers import KeptAnswers, append_peek, append_row, create_file
from tasks.loop import Loop
from tasks.make_plain import make_plain
from tasks.take_batch import Asking, Batch, Question

_LONGEST_SECONDS = 86_400.0
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")

Document = dict[str, Any]


class Sitting:
    """The batch, and what this annotator's files say of it so far."""

    def __init__(self, loop: Loop, annotator: str, batch: Batch, folder: Path, kept: KeptAnswers) -> None:
        self.annotator = annotator
        self.batch = batch
        self.path: Path | None = None
        self.may_peek = loop.settings.answers.show_prediction
        self._loop = loop
        self._folder = folder
        self._questions = {question.fix_id: question for question in batch.questions}
        self._answers: dict[str, str] = {}
        self._paths: dict[str, Path] = {}
        self._seen = {fix_id for fix_id in kept.peeks if fix_id in self._questions}
        self._replay(kept)

    def _replay(self, kept: KeptAnswers) -> None:
        for row in kept.rows:
            if row.fix_id not in self._questions:
                continue
            if row.saw_prediction:
                self._seen.add(row.fix_id)
            if row.takes_back:
                self._answers.pop(row.fix_id, None)
            elif row.fix_id not in self._answers:
                self._answers[row.fix_id] = row.answer
                self._paths[row.fix_id] = row.path
                self._note_shown(row.fix_id)

    def _note_shown(self, fix_id: str) -> None:
        """After an answer the opinion is shown: another answer to the same question is no longer blind."""
        if fix_id in self.batch.opinions:
            self._seen.add(fix_id)

    @property
    def answered_count(self) -> int:
        """How many of the batch's questions have an answer."""
        return len(self._answers)

    @property
    def saved_count(self) -> int:
        """How many of the answers that stand were saved since this sitting began."""
        return sum(self._paths[fix_id] == self.path for fix_id in self._answers)

    def list_files(self) -> list[Path]:
        """Return the files that hold the answers, in the order in which they were begun."""
        return sorted({self._paths[fix_id] for fix_id in self._answers})

    def describe(self) -> Document:
        """Return all that the page shows first: the state, the guidelines, and what may be pressed."""
        askings = {name: asdict(asking) for name, asking in self.batch.askings.items()}
        return {
            "annotator": self.annotator,
            "askings": askings,
            "bands": make_plain(self.batch.bands),
            "may_peek": self.may_peek,
            **self.tell_state(),
        }

    def tell_state(self, opinion_of: str | None = None) -> Document:
        """Return where the sitting stands; the opinion of a question only if it is named, and may be shown."""
        waiting = [question for question in self.batch.questions if question.fix_id not in self._answers]
        last = next(reversed(self._answers), None)
        return {
            "marks": "".join("1" if q.fix_id in self._answers else "0" for q in self.batch.questions),
            "question": _show(waiting[0]) if waiting else None,
            "last": None if last is None else {"fix_id": last, "answer": self._answers[last]},
            "opinion": make_plain(self.batch.opinions.get(opinion_of or "")),
            "files": [self._loop.relate(path) for path in self.list_files()],
        }

    def save_answer(self, fix_id: str, answer: str, seconds: object) -> Document:
        """Put an answer on the disk and return the state after it.

        The same answer again writes nothing. Raises InputError for a question that is not in the batch, an answer
        that it does not take, or another answer than the saved one; OSError where the disk does not take it.
        """
        question = self._find(fix_id)
        asking = self.batch.askings[question.attribute]
        clean = _check_answer(asking, answer)
        if fix_id in self._answers:
            if self._answers[fix_id] != clean:
                raise InputError(f"answered before, with {self._answers[fix_id]}; take that back first")
            return self.tell_state(fix_id)
        self._append(self._choose_path(), question, asking, answer=clean, seconds=_read_seconds(seconds))
        self._answers[fix_id] = clean
        self._note_shown(fix_id)
        return self.tell_state(fix_id)

    def take_back(self, fix_id: str) -> Document:
        """Take an answer back, in the file in which it stands, and return the state after it.

        Where there is none, nothing is written. Raises InputError and OSError as `save_answer` does.
        """
        question = self._find(fix_id)
        if fix_id in self._answers:
            asking = self.batch.askings[question.attribute]
            self._append(self._paths[fix_id], question, asking, takes_back=True)
            del self._answers[fix_id]
        return self.tell_state()

    def show_opinion(self, fix_id: str) -> Document:
        """Return a question's opinion before its answer, noted first; None where it is never shown.

        Raises InputError where `[answers] show_prediction` does not allow it; OSError where it cannot be noted.
        """
        self._find(fix_id)
        if not self.may_peek:
            raise InputError("what the model says is shown after the answer ([answers] show_prediction is false)")
        if fix_id in self.batch.opinions and fix_id not in self._seen:
            append_peek(self._choose_path(), fix_id)
            self._seen.add(fix_id)
        return {"opinion": make_plain(self.batch.opinions.get(fix_id))}

    def _find(self, fix_id: str) -> Question:
        if fix_id not in self._questions:
            raise InputError("that question is not in this batch; load the page again")
        return self._questions[fix_id]

    def _choose_path(self) -> Path:
        if self.path is None:
            self.path = create_file(self._folder, self.annotator, self._loop.clock())
        return self.path

    def _append(
        self,
        path: Path,
        question: Question,
        asking: Asking,
        *,
        answer: str = "",
        seconds: float | None = None,
        takes_back: bool = False,
    ) -> None:
        append_row(
            path,
            {
                "fix_id": question.fix_id,
                "annotator": self.annotator,
                "answer": answer,
                "answered_at": make_plain(self._loop.clock()),
                "seconds": seconds,
                "saw_prediction": question.fix_id in self._seen,
                "guideline_sha256": asking.guideline_sha256,
                "takes_back": takes_back,
            },
        )
        self._paths[question.fix_id] = path


def _show(question: Question) -> Document:
    document: Document = make_plain(question)
    return document


def _check_answer(asking: Asking, answer: str) -> str:
    clean = answer.strip()
    if clean in NOT_LABELS or clean in asking.labels:
        return clean
    if asking.kind != "number":
        raise InputError(f"{clean!r} is not one of {', '.join((*asking.labels, *NOT_LABELS))}")
    if not _NUMBER.fullmatch(clean) or not math.isfinite(float(clean)):
        raise InputError(f"{clean!r} is not a number, as in 2.5")
    return clean


def _read_seconds(seconds: object) -> float | None:
    """Return how long the question was in view, to a tenth of a second; None for what no clock shows."""
    is_number = isinstance(seconds, int | float) and not isinstance(seconds, bool)
    if not is_number or not 0 <= float(str(seconds)) <= _LONGEST_SECONDS:
        return None
    return round(float(str(seconds)), 1)
