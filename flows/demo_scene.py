"""The demo's folder: what stands in it before the story begins, and what the steps of the story share."""

import json
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from textwrap import wrap

from schemas.case_file import FailureCase
from tasks.errors import InputError
from tasks.loop import Loop

Say = Callable[[str], None]

_MARK = ".demo"
_SUMMARY = "summary.json"
_MARGIN, _WIDTH = 10, 100


@dataclass(frozen=True)
class DemoSummary:
    """What the demo ended with; `models`, `versions` and `verdicts` are those of the last rounds, by attribute.

    `open_fixes`: questions that wait for an answer. `through_prefect`: whether the last round ran as a Prefect
    flow. `seconds`: how long each part took.
    """

    folder: str
    models: dict[str, str]
    versions: dict[str, str]
    verdicts: dict[str, str]
    open_fixes: int
    through_prefect: bool
    seconds: dict[str, float]
    is_invented: bool = True


@dataclass(frozen=True)
class Scene:
    """A story under way: its loop, its cases, whom it tells, and how long its parts took so far."""

    loop: Loop
    cases: tuple[FailureCase, ...]
    say: Say
    seconds: dict[str, float] = field(default_factory=dict)

    def tell(self, command: str, *paragraphs: str) -> None:
        """Say what a command did: its name in a margin, and beside it the paragraphs, each from a new line.

        An indented paragraph is a line of a table or list, and stays as it is.
        """
        lines = [line for text in paragraphs for line in ([text] if text.startswith(" ") else _wrap(text))]
        for number, line in enumerate(lines):
            self.say(f"{command if number == 0 else '':<{_MARGIN}}{line}")

    @contextmanager
    def measure(self, part: str) -> Iterator[None]:
        """Add what the block takes to the seconds of a part of the story."""
        started_at = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[part] = round(self.seconds.get(part, 0.0) + time.perf_counter() - started_at, 2)


def _wrap(text: str) -> list[str]:
    return wrap(text, _WIDTH - _MARGIN, break_long_words=False, break_on_hyphens=False)


def find_finished(folder: Path) -> DemoSummary | None:
    """Return the summary of a demo that ran to its end in `folder`; None for a folder that is free.

    Raises InputError for a file, for a folder that holds something else, and for a demo that was stopped.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file; `turnrow demo` wants a folder that is new or empty")
    if not folder.exists() or not any(folder.iterdir()):
        return None
    if not (folder / _MARK).is_dir():
        raise InputError(f"{folder}: is not empty and holds no demo; name a new or empty folder: turnrow demo DIR")
    summary = folder / _MARK / _SUMMARY
    if not summary.is_file():
        raise InputError(
            f"{folder}: holds a demo that still runs or was stopped before its end; delete the folder "
            "(all in it is invented), or name another: turnrow demo DIR"
        )
    try:
        return DemoSummary(**json.loads(summary.read_text(encoding="utf-8")))
    except (ValueError, TypeError) as error:
        raise InputError(f"{summary}: is damaged; delete the folder (all in it is invented)") from error


def furnish(folder: Path) -> None:
    """Mark the folder as the demo's and copy the scenario's settings, cases, guidelines and README there."""
    import demo_warehouse

    folder.mkdir(parents=True, exist_ok=True)
    (folder / _MARK).mkdir()
    scenario = Path(demo_warehouse.__file__).parent
    for path in sorted(scenario.rglob("*")):
        if path.suffix in (".toml", ".md"):
            target = folder / path.relative_to(scenario)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)


def keep_summary(folder: Path, summary: DemoSummary) -> None:
    """Write that the demo ran to its end; without it the folder counts as stopped."""
    text = json.dumps(asdict(summary), indent=2, sort_keys=True)
    (folder / _MARK / _SUMMARY).write_text(text + "\n", encoding="utf-8")
