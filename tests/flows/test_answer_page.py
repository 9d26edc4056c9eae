"""The answer page in a real Chromium, driven by keys as a person's hands would, over its DevTools protocol."""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.settle_fixes import settle_fixes
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from tests.conftest import Chromium
    from tests.flows.conftest import AskOrchard, ServePage

ReadRows = Callable[[Loop], list[dict[str, Any]]]

_READY = "document.querySelector('#ask[aria-busy=false]') !== null || document.body.classList.contains('ended')"


def open_page(browser: "Chromium", address: str) -> None:
    """Open an address, and wait until the page asks its question."""
    browser.open(address)
    browser.wait_for(_READY)


def count_answers(browser: "Chromium") -> int:
    return int(browser.read("count").split()[0])


def answer_with_keys(browser: "Chromium", until: int) -> None:
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
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: "Chromium", read_answer_rows: ReadRows
) -> None:
    """Pictures in tracks, plots, numbers; a held key, each key pressed twice, a key while the page is dead."""
    loop = ask_orchard(obstacles=30, grounds=14, distances=6)
    page = serve_page(loop, "ana")
    open_page(chromium, page.address)
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
    open_page(chromium, page.address)
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
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: "Chromium", read_answer_rows: ReadRows
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
    open_page(chromium, page.address)
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
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: "Chromium"
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
    open_page(chromium, page.address)
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
    ask_orchard: "AskOrchard", serve_page: "ServePage", chromium: "Chromium"
) -> None:
    """At 1280 x 720 and on a tablet every answer is in view, 44 pixels tall (WCAG 2.2, 2.5.5: from memory)."""
    page = serve_page(ask_orchard(obstacles=4, grounds=2), "ana")
    open_page(chromium, page.address)
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
