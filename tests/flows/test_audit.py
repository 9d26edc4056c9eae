"""`audit` and the night: lots are formed, judged and told, and the exit code says whether anything waits."""

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest

from flows.cli import main
from flows.nightly import run_nightly
from tasks.loop import Loop

if TYPE_CHECKING:
    from tests.flows.conftest import Orchard

# A lot of 4 at AQL 10: code letter A, whose sample of 5 is the whole lot; 1 wrong is allowed, 2 refuse
# (MIL-STD-105E, Tables I and II-A: the arrow of letter A points to letter B).
AUDIT = "[audit]\naql = 10.0\nlot_size = 4\n"
ITEMS = "select i.fix_id from audit_item as i anti join audit_verdict using (lot_id) order by 1"

RunAudit = Callable[..., tuple[int, dict[str, Any]]]


@pytest.fixture
def audited(make_orchard: "Callable[[str], Orchard]") -> "Orchard":
    """An orchard whose first night has asked four questions."""
    orchard = make_orchard(AUDIT)
    orchard.put_first_night()
    run_nightly(orchard.loop)
    return orchard


@pytest.fixture
def run_audit(audited: "Orchard", capsys: pytest.CaptureFixture[str]) -> RunAudit:
    """Return a runner of `audit` with further arguments: exit code, document."""

    def run(*more: str) -> tuple[int, dict[str, Any]]:
        capsys.readouterr()
        code = main(["audit", *more, "--at", str(audited.loop.folder), "--json"])
        return code, json.loads(capsys.readouterr().out)

    return run


def answer_audit(orchard: "Orchard", *said: str) -> None:
    """Put a file of bea's answers to the open audit questions into the inbox."""
    items = [row[0] for row in orchard.fetch(ITEMS)]
    assert len(items) == len(said)
    rows = [{"fix_id": item, "annotator": "bea", "answer": text} for item, text in zip(items, said, strict=True)]
    path = orchard.loop.folder / "inbox" / "answers" / "bea.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")


def test_a_night_forms_a_lot_of_what_it_settles_and_another_judges_it(
    audited: "Orchard", run_audit: RunAudit, capsys: pytest.CaptureFixture[str]
) -> None:
    assert audited.answer_all() == 4
    second = run_nightly(audited.loop)
    assert (second.counts["settled"], second.counts["formed_lots"]) == (4, 1)
    told = [str(problem) for problem in second.waiting if problem.step == "audit"]
    assert told == ["audit obstacle, decided by ana: 4 audit questions wait for an answer"]

    code, document = run_audit()
    (source,) = document["sources"]
    (lot,) = source["lots"]
    assert (code, lot["sample_size"], lot["to_answer"], lot["verdict"]) == (3, 4, 4, None)
    assert run_audit() == (code, document)

    answer_audit(audited, "person", "person", "crate", "person")
    third = run_nightly(audited.loop)
    assert (third.counts["passed_lots"], third.counts["asked_anew"]) == (1, 1)
    code, document = run_audit()
    (lot,) = document["sources"][0]["lots"]
    assert (code, lot["wrong_count"], lot["to_answer"], lot["verdict"]) == (0, 1, 0, "passed")
    assert main(["audit", "--at", str(audited.loop.folder)]) == 0
    assert "obstacle, decided by ana: next lot normal, 0 settled fixes in no lot yet" in capsys.readouterr().out


def test_a_failed_lot_is_told_with_exit_code_3_once(audited: "Orchard", run_audit: RunAudit) -> None:
    audited.answer_all()
    run_nightly(audited.loop)
    answer_audit(audited, "crate", "crate", "unusable", "person")
    folder = str(audited.loop.folder)
    assert main(["queue", "import", str(audited.loop.folder / "inbox/answers/bea.jsonl"), "--at", folder]) == 0
    code, document = run_audit()
    assert (code, document["failed"], document["asked_anew"]) == (3, 1, 4)
    code, document = run_audit()
    assert (code, document["failed"], document["sources"][0]["lots"][0]["verdict"]) == (0, 0, "failed")


def test_settle_tells_of_lots_and_close_makes_one_of_what_is_left_over(
    audited: "Orchard", run_audit: RunAudit, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = str(audited.loop.folder)
    fixes = audited.fetch("select fix_id from open_fix order by 1 limit 3")
    path = audited.loop.folder / "three.csv"
    path.write_text("fix_id,annotator,answer\n" + "".join(f"{fix},ana,person\n" for (fix,) in fixes))
    assert main(["queue", "import", str(path), "--at", folder]) == 0
    assert main(["settle", "--at", folder]) == 0
    assert "0 lots formed, 0 passed, 0 failed" in capsys.readouterr().out
    code, document = run_audit()
    assert (code, document["sources"][0]["in_no_lot"]) == (0, 3)
    code, document = run_audit("--close")
    assert (code, document["formed"], document["sources"][0]["lots"][0]["lot_size"]) == (3, 1, 3)


def test_without_audit_there_is_nothing_to_audit(file_loop: Loop, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--at", str(file_loop.folder)]) == 1
    assert "turnrow.toml has no [audit]: lots pass unaudited" in capsys.readouterr().err


@pytest.mark.parametrize("argv", [["--resume", "ana,ben"], ["--by", "lea"], ["--resume", "ana", "--close"]])
def test_a_source_is_resumed_by_a_named_person(argv: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", *argv]) == 2
    assert "--resume" in capsys.readouterr().err
