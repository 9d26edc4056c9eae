"""What the answer page's server promises over HTTP: answers kept, strangers refused, blindness."""

import json
import resource
import socket
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from flows.cli import main
from tasks.import_answers import import_answers
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.settle_fixes import settle_fixes
from tasks.warehouse import open_warehouse

if TYPE_CHECKING:
    from tests.flows.conftest import AskOrchard, ServedPage, ServePage

ReadRows = Callable[[Loop], list[dict[str, Any]]]

STRICT = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
}


def fetch(loop: Loop, query: str) -> list[tuple[Any, ...]]:
    with open_warehouse(loop, write=False) as warehouse:
        return warehouse.connection.execute(query).fetchall()


def write(loop: Loop, *statements: str) -> None:
    """Run statements that put facts where a command would; `$known_at` is the moment of the write."""

    def insert(known_at: datetime) -> None:
        for statement in statements:
            bound = {"known_at": known_at} if "$known_at" in statement else None
            warehouse.connection.execute(statement, bound)

    with open_warehouse(loop, write=True) as warehouse:
        warehouse.write(insert)


def list_asked(page: "ServedPage") -> list[str]:
    """Answer everything with the first label, and return the fix_ids in the order they were asked."""
    asked = []
    state = page.read_state()
    while state["question"]:
        question = state["question"]
        labels = state_labels(page, question["attribute"])
        status, told = page.change("answer", fix_id=question["fix_id"], answer=labels[0] if labels else "2.5")
        assert status == 200
        asked.append(question["fix_id"])
        state = state | told
    return asked


def state_labels(page: "ServedPage", attribute: str) -> list[str]:
    labels: list[str] = page.read_state()["askings"][attribute]["labels"]
    return labels


def test_an_answer_is_in_the_file_when_the_reply_comes_and_settles_after_the_import(
    ask_orchard: "AskOrchard",
    serve_page: "ServePage",
    read_answer_rows: ReadRows,
    make_any_loop: Callable[..., Loop],
) -> None:
    loop = ask_orchard(obstacles=2, grounds=1, make_loop=make_any_loop)
    page = serve_page(loop, " Zoë ")
    seen = []
    for _ in range(3):
        question = page.read_state()["question"]
        labels = state_labels(page, question["attribute"])
        page.change("answer", fix_id=question["fix_id"], answer=labels[-1], seconds=1.26)
        seen.append(question["fix_id"])
        assert [row["fix_id"] for row in read_answer_rows(loop)] == seen
    state = page.read_state()
    code, out, err = page.end()
    assert (state["question"], state["marks"], code, err) == (None, "111", 0, "")
    assert "3 answers of Zoë saved, 0 left of this batch" in out
    rows = read_answer_rows(loop)
    assert {(row["annotator"], row["seconds"], row["takes_back"]) for row in rows} == {("Zoë", 1.3, False)}
    hashes = {row["guideline_sha256"] for row in rows if row["answer"] == "foliage"}
    assert hashes == {state["askings"]["obstacle"]["guideline_sha256"]} != {None}

    (path,) = (loop.folder / "inbox" / "answers").glob("*.jsonl")
    assert f"turnrow queue import inbox/answers/{path.name}" in out
    assert import_answers(loop, path).refused == ()
    settle_fixes(loop)
    assert fetch(loop, "select count(*) from open_fix") == [(0,)]
    assert fetch(loop, "select distinct decided_by from label_revision where fix_id is not null") == [("Zoë",)]


def test_whoever_is_not_the_page_itself_is_refused_with_the_strict_headers_all_the_same(
    ask_orchard: "AskOrchard", serve_page: "ServePage", read_answer_rows: ReadRows
) -> None:
    loop = ask_orchard()
    page = serve_page(loop, "ana")
    fix_id = page.read_state()["question"]["fix_id"]
    own, token = f"http://127.0.0.1:{page.port}", page.address.split("/")[3]
    body = {"fix_id": fix_id, "answer": "unsure"}
    for host in ("evil.example", f"evil.example:{page.port}", f"localhost:{page.port}", "127.0.0.1", None):
        assert page.request("GET", "state", Host=host)[0] in (400, 403), host
        assert page.request("POST", "answer", body, Host=host)[0] in (400, 403), host
    for origin in ("http://evil.example", "null", f"http://localhost:{page.port}", own.replace("http", "https")):
        assert page.request("POST", "answer", body, Origin=origin)[0] == 403, origin
        assert page.request("GET", "state", Origin=origin)[0] == 403, origin
    refused = [
        page.request("POST", "answer", body, Origin=None),
        page.request("GET", "state", Sec_Fetch_Site="cross-site", Sec_Fetch_Dest="empty"),
        page.request("GET", "picture/0", Sec_Fetch_Site="same-site", Sec_Fetch_Dest="image"),
        page.request("GET", "", Sec_Fetch_Site="cross-site", Sec_Fetch_Dest="iframe"),
        *(
            page.request("GET", path)
            for path in ("/", "/state", "//", f"/{token[:-1]}/", f"/{token}x/state", "/%C3%A9", "*")
        ),
        *(page.request(method, "/answer", body) for method in ("POST", "PUT", "OPTIONS")),
    ]
    assert [status for status, _, _ in refused] == [403] * len(refused)
    for _, headers, content in refused:
        assert headers.items() >= STRICT.items()
        assert token.encode() not in content
    assert read_answer_rows(loop) == []
    assert page.request("GET", "", Sec_Fetch_Site="cross-site", Sec_Fetch_Dest="document")[0] == 200
    assert page.request("POST", "answer", body)[0] == 200


def test_every_reply_forbids_what_the_page_does_not_need(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    page = serve_page(ask_orchard(), "ana")
    replies = {
        name: page.request("GET", name) for name in ("", "answer.css", "answer.js", "state", "picture/0", "no")
    }
    assert [status for status, _, _ in replies.values()] == [200, 200, 200, 200, 200, 404]
    for name, (_, headers, _) in replies.items():
        assert headers.items() >= STRICT.items(), name
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == policy["frame-ancestors"] == policy["form-action"] == "'none'"
        assert {policy[f"{kind}-src"] for kind in ("script", "style", "img", "connect")} == {"'self'"}
        assert "server" not in headers
    html = replies[""][2].decode()
    assert "<style" not in html
    assert " style=" not in html
    assert "onclick" not in html
    assert html.count("<script") == html.count('<script src="answer.js"') == 1
    assert "http" not in html.replace('"http', "")


def test_a_picture_outside_the_roots_has_no_number_and_one_that_moved_there_is_refused(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    loop = ask_orchard(obstacles=4, grounds=0)
    media = loop.folder / "media"
    private = loop.folder / "private.png"
    private.write_bytes((media / "0.png").read_bytes() + b"kept to ourselves")
    (media / "0.png").unlink()
    (media / "0.png").symlink_to(private.absolute())
    (media / "1.png").write_bytes(b"<svg onload='alert(1)'/>")
    page = serve_page(loop, "ana")
    assert "2 pictures are not shown" in "".join(page.told)
    state = page.read_state()
    assert state["question"] is not None
    served = [page.request("GET", f"picture/{number}") for number in range(5)]
    assert [status for status, _, _ in served] == [200, 200, 404, 404, 404]
    assert {headers["content-type"] for _, headers, _ in served[:2]} == {"image/png"}
    for path in ("picture/-1", "picture/../../turnrow.toml", "picture/%2e%2e/%2e%2e/turnrow.toml", "media/2.png"):
        status, _, content = page.request("GET", path)
        assert status in (403, 404), path
        assert b"attribute" not in content
    (media / "2.png").unlink()
    (media / "2.png").symlink_to(private.absolute())
    after = [page.request("GET", f"picture/{number}") for number in range(2)]
    assert sorted(status for status, _, _ in after) == [200, 403]
    assert all(b"kept to ourselves" not in content for _, _, content in (*served, *after))


def test_a_request_that_is_sent_again_writes_nothing_and_another_answer_is_refused(
    ask_orchard: "AskOrchard", serve_page: "ServePage", read_answer_rows: ReadRows
) -> None:
    loop = ask_orchard(obstacles=2, grounds=0)
    page = serve_page(loop, "ana")
    fix_id = page.read_state()["question"]["fix_id"]
    first = page.change("answer", fix_id=fix_id, answer="crate")
    assert page.change("answer", fix_id=fix_id, answer="crate") == first
    status, told = page.change("answer", fix_id=fix_id, answer="person")
    assert (status, told["error"]) == (409, "answered before, with crate; take that back first")
    assert len(read_answer_rows(loop)) == 1

    for _ in range(2):
        status, told = page.change("undo", fix_id=fix_id)
        assert (status, told["question"]["fix_id"], told["last"]) == (200, fix_id, None)
    assert [row["takes_back"] for row in read_answer_rows(loop)] == [False, True]
    page.change("answer", fix_id=fix_id, answer="person")
    assert [row["answer"] for row in read_answer_rows(loop)] == ["crate", "", "person"]
    _, out, _ = page.end()
    assert "1 answer of ana saved, 1 left of this batch" in out

    summary = import_answers(loop, next((loop.folder / "inbox" / "answers").glob("*.jsonl")))
    assert summary.refused == ()
    assert fetch(loop, "select fix_id, answer, saw_prediction from fix_answer") == [(fix_id, "person", True)]


BAD_BODIES: list[tuple[Any, str]] = [
    ({"fix_id": "0" * 32, "answer": "person"}, "not in this batch"),
    ({"fix_id": "FIX", "answer": "tractor"}, "is not one of person, animal, crate, ladder, foliage, unsure"),
    ({"fix_id": "FIX", "answer": ""}, "is not one of"),
    ({"fix_id": "FIX"}, "answer is missing"),
    ({"fix_id": ["FIX"], "answer": "person"}, "fix_id is missing"),
    (b"{", "expected JSON"),
    (b"\xff\xfe", "expected JSON"),
    (b"[" * 5_000, "expected JSON"),
    (b"[]", "expected a JSON object"),
    (b'{"a": "' + b"x" * 20_000 + b'"}', "more than 10000 bytes"),
]


def test_bad_input_is_refused_in_words_and_leaves_nothing(
    ask_orchard: "AskOrchard", serve_page: "ServePage", read_answer_rows: ReadRows
) -> None:
    loop = ask_orchard(obstacles=1, grounds=0, distances=1)
    page = serve_page(loop, "ana")
    asked = dict(fetch(loop, "select attribute, fix_id from label_fix"))
    fix_id, number_id = asked["obstacle"], asked["distance"]
    for text in ("inf", "nan", "1e999", "2,5", "1_0", "٢", "person", "", "0x10", "1 2"):
        status, told = page.change("answer", fix_id=number_id, answer=text)
        assert (status, "is not a number, as in 2.5" in told["error"]) == (409, True), text
    for body, why in BAD_BODIES:
        if isinstance(body, dict):
            body = {name: fix_id if value == "FIX" else value for name, value in body.items()}
        status, _, content = page.request("POST", "answer", body)
        assert (status, why in json.loads(content)["error"]) == (409, True), content
    good = {"fix_id": fix_id, "answer": "person"}
    assert page.request("POST", "answer", good, Content_Type="text/plain")[0] == 409
    no_seconds: list[object] = ["1", -1, True, 1e9, [], None]
    for seconds in no_seconds:
        assert page.change("undo", fix_id=fix_id)[0] == 200
        assert page.change("answer", **good, seconds=seconds)[0] == 200
    rows = [row for row in read_answer_rows(loop) if not row["takes_back"]]
    assert [row["seconds"] for row in rows] == [None] * 6
    assert page.change("answer", fix_id=number_id, answer=" -2.50 ")[0] == 200
    assert read_answer_rows(loop)[-1]["answer"] == "-2.50"


def test_a_full_disk_is_told_and_what_was_saved_stays(
    ask_orchard: "AskOrchard", serve_page: "ServePage", read_answer_rows: ReadRows
) -> None:
    loop = ask_orchard(obstacles=4, grounds=0)
    page = serve_page(loop, "ana")
    state = page.read_state()
    page.change("answer", fix_id=state["question"]["fix_id"], answer="person")
    (path,) = (loop.folder / "inbox" / "answers").glob("*.jsonl")
    limit = path.stat().st_size + 30
    resource.prlimit(page.process.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    second = page.read_state()["question"]["fix_id"]
    status, told = page.change("answer", fix_id=second, answer="crate")
    assert (status, told["error"].startswith("the disk did not take it")) == (507, True)
    assert page.read_state()["question"]["fix_id"] == second
    resource.prlimit(page.process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
    assert page.change("answer", fix_id=second, answer="crate")[0] == 200
    assert [row["answer"] for row in read_answer_rows(loop)] == ["person", "crate"]


def test_after_kill_it_goes_on_where_the_person_was_and_an_older_answer_can_still_be_taken_back(
    ask_orchard: "AskOrchard", serve_page: "ServePage", read_answer_rows: ReadRows
) -> None:
    loop = ask_orchard(obstacles=4, grounds=2)
    page = serve_page(loop, "ana")
    first = page.read_state()["question"]["fix_id"]
    page.change("answer", fix_id=first, answer="unsure")
    page.change("answer", fix_id=page.read_state()["question"]["fix_id"], answer="unusable")
    page.kill()
    (path,) = (loop.folder / "inbox" / "answers").glob("*.jsonl")
    with path.open("ab") as file:
        file.write(b'{"fix_id": "torn')

    page = serve_page(loop, "ana")
    state = page.read_state()
    assert (state["marks"], state["last"]["answer"]) == ("110000", "unusable")
    page.change("undo", fix_id=state["last"]["fix_id"])
    asked = list_asked(page)
    assert len(asked) == 5
    _, out, _ = page.end()
    assert "5 answers of ana saved, 0 left" in out
    files = sorted((loop.folder / "inbox" / "answers").glob("*.jsonl"))
    assert len(files) == 2
    for written in reversed(files):
        assert import_answers(loop, written).refused == ()
    answers = fetch(loop, "select fix_id, count(*) from fix_answer group by fix_id")
    assert sorted(answers) == sorted((fix_id, 1) for fix_id in (first, *asked))
    settle_fixes(loop)
    assert fetch(loop, "select fix_id from open_fix") == [(first,)]


def test_a_person_has_one_page_at_a_time_and_two_people_do_not_get_the_same_questions(
    ask_orchard: "AskOrchard", serve_page: "ServePage", capsys: pytest.CaptureFixture[str]
) -> None:
    loop = ask_orchard(obstacles=4, grounds=0)
    ana = serve_page(loop, "ana", "--at-most", "2")
    assert main(["answer", "--annotator", "ana", "--no-browser", "--at", str(loop.folder)]) == 1
    captured = capsys.readouterr()
    assert f"ana: a page is open already (by process {ana.process.pid})" in captured.err
    assert captured.err.count("\n") == 1
    bob = serve_page(loop, "bob")
    assert not {*list_asked(ana)} & {*list_asked(bob)}


def test_with_nothing_to_answer_it_ends_at_once_and_says_so(
    ask_orchard: "AskOrchard", capsys: pytest.CaptureFixture[str]
) -> None:
    loop = ask_orchard(obstacles=1, grounds=0)
    command = ["answer", "--annotator", "ana", "--no-browser", "--at", str(loop.folder)]
    assert main([*command, "--attribute", "ground"]) == 0
    assert "nothing to answer for ana" in capsys.readouterr().out
    assert main([*command, "--attribute", "ground", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "annotator": "ana",
        "questions": 0,
        "answered": 0,
        "saved": 0,
        "files": [],
    }
    assert main([*command, "--attribute", "grond"]) == 1
    assert "no attribute grond" in capsys.readouterr().err
    assert main(["answer", "--annotator", "a,b", "--at", str(loop.folder)]) == 1
    assert "annotator 'a,b'" in capsys.readouterr().err


def test_a_port_that_is_taken_is_named(ask_orchard: "AskOrchard", capsys: pytest.CaptureFixture[str]) -> None:
    loop = ask_orchard(obstacles=1, grounds=0)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        assert main(["answer", "--annotator", "ana", "--port", port, "--at", str(loop.folder)]) == 1
    assert f"port {port}: cannot be used" in capsys.readouterr().err
    for bad in ("65536", "-1", "x"):
        assert main(["answer", "--annotator", "ana", f"--port={bad}", "--at", str(loop.folder)]) == 2


def list_open_files(process_id: int) -> list[str]:
    names = []
    for path in Path(f"/proc/{process_id}/fd").iterdir():
        with suppress(FileNotFoundError):  # closed since it was listed
            names.append(str(path.readlink()))
    return names


def test_while_a_person_thinks_it_listens_to_this_machine_alone_and_holds_no_warehouse(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    loop = ask_orchard(obstacles=2, grounds=0)
    page = serve_page(loop, "ana")
    rows = [
        line.split() for name in ("tcp", "tcp6") for line in Path(f"/proc/net/{name}").read_text().splitlines()
    ]
    listening = {row[1] for row in rows if row[3] == "0A" and row[1].endswith(f":{page.port:04X}")}
    assert listening == {f"0100007F:{page.port:04X}"}

    names = list_open_files(page.process.pid)
    assert names
    assert not [name for name in names if name.endswith((".duckdb", ".duckdb.lock", ".wal"))]
    write(loop, "update warehouse_clock set known_at = $known_at")
    assert page.read_state()["marks"] == "00"


# Blindness, in the bytes of every reply.


def confidence_of(loop: Loop) -> dict[str, bytes]:
    """Return for every open question the digits of its prediction's confidence, which stand nowhere else."""
    rows = fetch(
        loop,
        "select q.fix_id, p.confidence from open_question as q join current_prediction as p using (sample_id)",
    )
    return {fix_id: f"{confidence:.6f}".encode() for fix_id, confidence in rows}


def test_no_byte_tells_what_the_model_said_before_the_answer_and_after_it_only_of_that_one(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    loop = ask_orchard(obstacles=6, grounds=3)
    secrets = confidence_of(loop)
    page = serve_page(loop, "ana")
    before = [page.request("GET", name) for name in ("", "answer.js", "answer.css", "state", "state")]
    before += [page.request("GET", f"picture/{number}") for number in range(6)]
    for status, headers, content in before:
        assert status == 200
        told = content + repr(headers).encode()
        assert not [secret for secret in secrets.values() if secret in told]
    status, refused = page.change("opinion", fix_id=next(iter(secrets)))
    assert (status, "show_prediction is false" in refused["error"]) == (409, True)
    while (question := page.read_state()["question"]) is not None:
        body = {"fix_id": question["fix_id"], "answer": "unsure"}
        _, _, content = page.request("POST", "answer", body)
        shown = [fix_id for fix_id, secret in secrets.items() if secret in content]
        assert shown == [question["fix_id"]]
        state = page.request("GET", "state")[2]
        assert not [secret for secret in secrets.values() if secret in state]


def test_what_the_model_said_of_hold_outs_and_the_watch_is_never_told(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    """Neither on a key press nor after the answer, whatever makes a question one of those."""
    loop = ask_orchard(obstacles=8, grounds=4, head="[answers]\nshow_prediction = true\n")
    secrets = confidence_of(loop)
    query = "select fix_id from label_fix where attribute = '{}' order by fix_id"
    drawn, watched, wanted, free = (row[0] for row in fetch(loop, query.format("ground")))
    write(
        loop,
        f"update label_fix set reason = 'holdout' where fix_id = '{drawn}'",
        f"update label_fix set reason = 'watch' where fix_id = '{watched}'",
        f"insert into fix_request values ('{wanted}', null, 'holdout', null, null, $known_at)",
        "insert into holdout_reserved values ('obstacle', 'run-1', 'overall:obstacle', $known_at)",
    )
    reserved = fetch(
        loop, "select fix_id from label_fix join sample using (sample_id) where recording_id = 'run-1'"
    )
    kept = {drawn, watched, wanted, *(row[0] for row in reserved)}
    assert (len(kept), len(secrets)) == (5, 12)
    page = serve_page(loop, "ana")
    told = {}
    for fix_id in secrets:
        peek = page.request("POST", "opinion", {"fix_id": fix_id})
        after = page.request("POST", "answer", {"fix_id": fix_id, "answer": "unsure"})
        assert (peek[0], after[0]) == (200, 200)
        told[fix_id] = b"".join([peek[2], after[2], page.request("GET", "state")[2]])
    assert {fix_id for fix_id, content in told.items() if secrets[fix_id] not in content} == kept
    everything = b"".join(told.values())
    assert not [fix_id for fix_id in kept if secrets[fix_id] in everything]
    assert free in told


def test_nothing_tells_known_items_and_audits_from_what_is_really_asked(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    """Same keys and values of the same kind; silence after the answer, and as much of it after other answers."""
    loop = ask_orchard(obstacles=40, grounds=0, head="[answers]\nknown_item_share = 0.2\n")
    put_settled(loop, 20)
    audited = fetch(loop, "select min(fix_id) from label_fix")[0][0]
    write(
        loop,
        "insert into audit_lot by name select 'lot' as lot_id, 'obstacle' as attribute, 'bob' as source, "
        "1 as lot_number, 1.0 as aql, 'II' as level, 'normal' as inspection, 2 as lot_size, 1 as sample_size, "
        "0 as accept_at_most, 1 as reject_from, $known_at as known_at",
        "insert into audit_item by name "
        "select 'lot' as lot_id, fix_id, 'other' as audited_fix_id, sample_id, attempt, known_at "
        f"from label_fix where fix_id = '{audited}'",
        f"delete from label_fix where fix_id = '{audited}'",
    )
    page = serve_page(loop, "ana", "--at-most", "50")
    secrets = confidence_of(loop)
    known = {row[0] for row in fetch(loop, "select fix_id from known_item")}
    assert len(known) == 10
    shapes, silent = {}, set()
    while (question := page.read_state()["question"]) is not None:
        fix_id = question["fix_id"]
        _, headers, content = page.request("POST", "answer", {"fix_id": fix_id, "answer": "person"})
        told = json.loads(content)
        spelled = {name: type(value).__name__ for name, value in question.items()}
        shapes[fix_id] = json.dumps([spelled, sorted(told), sorted(headers)])
        assert (secrets[fix_id] in content) == (told["opinion"] is not None)
        if told["opinion"] is None:
            silent.add(fix_id)
    assert {audited, *known} <= silent < set(shapes)
    assert len(set(shapes.values())) == 1
    assert 10 <= len(silent - {audited, *known}) <= 29  # of 39: a half, drawn by a hash


def put_settled(loop: Loop, count: int) -> None:
    """Pull labelled pictures that no rule doubts: what known items are taken from."""
    rows = [
        {
            "recording_id": f"done-{number}",
            "object_id": "o1",
            "observed_at": f"2026-04-01T06:{number:02}:00Z",
            "attribute": "obstacle",
            "model_version": "obstacle-1",
            "predicted": "crate",
            "confidence": (953_771 + number * 10) / 1_000_000,
            "features": [1.0, number / 7],
            "context": {"light": "dusk"},
            "media_uri": f"media/{number}.png",
            "reference_label": "crate",
            "reference_origin": "person",
        }
        for number in range(count)
    ]
    path = loop.folder / "inbox" / "predictions" / "done.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    assert pull_files(loop, [path]).files[0].rows_quarantined == 0


def test_an_opinion_that_was_asked_for_is_recorded_even_if_the_page_is_killed_before_the_answer(
    ask_orchard: "AskOrchard", serve_page: "ServePage", read_answer_rows: ReadRows
) -> None:
    loop = ask_orchard(obstacles=2, grounds=0, head="[answers]\nshow_prediction = true\n")
    page = serve_page(loop, "ana")
    first = page.read_state()["question"]["fix_id"]
    status, told = page.change("opinion", fix_id=first)
    assert (status, told["opinion"]["predicted"]) == (200, "crate")
    page.kill()
    page = serve_page(loop, "ana")
    assert len(list_asked(page)) == 2
    seen = {row["fix_id"]: row["saw_prediction"] for row in read_answer_rows(loop)}
    assert seen == {fix_id: fix_id == first for fix_id in seen}
    assert len(seen) == 2


def test_the_nearest_settled_samples_are_told_after_the_answer_and_none_of_a_reserved_group(
    ask_orchard: "AskOrchard", serve_page: "ServePage"
) -> None:
    loop = ask_orchard(obstacles=6, grounds=0)
    write(
        loop,
        "insert into label_revision by name "
        "select 'rev' || sample_id as revision_id, sample_id, 'obstacle' as attribute, observed_at, "
        "case recording_id when 'run-1' then 'ladder' else 'animal' end as label, 'person' as origin, "
        "$known_at as known_at from sample where recording_id <> 'run-0'",
        "insert into holdout_reserved values ('obstacle', 'run-2', 'overall:obstacle', $known_at)",
    )
    page = serve_page(loop, "ana")
    own = {row[0] for row in fetch(loop, "select fix_id from label_fix join sample using (sample_id) "
                                         "where recording_id = 'run-0'")}  # fmt: skip
    for fix_id in own:
        _, told = page.change("answer", fix_id=fix_id, answer="person")
        assert [each["label"] for each in told["opinion"]["neighbours"]] == ["ladder", "ladder"]
        likeness = [each["likeness"] for each in told["opinion"]["neighbours"]]
        assert likeness == sorted(likeness, reverse=True)
        assert all(0 < value <= 1 for value in likeness)
