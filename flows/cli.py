"""The command line: the only place that prints, and that turns our errors into one line and an exit code."""

import os
import sys
from collections.abc import Callable, Iterable
from io import TextIOWrapper
from pathlib import Path

from flows.answer import Answer, Request
from flows.read_arguments import read_arguments
from flows.stop_signals import StoppedBySignal
from tasks.errors import TurnrowError

_INTERRUPTED = 130  # 128 and the number of the signal, as shells have it


def main(argv: list[str] | None = None) -> int:
    """Run one command and return its exit code.

    0: did its work; 1: could not; 2: wrong usage; 3: it ran, and the answer is no or not yet. An error that
    is not ours keeps its traceback.
    """
    try:
        options = read_arguments(argv)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 2
    folder = Path(options.at or os.environ.get("TURNROW_AT") or ".")
    try:
        return _answer(Request(options, folder, _choose_say(options.json)))
    except TurnrowError as error:
        if options.debug:
            raise
        _print_problem(str(error))
        return error.exit_code
    except StoppedBySignal as stop:
        if options.debug:
            raise
        _print_problem(f"{stop}; what is done is kept, and the same command goes on from there")
        return 128 + stop.number
    except KeyboardInterrupt:
        if options.debug:
            raise
        return _INTERRUPTED


def _answer(request: Request) -> int:
    answer = _find_command(request.options.command)(request)
    for problem in answer.problems:
        _print_problem(problem)
    _print_lines(_show(request, answer))
    return answer.exit_code


def _find_command(name: str) -> Callable[[Request], Answer]:
    from flows.run_reading_commands import READING

    if name in READING:
        return READING[name]
    from flows.run_commands import CHANGING
    from flows.run_flow_commands import FLOWS

    return (CHANGING | FLOWS)[name]


def _show(request: Request, answer: Answer) -> Iterable[str]:
    from flows.print_results import print_json

    if request.options.json:
        return print_json(answer.document)
    from flows.choose_print import PRINTS

    return (line + "\n" for line in PRINTS[request.options.command](answer.document))


def _print_lines(pieces: Iterable[str]) -> None:
    """Write to stdout; a reader that has gone away is no error."""
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        for piece in pieces:
            sys.stdout.write(piece)
        sys.stdout.flush()
    except BrokenPipeError:
        # What is still buffered would raise again when Python exits.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _print_problem(text: str) -> None:
    line = " ".join(part.strip() for part in text.splitlines() if part.strip())
    print(f"turnrow: {line}", file=sys.stderr)


def _choose_say(is_json: bool) -> Callable[[str], None]:
    """Return what shows a line of a long command: on stdout, or on stderr where that is for JSON alone."""

    def say(line: str) -> None:
        if is_json:
            print(line, file=sys.stderr, flush=True)
        else:
            _print_lines([f"{line}\n"])

    return say


if __name__ == "__main__":
    sys.exit(main())
