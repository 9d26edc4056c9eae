"""`[notify]`: tell a command or a web address that a run went wrong. Whatever fails here changes nothing else.

Both may hold `${NAME}`; its value is a secret, and so may be every word of the address, the command, and what
either of them answers. So nothing of them is in any text that leaves this module: only which one failed, and how.
"""

import contextlib
import json
import logging
import os
import shlex
import shutil
import signal
import ssl
import subprocess
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from tasks.errors import SettingsError, TurnrowError
from tasks.loop import Loop
from tasks.resolve_secret import resolve_environment

LOG = logging.getLogger("turnrow.notify")
_COMMAND_SECONDS = 30.0
_WEBHOOK_SECONDS = 10.0
_ENVIRONMENT_NAMES = ("PATH", "HOME", "LANG", "TMPDIR")
_COMMAND = "turnrow.toml, notify.command"
_WEBHOOK = "turnrow.toml, notify.webhook"


def notify(
    loop: Loop,
    document: Mapping[str, Any],
    *,
    command_seconds: float = _COMMAND_SECONDS,
    webhook_seconds: float = _WEBHOOK_SECONDS,
) -> list[str]:
    """Hand a run's document to the command and the web address that are set; return and log what fails."""
    settings = loop.settings.notify
    content = json.dumps(document, default=str, sort_keys=True).encode()
    ways: list[tuple[str, str, Callable[[], None]]] = [
        (_COMMAND, settings.command, lambda: _run_command(loop, settings.command, content, command_seconds)),
        (_WEBHOOK, settings.webhook, lambda: _post(loop, settings.webhook, content, webhook_seconds)),
    ]
    problems = [_try(where, tell) for where, text, tell in ways if text.strip()]
    failed = [problem for problem in problems if problem]
    for problem in failed:
        LOG.warning("%s", problem)
    return failed


def _try(where: str, tell: Callable[[], None]) -> str | None:
    try:
        tell()
    except TurnrowError as error:
        return f"nobody was notified: {error}"
    except Exception as error:  # its text may hold the secret, and a run must not fail by its notice
        return f"nobody was notified: {where}: {type(error).__name__}"
    return None


def check_notify(loop: Loop) -> list[str]:
    """Return what would keep a notice from being sent, as far as it can be told without sending one."""
    problems = []
    for text, look in ((loop.settings.notify.command, _split), (loop.settings.notify.webhook, _read_address)):
        try:
            if text.strip():
                look(loop, text)
        except TurnrowError as error:
            problems.append(str(error))
    return problems


def _run_command(loop: Loop, text: str, content: bytes, seconds: float) -> None:
    """Run the command in the loop folder with few variables; it and what it started are gone afterwards."""
    command = _split(loop, text)
    environment = {name: os.environ[name] for name in _ENVIRONMENT_NAMES if name in os.environ}
    process = subprocess.Popen(
        command,
        cwd=loop.folder,
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        process.communicate(content, timeout=seconds)
    except subprocess.TimeoutExpired:
        raise SettingsError(f"{_COMMAND}: it was ended after {seconds:g} seconds") from None
    finally:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    if process.returncode:
        code = process.returncode
        how = f"was ended by {signal.Signals(-code).name}" if code < 0 else f"ended with exit code {code}"
        raise SettingsError(f"{_COMMAND}: it {how}")


def _split(loop: Loop, text: str) -> list[str]:
    """Return the command's words, each filled in by itself, so that a value with spaces stays one word."""
    try:
        words = [resolve_environment(word, _COMMAND) for word in shlex.split(text)]
    except ValueError:
        raise SettingsError(f"{_COMMAND}: is no command line; check its quotes") from None
    beside = loop.folder.absolute() / words[0]
    found = str(beside) if beside.is_file() and os.access(beside, os.X_OK) else shutil.which(words[0])
    if found is None:
        raise SettingsError(f"{_COMMAND}: is neither on PATH nor an executable file of the loop folder")
    return [found, *words[1:]]


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """What is told goes to the address that was named and to no other; a redirect is an answer like any other."""

    def redirect_request(self, *_: object, **__: object) -> None:
        return None


def _post(loop: Loop, text: str, content: bytes, seconds: float) -> None:
    """Post the document. All of it, the look-up of the name too, has so many seconds; the answer is not read."""
    address = _read_address(loop, text)
    request = urllib.request.Request(  # noqa: S310 - its scheme has been looked at
        address, content, {"Content-Type": "application/json"}, method="POST"
    )
    problems: list[str] = []
    sender = threading.Thread(target=_send, args=(request, _is_loopback(address), seconds, problems), daemon=True)
    sender.start()
    sender.join(seconds)
    if sender.is_alive():
        raise SettingsError(f"{_WEBHOOK}: it did not answer within {seconds:g} seconds")
    if problems:
        raise SettingsError(f"{_WEBHOOK}: {problems[0]}")


def _send(request: urllib.request.Request, is_loopback: bool, seconds: float, problems: list[str]) -> None:
    handlers = [_NoRedirect(), *([urllib.request.ProxyHandler({})] if is_loopback else [])]
    try:
        with urllib.request.build_opener(*handlers).open(request, timeout=2 * seconds):
            pass
    except urllib.error.HTTPError as error:
        error.close()
        problems.append(f"it answered with HTTP status {error.code}")
    except urllib.error.URLError as error:
        cause = error.reason
        if isinstance(cause, ssl.SSLError):
            told = "its certificate is not accepted"  # the error's own text names the host, maybe the secret
        else:
            told = cause.strerror if isinstance(cause, OSError) and cause.strerror else type(cause).__name__
        problems.append(f"it cannot be reached ({told})")
    except Exception as error:  # its text may hold the address
        problems.append(f"it cannot be told ({type(error).__name__})")


def _read_address(_: Loop, text: str) -> str:
    address = resolve_environment(text.strip(), _WEBHOOK)
    try:
        parts = urlsplit(address)
        is_address = parts.scheme in ("http", "https") and bool(parts.hostname)
    except ValueError:
        is_address = False
    if not is_address:
        raise SettingsError(f"{_WEBHOOK}: is no address; write http://... or https://...")
    return address


def _is_loopback(address: str) -> bool:
    host = urlsplit(address).hostname or ""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
