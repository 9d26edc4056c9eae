"""The answer page in a real Chromium, driven by keys as a person's hands would, over its DevTools protocol."""

import itertools
import json
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.settle_fixes import settle_fixes
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from websockets.sync.connection import Connection

    from tests.flows.conftest import AskOrchard, ServePage

ReadRows = Callable[[Loop], list[dict[str, Any]]]

_BROWSERS = ("chromium", "chromium-browser", "google-chrome")
_READY = "document.querySelector('#ask[aria-busy=false]') !== null || document.body.classList.contains('ended')"


class Chromium:
    """A browser of its own profile, and one window in it; `events` are what it told of its own accord."""

    def __init__(self, process: "subprocess.Popen[bytes]", socket: "Connection") -> None:
        self.process = process
        self.socket = socket
        self.events: list[dict[str, Any]] = []
        self._numbers = itertools.count(1)
        self._session: str | None = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")
        self.resize(1280, 720)

    def call(self, method: str, **parameters: object) -> dict[str, Any]:
        number = next(self._numbers)
        session = {"sessionId": self._session} if self._session else {}
        self.socket.send(json.dumps({"id": number, "method": method, "params": parameters, **session}))
        while True:
            message: dict[str, Any] = json.loads(self.socket.recv(timeout=30))
            if message.get("id") != number:
                self.events.append(message)
                continue
            assert "error" not in message, message
            result: dict[str, Any] = message["result"]
            return result

    def resize(self, width: int, height: int) -> None:
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.call("Emulation.setDeviceMetricsOverride", **size)

    def look(self, expression: str) -> Any:
        """Return the value of an expression in the page, as plain JSON has it."""
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def wait_for(self, expression: str) -> None:
        deadline = time.monotonic() + 20
        while not self.look(expression):
            assert time.monotonic() < deadline, (expression, self.look("document.body.innerText"))
            time.sleep(0.01)

    def read(self, name: str) -> str:
        """Return the text that an element shows."""
        text: str = self.look(f"document.getElementById({json.dumps(name)}).innerText")
        return text.strip()

    def open(self, address: str) -> None:
        self.call("Page.navigate", url=address)
        self.wait_for(f"location.href === {json.dumps(address)} && document.readyState === 'complete'")
        self.wait_for(_READY)

    def press(self, key: str, times: int = 1) -> None:
        """Press and let go of a key, so often and so fast as can be."""
        code = (
            f"Digit{key}" if key.isdecimal() else f"Key{key.upper()}" if len(key) == 1 and key.isalpha() else key
        )
        text = {"text": "\r" if key == "Enter" else key} if len(key) == 1 or key == "Enter" else {}
        for _ in range(times):
            self.call("Input.dispatchKeyEvent", type="keyDown", key=key, code=code, **text)
            self.call("Input.dispatchKeyEvent", type="keyUp", key=key, code=code)

    def hold(self, key: str) -> None:
        """Press a key and keep it down, so that it repeats."""
        for repeats in (False, True, True, True):
            down = {"type": "keyDown", "key": key, "code": f"Digit{key}", "text": key, "autoRepeat": repeats}
            self.call("Input.dispatchKeyEvent", **down)
            time.sleep(0.1)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, code=f"Digit{key}")

    def list_complaints(self) -> list[str]:
        """Return what the browser logged: errors of the page, and what its policy refused."""
        told = [event for event in self.events if event["method"] in ("Log.entryAdded", "Runtime.exceptionThrown")]
        return [json.dumps(event["params"]) for event in told]

    def list_requests(self) -> set[str]:
        """Return every address that the page asked for."""
        sent = [event for event in self.events if event["method"] == "Network.requestWillBeSent"]
        return {event["params"]["request"]["url"] for event in sent}


@pytest.fixture
def chromium() -> Iterator[Chromium]:
    """Return a browser; where there is none the test says so, and fails in CI."""
    from websockets.sync.client import connect

    found = next((path for name in _BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        reason = "no Chromium on this machine: install the system's package `chromium`"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    with tempfile.TemporaryDirectory(prefix="turnrow-chromium-", ignore_cleanup_errors=True) as profile:
        process = _start(found, profile)
        try:
            port, path = _read_port(Path(profile) / "DevToolsActivePort", process)
            with connect(f"ws://127.0.0.1:{port}{path}", max_size=None, proxy=None) as socket:
                browser = Chromium(process, socket)
                yield browser
                browser.call("Browser.close")
            process.wait(timeout=20)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, 9)
                process.wait()


def _start(browser: str, profile: str) -> "subprocess.Popen[bytes]":
    command = [
        *(browser, "--headless=new", "--remote-debugging-port=0", f"--user-data-dir={profile}"),
        *("--no-first-run", "--disable-gpu", "--disable-dev-shm-usage", "--no-proxy-server", "--hide-scrollbars"),
        *(["--no-sandbox"] if os.geteuid() == 0 else []),
        "about:blank",
    ]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)


def _read_port(path: Path, process: "subprocess.Popen[bytes]") -> tuple[str, str]:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline and process.poll() is None:
        words = path.read_text().split() if path.exists() else []
        if len(words) == 2:
            return words[0], words[1]
        time.sleep(0.05)
    raise AssertionError("Chromium did not start")


def count_answers(browser: Chromium) -> int:
    return int(browser.read("count").split()[0])


def answer_with_keys(browser: Chromium, until: int) -> None:
    """Answer as fast as the page lets one, each key pressed twice; numbers are typed."""
    while (answered := count_answers(browser)) < until:
        if browser.look("!document.getElementById('number').hidden"):
            for key in "12.5":
                browser.press(key)
            browser.press("Enter", times=2)
        else:
            browser.press(str(1 + answered % 3), times=2)
        browser.wait_for(f"document.getElementById('count').innerText.startsWith('{answered + 1} of')")
        browser.wait_for(_READY)


def test_fifty_samples_with_keys_alone_and_kill_in_the_middle_lose_and_double_nothing(
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: Chromium, read_answer_rows: ReadRows
) -> None:
    """Pictures in tracks, plots, numbers; a held key, each key pressed twice, a key while the page is dead."""
    loop = ask_orchard(obstacles=30, grounds=14, distances=6)
    page = serve_page(loop, "ana")
    chromium.open(page.address)
    began = time.monotonic()
    answer_with_keys(chromium, until=24)
    answers_a_second = 24 / (time.monotonic() - began)
    held = count_answers(chromium)
    if chromium.look("!document.getElementById('number').hidden"):
        answer_with_keys(chromium, until=25)
    else:
        chromium.hold("2")
        chromium.wait_for(_READY)
    assert count_answers(chromium) == held + 1 == 25
    page.kill()
    chromium.press("q")
    chromium.wait_for("!document.getElementById('alarm').hidden")
    assert "Not saved yet" in chromium.read("alarm")
    assert len(read_answer_rows(loop)) == 25

    page = serve_page(loop, "ana")
    chromium.open(page.address)
    assert count_answers(chromium) == 25
    answer_with_keys(chromium, until=50)
    assert chromium.read("question") == "All of this batch is answered."
    assert answers_a_second > 0.5  # one every two seconds is what a person has to be able to do
    code, out, _ = page.end()
    assert (code, "25 answers of ana saved, 0 left" in out) == (0, True)

    fix_ids = [row["fix_id"] for row in read_answer_rows(loop)]
    assert (len(fix_ids), len(set(fix_ids))) == (50, 50)
    for path in sorted((loop.folder / "inbox" / "answers").glob("*.jsonl")):
        assert import_answers(loop, path).refused == ()
    settle_fixes(loop)
    with open_warehouse(loop, write=False) as warehouse:
        counted = warehouse.connection.execute(
            "select (select count(*) from fix_answer), count(*), (select count(*) from open_fix) "
            "from fix_outcome where outcome = 'settled'"
        ).fetchone()
    assert counted == (50, 50, 0)
    assert {"127.0.0.1"} == {url.split("/")[2].split(":")[0] for url in chromium.list_requests() if "//" in url}


def test_keys_for_unsure_unusable_undo_frames_and_more_than_nine_labels(
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: Chromium, read_answer_rows: ReadRows
) -> None:
    fruits = [f"fruit {number}" for number in range(35)]
    settings = f"[attribute.fruit]\nlabels = {json.dumps(fruits)}\n"
    loop = ask_orchard(obstacles=2, grounds=0, more=settings)
    path = loop.folder / "inbox" / "predictions" / "fruit.jsonl"
    rows = [
        {
            "recording_id": f"fruit-{number}",
            "object_id": "f",
            "observed_at": "2026-05-01T09:00:00Z",
            "attribute": "fruit",
            "model_version": "fruit-1",
            "predicted": "fruit 0",
            "confidence": 0.5,
        }
        for number in range(4)
    ]
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    pull_and_ask(loop, path)
    page = serve_page(loop, "ana")
    chromium.open(page.address)
    keys, answers = ["9", "a", "y", "W"], []
    for _ in range(6):
        if "obstacle" in chromium.read("question"):
            assert "frame" in chromium.read("caption")
            before = chromium.look("document.getElementById('picture').src")
            chromium.press("ArrowLeft" if "frame 2 of 2" in chromium.read("caption") else "ArrowRight")
            chromium.wait_for(f"document.getElementById('picture').src !== {json.dumps(before)}")
            key = "q"
        else:
            key = keys.pop(0)
        answered = count_answers(chromium)
        chromium.press(key)
        chromium.wait_for(f"document.getElementById('count').innerText.startsWith('{answered + 1} of')")
        chromium.press("z")
        chromium.wait_for(f"document.getElementById('count').innerText.startsWith('{answered} of')")
        chromium.wait_for(_READY)
        chromium.press("w" if key == "W" else key)
        chromium.wait_for(f"document.getElementById('count').innerText.startsWith('{answered + 1} of')")
        chromium.wait_for(_READY)
        answers.append(key)
    assert chromium.read("question") == "All of this batch is answered."
    given = [row["answer"] for row in read_answer_rows(loop)]
    meant = {"9": "fruit 8", "a": "fruit 9", "y": "fruit 30", "q": "unsure", "W": "unusable"}
    assert given == [answer for key in answers for answer in (meant[key], "", meant[key])]
    assert chromium.list_complaints() == []


def pull_and_ask(loop: Loop, path: Path) -> None:
    from tasks.flag_mispredictions import flag_mispredictions
    from tasks.pull_logs import pull_files
    from tasks.queue_fixes import queue_doubted

    assert pull_files(loop, [path]).files[0].rows_quarantined == 0
    flag_mispredictions(loop)
    queue_doubted(loop)


def test_a_text_of_the_warehouse_is_shown_as_text_and_does_nothing(
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: Chromium
) -> None:
    """In context, name of the recording and guideline; and what someone injects, the page's policy refuses."""
    loop = ask_orchard(obstacles=0, grounds=0)
    evil = "<img src=x onerror=\"document.title='run'\"><script>document.title='run'</script>"
    (loop.folder / "guidelines" / "obstacle.md").write_text(
        f"# {evil}\n\n**{evil}**\n\n- `{evil}`\n", encoding="utf-8"
    )
    row = {
        "recording_id": evil,
        "object_id": "o",
        "observed_at": "2026-05-01T09:00:00Z",
        "attribute": "obstacle",
        "model_version": "m",
        "predicted": "crate",
        "confidence": 0.5,
        "context": {"light": evil, evil: "1"},
        "unit_id": evil,
    }
    path = loop.folder / "inbox" / "predictions" / "evil.jsonl"
    path.write_text(json.dumps(row) + "\n", encoding="utf-8")
    pull_and_ask(loop, path)
    page = serve_page(loop, "<b>ana</b>")
    chromium.open(page.address)
    text = chromium.look("document.body.innerText")
    assert text.count("<img src=x onerror=") == text.count("document.title='run'</script>") == 7
    assert chromium.read("who") == "<b>ana</b>"
    assert chromium.look("document.querySelectorAll('script, #notes img, b b, [onerror]').length") == 1
    assert (chromium.look("document.title"), chromium.list_complaints()) == ("Turnrow: answers", [])

    for code in (
        "document.body.innerHTML = '<b>x</b>'",
        "const made = document.createElement('script'); made.src = 'data:text/javascript,document.title=1'",
        "const image = new Image(); image.src = 'http://127.0.0.1:9/x.png'",
    ):
        chromium.look(f"try {{ {code}; 'done' }} catch (error) {{ error.name }}")
    deadline = time.monotonic() + 5
    while len(blocked := [text for text in chromium.list_complaints() if "has been blocked" in text]) < 3:
        assert time.monotonic() < deadline, blocked
        chromium.look("1")
    assert chromium.look("document.title") == "Turnrow: answers"


def test_the_page_fits_its_screens_and_its_targets_are_large(
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: Chromium
) -> None:
    """At 1280 x 720 and on a tablet every answer is in view, 44 pixels tall (WCAG 2.2, 2.5.5: from memory)."""
    page = serve_page(ask_orchard(obstacles=4, grounds=2), "ana")
    chromium.open(page.address)
    measure = (
        "[...document.querySelectorAll('#ask button:not([hidden])')].filter((b) => b.offsetParent).map((b) => "
        "{ const r = b.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom, r.height]; })"
    )
    for width, height in ((1280, 720), (820, 1180), (1180, 820), (1024, 768)):
        chromium.resize(width, height)
        buttons = chromium.look(measure)
        assert len(buttons) >= 5
        for left, top, right, bottom, tall in buttons:
            assert left >= 0 <= top and right <= width and bottom <= height, (width, height)
            assert tall >= 44
        assert chromium.look("document.documentElement.scrollHeight") <= height
        assert chromium.look("document.documentElement.scrollWidth") <= width
        picture = "(document.getElementById('picture').hidden ? document.getElementById('plot') : "
        seen = chromium.look(f"{picture}document.getElementById('picture')).getBoundingClientRect().height")
        assert seen >= 200, (width, height)
