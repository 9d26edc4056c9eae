"""`answer`: one local page to answer on, until Ctrl-C; an answer is on the disk before it is "saved"."""

import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flows.lay_out_text import make_harmless
from tasks.errors import InputError
from tasks.find_media import find_roots
from tasks.hand_out_fixes import QueueFilter, read_person
from tasks.keep_answers import find_answer_folder, hold_annotator, read_kept
from tasks.loop import Loop
from tasks.take_batch import Batch, take_batch

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from flows.sitting import Sitting

_LOOPBACK = "127.0.0.1"
_BACKLOG = 64
_STOP_SECONDS = 3
_TOKEN_BYTES = 32

Say = Callable[[str], None]


@dataclass(frozen=True)
class AnswerSummary:
    """What a sitting left: how many answers it saved, and how many of the batch's questions have one.

    `files` are those that the next `queue import` or `nightly` takes in, relative to the loop folder.
    """

    annotator: str
    questions: int
    answered: int
    saved: int
    files: tuple[str, ...]


def serve_answers(
    loop: Loop, name: str, which: QueueFilter, *, port: int, opens_browser: bool, say: Say
) -> AnswerSummary:
    """Serve the page for one annotator until Ctrl-C (or at once, where nothing is left to answer).

    Port 0 takes a free one. Raises InputError for a name that is none, a port that is taken, a folder that cannot
    be written, or a page of the same annotator that is open already.
    """
    from flows.answer_page import make_page
    from flows.guard_page import Gate
    from flows.sitting import Sitting

    annotator = read_person(name)
    folder = find_answer_folder(loop)
    with hold_annotator(folder, annotator):
        kept = read_kept(folder, annotator)
        batch = take_batch(loop, annotator, which)
        _tell_unseen(batch, say)
        sitting = Sitting(loop, annotator, batch, folder, kept)
        if sitting.answered_count < len(batch.questions):
            with _listen(port) as listener:
                gate = Gate(f"{_LOOPBACK}:{listener.getsockname()[1]}", secrets.token_urlsafe(_TOKEN_BYTES))
                say(_invite(sitting, gate.address))
                if opens_browser:
                    # beside the server: a browser that runs in the terminal returns only when it is left
                    threading.Thread(target=webbrowser.open, args=(gate.address,), daemon=True).start()
                _run(make_page(sitting, find_roots(loop), gate), listener)
        return _summarise(loop, sitting)


def _tell_unseen(batch: Batch, say: Say) -> None:
    unseen = batch.unseen_pictures
    if unseen:
        pictures = "1 picture is" if len(unseen) == 1 else f"{len(unseen)} pictures are"
        say(f"{pictures} not shown: {make_harmless(unseen[0])}{'; …' if len(unseen) > 1 else ''}")


def _invite(sitting: "Sitting", address: str) -> str:
    left = len(sitting.batch.questions) - sitting.answered_count
    name = make_harmless(sitting.annotator)
    return f"{name}: {left} to answer at {address} (Ctrl-C ends it; each answer is saved as it is given)"


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((_LOOPBACK, port))
        # before the address is told: whoever opens it at once waits a moment, and is not turned away
        listener.listen(_BACKLOG)
    except (OSError, OverflowError) as error:
        listener.close()
        raise InputError(f"port {port}: cannot be used ({error}); choose another, or leave --port out") from error
    return listener


def _run(app: "ASGIApp", listener: socket.socket) -> None:
    """Serve until Ctrl-C; what a request has begun is brought to its end."""
    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        lifespan="off",
        ws="none",
        http="h11",
        loop="asyncio",
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=_STOP_SECONDS,
    )
    try:
        uvicorn.Server(config).run(sockets=[listener])
    except KeyboardInterrupt:
        return  # uvicorn has ended in good order, and raises the signal again for whoever runs it


def _summarise(loop: Loop, sitting: "Sitting") -> AnswerSummary:
    return AnswerSummary(
        sitting.annotator,
        len(sitting.batch.questions),
        sitting.answered_count,
        sitting.saved_count,
        tuple(loop.relate(path) for path in sitting.list_files()),
    )
