"""Who may talk to the answer page: the browser that was given its address, and nothing else on this machine.

Starlette stands at the top: only `turnrow answer` imports this module.
"""

import hmac
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Nothing but the page's own files runs, shows or is fetched; nothing frames it, and no text can become markup.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


@dataclass(frozen=True)
class Gate:
    """The page's host, as in `127.0.0.1:8000`, and the token that its address holds."""

    host: str
    token: str

    @property
    def origin(self) -> str:
        """The origin of the page's own requests."""
        return f"http://{self.host}"

    @property
    def address(self) -> str:
        """The address to open."""
        return f"{self.origin}/{self.token}/"


def guard(app: ASGIApp, gate: Gate) -> ASGIApp:
    """Return the app behind its gate: what may not come in gets a 403, and every reply its strict headers.

    The host must be the page's own, or a name of somebody else's that points here could ask (DNS rebinding); an
    origin, where one is named, its own, and it must be named by whoever changes something.
    """

    async def guarded(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        reason = _find_reason(scope, gate)
        inner = app if reason is None else PlainTextResponse(f"{reason}\n", 403)
        await inner(scope, receive, _add_headers(send, _HEADERS))

    return guarded


def _find_reason(scope: Scope, gate: Gate) -> str | None:
    """Return why a request is refused, or None."""
    headers = Headers(scope=scope)
    if headers.getlist("host") != [gate.host]:
        return "refused: this page answers to its own host name only"
    origins = headers.getlist("origin")
    is_reading = scope["method"] in ("GET", "HEAD")
    if origins != [gate.origin] and (origins or not is_reading):
        return "refused: asked from another page"
    token = scope["path"].removeprefix("/").partition("/")[0].encode()
    if not hmac.compare_digest(token, gate.token.encode()):
        return "refused: open the address that `turnrow answer` printed"
    if not _is_own(headers, is_page=scope["path"] == f"/{gate.token}/"):
        return "refused: asked from another page"
    return None


def _is_own(headers: Mapping[str, str], *, is_page: bool) -> bool:
    """Tell whether the browser says that the page itself asks; the page may also be come to by a link."""
    site = headers.get("sec-fetch-site", "same-origin")
    if is_page and headers.get("sec-fetch-dest") == "document":
        return True
    return site in ("same-origin", "none")


def _add_headers(send: Send, wanted: Mapping[str, str]) -> Send:
    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in wanted.items():
                headers[name] = value
        await send(message)

    return send_with_headers
