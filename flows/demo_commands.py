"""What a newcomer may paste after the demo: commands that find the program and the folder as he named them."""

import shlex
import shutil
import sys
from pathlib import Path

from flows.demo_scene import DemoSummary

_PROGRAM = "turnrow"


def name_program(started_as: str, search_path: str | None = None) -> str:
    """Return what starts this program again from the same shell, quoted for it.

    `started_as` is `sys.argv[0]`; `search_path` is by default the shell's PATH. Plain `turnrow` if the shell
    would find that same program by its name; otherwise the path that was typed; where it was no `turnrow` at
    all, the interpreter with the module.
    """
    found = shutil.which(_PROGRAM, path=search_path)
    if Path(started_as).name != _PROGRAM:
        return f"{shlex.quote(sys.executable)} -m flows.cli"
    if found and Path(found).resolve() == Path(started_as).resolve():
        return _PROGRAM
    return shlex.quote(started_as)


def list_commands(summary: DemoSummary, program: str) -> list[tuple[str, str]]:
    """Return (what it shows, command) pairs about a finished demo."""
    version, model = summary.versions["obstacle"], summary.models["obstacle"]
    wanted = [
        ("where the loop stands, and what to do next", "status"),
        ("one failure case in full", "case crouched-picker"),
        ("one page about the new obstacle model, to open in a browser", f"report {model}"),
        ("what the new obstacle model came from", f"lineage {model}"),
        ("which rows its training set gained, and why", f'sql "{_ROWS.format(version=version)}"'),
        ("rebuild that training set from the warehouse and compare digests", f"verify {version}"),
        ("every criterion the gate judged it by", f'sql "{_CRITERIA.format(model=model)}"'),
        _pick_last(summary),
    ]
    at = shlex.quote(summary.folder)
    return [(what, f"{program} {command} --at {at}") for what, command in wanted]


def _pick_last(summary: DemoSummary) -> tuple[str, str]:
    """Return the open questions, or, where there are none to look at, the errors that no case asks about."""
    if summary.open_fixes:
        return "the questions that are still open", "queue list"
    return "flagged animals: the failure case that is yours to write", f'sql "{_ANIMALS}"'


_ROWS = (
    "select reason, case_name, rule, count(distinct sample_id) as samples "
    "from training_set_lineage where version = '{version}' group by all order by all"
)
_CRITERIA = (
    "select criterion, baseline, estimate, low, high, margin, verdict "
    "from gate_decision where candidate = '{model}'"
)
_ANIMALS = (
    "select predicted, (context->>'light') as light, (context->>'work') as work, count(*) as samples "
    "from flagged_sample where truth = 'animal' and predicted <> truth group by all "
    "order by samples desc, predicted, light, work"
)
