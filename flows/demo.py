"""`demo`: the invented orchard, once round the whole loop, told in a page that ends with what to look at."""

import sys
import time
from pathlib import Path

from flows.demo_commands import list_commands, name_program
from flows.demo_scene import DemoSummary, Say, find_finished, furnish, keep_summary

_WELCOME = (
    "Everything in this demo is invented: carts, orchards, people, pictures and numbers. What it shows is how",
    "the loop works; it is no evidence of what Turnrow does on your data, least of all of safe operation.",
    "",
    "Carts drive along rows of fruit trees and predict what an obstacle is (person, animal, crate, ladder,",
    "foliage) and what the ground ahead is (firm, soft, flooded). On the left: the command that does a step.",
    "",
)


def run_demo(folder: Path, say: Say) -> DemoSummary:
    """Run the demo scenario in a new or empty folder, telling each step in a line or two.

    A demo that ran to its end there is not run again: only what to look at is said once more. Raises
    InputError for a folder that holds something else, or a demo that was stopped.
    """
    finished = find_finished(folder)
    if finished is not None:
        say(f"{folder} holds a demo that ran to its end; nothing was run again. All of its data are invented.")
        _say_next(finished, say)
        return finished
    from flows.demo_story import tell_story

    started_at = time.perf_counter()
    furnish(folder)
    for line in _WELCOME:
        say(line)
    summary = tell_story(folder, say)
    say(f"The demo took {time.perf_counter() - started_at:.0f} seconds.")
    keep_summary(folder, summary)
    _say_next(summary, say)
    return summary


def _say_next(summary: DemoSummary, say: Say) -> None:
    say("")
    say("What to look at next:")
    for what, command in list_commands(summary, name_program(sys.argv[0])):
        say(f"  # {what}")
        say(f"  {command}")
    say("")
