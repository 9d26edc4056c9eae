"""The switching rules of MIL-STD-105E (4.7.3.1, 4.7.3.2 and 4.8; the paragraph numbers from memory)."""

import pytest

from tasks.switch_inspection import find_inspection

# lots in order: n normal, t tightened, each passed (+) or failed (-); R: resumed
HISTORIES = {
    "": "normal",
    "n-": "normal",
    "n- n-": "tightened",
    "n- n+ n+ n+ n-": "tightened",
    "n- n+ n+ n+ n+ n-": "normal",
    "n+ n+ n+ n+ n+ n- n+ n-": "tightened",
    "n- n- t+ t+ t+ t+": "tightened",
    "n- n- t+ t+ t+ t+ t+": "normal",
    "n- n- t+ t+ t+ t+ t- t+ t+ t+ t+": "tightened",
    "n- n- t+ t+ t+ t+ t- t+ t+ t+ t+ t+": "normal",
    # what was counted before a switch does not count after it
    "n- n- t+ t+ t+ t+ t+ n-": "normal",
    "n- n- t+ t+ t+ t+ t+ n- n-": "tightened",
    # a lot drawn before a switch and judged after it says nothing of the time since
    "n- n- n+ n+ n+ n+ n+": "tightened",
    "n- n- t+ t+ n- t+ t+ t+": "normal",
    "n- n- n- n- n- n- n-": "tightened",
    # 5 failed in all since tightened began, not in a row
    "n- n- t- t+ t- t+ t- t+ t-": "tightened",
    "n- n- t- t+ t- t+ t- t+ t- t-": "discontinued",
    "n- n- t- t- t- t+ t+ t+ t+ t+ n- n- t- t-": "tightened",
    "n- n- t- t- t- t- t- t+ t+ t+ t+ t+": "discontinued",
    "n- n- t- t- t- t- t- R": "tightened",
    "n- n- t- t- t- t- t- R t- t- t- t-": "tightened",
    "n- n- t- t- t- t- t- R t+ t+ t+ t+ t+": "normal",
    "n- R n-": "tightened",
}
_NAMES = {"n": "normal", "t": "tightened", "+": "passed", "-": "failed"}


def read_event(text: str) -> tuple[str, str]:
    return ("", "resumed") if text == "R" else (_NAMES[text[0]], _NAMES[text[1]])


@pytest.mark.parametrize(("history", "inspection"), HISTORIES.items())
def test_the_next_lots_inspection_follows_from_the_verdicts_so_far(history: str, inspection: str) -> None:
    assert find_inspection([read_event(text) for text in history.split()]) == inspection
