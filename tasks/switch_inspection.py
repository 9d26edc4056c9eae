"""How strictly the next lot of a source is inspected, by the switching rules of MIL-STD-105E.

Standard: MIL-STD-105E, Sampling Procedures and Tables for Inspection by Attributes, 1989 (public domain);
paragraph numbers from memory: 4.7.3.1 normal to tightened, 4.7.3.2 tightened to normal, 4.8 discontinuation.
Reduced inspection is not used: it asks for a steady production and for Table II-C.
"""

from collections.abc import Iterable

NORMAL, TIGHTENED, DISCONTINUED = "normal", "tightened", "discontinued"
PASSED, FAILED, RESUMED = "passed", "failed", "resumed"

_FAILED_OF_RECENT = 2
_RECENT = 5
_PASSED_IN_A_ROW = 5
_FAILED_ON_TIGHTENED = 5


def find_inspection(events: Iterable[tuple[str, str]]) -> str:
    """Return the inspection of a source's next lot: `normal`, `tightened` or `discontinued`.

    `events` are (inspection, verdict) of its judged lots in the order of the verdicts, and ("", `resumed`)
    where a person let inspection go on. 2 failed of 5 or fewer consecutive lots tighten it; 5 passed in a row on
    tightened bring it back to normal; 5 failed in all since it was tightened end it, and when it is resumed it
    is tightened. A lot that was drawn before a switch and judged after it says nothing of the time since.
    """
    inspection, results = NORMAL, list[str]()
    for drawn_under, verdict in events:
        if verdict == RESUMED:
            switched = TIGHTENED if inspection == DISCONTINUED else inspection
        elif drawn_under == inspection:
            results.append(verdict)
            switched = _switch(inspection, results)
        else:
            continue
        if switched != inspection:
            inspection, results = switched, []
    return inspection


def _switch(inspection: str, results: list[str]) -> str:
    """Return what follows on an inspection whose lots so far had these results."""
    if inspection == NORMAL:
        return TIGHTENED if results[-_RECENT:].count(FAILED) >= _FAILED_OF_RECENT else NORMAL
    if results.count(FAILED) >= _FAILED_ON_TIGHTENED:
        return DISCONTINUED
    last = results[-_PASSED_IN_A_ROW:]
    return NORMAL if last.count(PASSED) == _PASSED_IN_A_ROW else TIGHTENED
