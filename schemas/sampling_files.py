"""Where the tables of acceptance sampling are read from: MIL-STD-105E (10 May 1989, public domain), as data.

Table I gives a lot's code letter, Tables II-A (normal) and II-B (tightened) give a letter's plan for each AQL,
with the standard's arrows already followed to the plan they point at. Single sampling, AQL 0.065 to 10.
"""

from csv import DictReader
from functools import cache
from pathlib import Path

_FOLDER = Path(__file__).parent / "sampling"

Plans = dict[str, dict[float, tuple[int, int]]]
"""Code letter to AQL in percent to sample size and acceptance number; a lot is refused from one more on."""


@cache
def read_code_letters() -> list[tuple[int, dict[str, str]]]:
    """Return Table I: the smallest lot size of each row, ascending, and the code letter of each level."""
    return [(int(row.pop("lot_from")), row) for row in _read_rows("code_letters")]


@cache
def read_plans(inspection: str) -> Plans:
    """Return Table II-A for "normal", Table II-B for "tightened"."""
    return {
        row.pop("letter"): {float(aql): _read_plan(cell) for aql, cell in row.items()}
        for row in _read_rows(f"{inspection}_plans")
    }


def _read_rows(name: str) -> list[dict[str, str]]:
    with (_FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        return list(DictReader(lines))


def _read_plan(cell: str) -> tuple[int, int]:
    sample_size, accept = cell.split(":")
    return int(sample_size), int(accept)
