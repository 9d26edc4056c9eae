"""The answer page's addresses: its files, where the sitting stands, what changes it, and its pictures.

Starlette stands at the top: only `turnrow answer` imports this module. Requests are served one after another by
the event loop, so that a sitting needs no lock: between a check and its line on the disk nothing else runs.
"""

import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from flows.guard_page import Gate, guard
from flows.sitting import Document, Sitting
from schemas.page_files import read_page
from tasks.errors import InputError
from tasks.find_media import read_picture

_BODY_AT_MOST = 10_000
_FILES = {
    "": ("answer.html", "text/html; charset=utf-8"),
    "icon.svg": ("icon.svg", "image/svg+xml"),
    "answer.css": ("answer.css", "text/css; charset=utf-8"),
    "answer.js": ("answer.js", "text/javascript; charset=utf-8"),
}

Change = Callable[[dict[str, Any]], Document]
Endpoint = Callable[[Request], Awaitable[Response]]


def make_page(sitting: Sitting, roots: tuple[Path, ...], gate: Gate) -> ASGIApp:
    """Return the page as an ASGI app that serves one sitting behind its gate."""
    top = f"/{gate.token}"
    routes = [Route(f"{top}/{name}", _serve_file(*file), methods=["GET"]) for name, file in _FILES.items()]
    changes: dict[str, Change] = {
        "answer": lambda body: sitting.save_answer(
            _text(body, "fix_id"), _text(body, "answer"), body.get("seconds")
        ),
        "undo": lambda body: sitting.take_back(_text(body, "fix_id")),
        "opinion": lambda body: sitting.show_opinion(_text(body, "fix_id")),
    }
    routes += [Route(f"{top}/{name}", _serve_change(change), methods=["POST"]) for name, change in changes.items()]
    routes += [
        Route(f"{top}/state", _serve_state(sitting), methods=["GET"]),
        Route(f"{top}/picture/{{number}}", _serve_picture(sitting, roots), methods=["GET"]),
    ]
    return guard(Starlette(routes=routes), gate)


def _serve_file(name: str, media_type: str) -> Endpoint:
    content = read_page(name)

    async def serve(_: Request) -> Response:
        return Response(content, headers={"content-type": media_type})

    return serve


def _serve_state(sitting: Sitting) -> Endpoint:
    async def serve(_: Request) -> Response:
        return JSONResponse(sitting.describe())

    return serve


def _serve_change(change: Change) -> Endpoint:
    async def serve(request: Request) -> Response:
        try:
            return JSONResponse(change(await _read_body(request)))
        except InputError as error:
            return JSONResponse({"error": str(error)}, 409)
        except OSError as error:
            return JSONResponse({"error": f"the disk did not take it ({error.strerror})"}, 507)

    return serve


async def _read_body(request: Request) -> dict[str, Any]:
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        raise InputError("expected JSON")
    content = b""
    async for chunk in request.stream():
        content += chunk
        if len(content) > _BODY_AT_MOST:
            raise InputError(f"more than {_BODY_AT_MOST} bytes")
    try:
        body = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise InputError("expected JSON") from error
    if not isinstance(body, dict):
        raise InputError("expected a JSON object")
    return body


def _text(body: dict[str, Any], name: str) -> str:
    value = body.get(name)
    if not isinstance(value, str):
        raise InputError(f"{name} is missing")
    return value


def _serve_picture(sitting: Sitting, roots: tuple[Path, ...]) -> Endpoint:
    known = {str(number): uri for number, uri in enumerate(sitting.batch.pictures)}

    async def serve(request: Request) -> Response:
        uri = known.get(request.path_params["number"])
        if uri is None:
            return JSONResponse({"error": "no such picture"}, 404)
        try:
            picture = read_picture(uri, roots)
        except InputError as error:
            return JSONResponse({"error": str(error)}, 403)
        return Response(picture.content, media_type=picture.media_type)

    return serve
