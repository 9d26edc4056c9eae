"""Two people never do the same work, nobody judges themselves, and a known item looks like any question."""

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tasks.errors import InputError, UnknownNameError
from tasks.export_fixes import ExportSummary, export_fixes
from tasks.hand_out_fixes import Lease, QueueFilter, hand_out
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.settle_fixes import settle_fixes

if TYPE_CHECKING:
    from tests.conftest import MakeLoop
    from tests.tasks.conftest import Answer, InsertRows, MakeId, ReadRows, Row, WriteRows

NOON = datetime(2030, 5, 1, 12, tzinfo=UTC)
EVERYTHING = QueueFilter()
LEASES = "select holder, count(*), min(epoch_us(leased_until)) from fix_lease group by holder order by holder"


def at(loop: Loop, **later: int) -> Loop:
    """The same loop so much after noon."""
    moment = NOON + timedelta(**later)
    return replace(loop, clock=lambda: moment)


def configure(loop: Loop, text: str) -> Loop:
    path = loop.folder / "turnrow.toml"
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")
    return replace(loop, settings=read_settings(loop.folder))


def take(loop: Loop, annotator: str | None, which: QueueFilter = EVERYTHING, **more: Any) -> list["Row"]:
    """Hand out and return the chosen questions, by fix_id."""
    with hand_out(loop, which, annotator=annotator, **more) as handed:
        cursor = handed.warehouse.connection.execute("select * from chosen_fix order by fix_id")
        names = [column[0] for column in cursor.description or []]
        rows = [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
    assert handed.questions == len(rows)
    return rows


def take_ids(loop: Loop, annotator: str | None, which: QueueFilter = EVERYTHING, **more: Any) -> set[str]:
    return {row["fix_id"] for row in take(loop, annotator, which, **more)}


class Asking:
    """Puts questions into a loop; the first of them is the most urgent."""

    def __init__(self, predict: "WriteRows", insert: "InsertRows", make_id: "MakeId") -> None:
        self.predict, self.insert, self.make_id = predict, insert, make_id

    def put(self, loop: Loop, count: int, prefix: str = "q", **fix: Any) -> list[str]:
        samples = self.predict(loop, [{"object_id": f"{prefix}{n}"} for n in range(count)])
        return self.ask(loop, samples, **fix)

    def ask(self, loop: Loop, samples: Sequence[str], attempt: int = 1, **fix: Any) -> list[str]:
        whole = {"attribute": "obstacle", "reason": "flagged", "attempt": attempt} | fix
        rows = [
            {"fix_id": self.make_id(sample, attempt), "sample_id": sample, "priority": 10.0 - n / 1000, **whole}
            for n, sample in enumerate(samples)
        ]
        self.insert(loop, "label_fix", rows)
        return [str(row["fix_id"]) for row in rows]


@pytest.fixture
def asking(write_predictions: "WriteRows", insert_rows: "InsertRows", make_id: "MakeId") -> Asking:
    return Asking(write_predictions, insert_rows, make_id)


def test_a_question_goes_to_as_many_people_as_it_wants_answers(file_loop: Loop, asking: Asking) -> None:
    """Two answers are needed: two people get all of it, a third one nothing, and what is new goes to all."""
    loop = at(file_loop)
    fixes = set(asking.put(loop, 3))
    assert take_ids(loop, "ada") == take_ids(loop, "ben") == fixes
    assert take_ids(loop, "cyd") == set()
    new = set(asking.put(loop, 1, "new"))
    assert take_ids(loop, "cyd") == new


def test_the_same_person_gets_the_same_again_for_longer(
    file_loop: Loop, asking: Asking, read_rows: "ReadRows"
) -> None:
    fixes = asking.put(file_loop, 5)
    first = take_ids(at(file_loop), "ada", QueueFilter(at_most=2))
    assert first == set(fixes[:2])
    asking.put(file_loop, 1, "urgent", priority=99.0)
    assert take_ids(at(file_loop, hours=7), " ada ", QueueFilter(at_most=2)) == first
    ((holder, count, until),) = read_rows(file_loop, LEASES)
    assert (holder, count) == ("ada", 2)
    assert until >= int((NOON + timedelta(hours=15)).timestamp()) * 1_000_000


def test_an_expired_lease_is_taken_over(file_loop: Loop, asking: Asking, read_rows: "ReadRows") -> None:
    fixes = set(asking.put(file_loop, 2))
    for name in ("ada", "ben"):
        take_ids(at(file_loop), name)
    assert take_ids(at(file_loop, hours=7, minutes=59), "cyd") == set()
    assert take_ids(at(file_loop, hours=8, seconds=1), "cyd") == fixes
    assert [row[0] for row in read_rows(file_loop, LEASES)] == ["cyd"]


def test_lease_minutes_is_what_the_settings_say(file_loop: Loop, asking: Asking) -> None:
    loop = configure(file_loop, "\n[queue]\nlease_minutes = 5\n")
    asking.put(loop, 1)
    take_ids(at(loop), "ada")
    take_ids(at(loop), "ben")
    assert len(take_ids(at(loop, minutes=6), "cyd")) == 1


def test_an_answer_ends_a_lease_and_takes_a_slot(
    file_loop: Loop, asking: Asking, answer: "Answer", read_rows: "ReadRows"
) -> None:
    """One answer is in, one person has the question: nothing is left for a third until that lease is over."""
    (fix_id,) = asking.put(file_loop, 1)
    for name in ("ada", "ben"):
        take_ids(at(file_loop), name)
    answer(file_loop, [(fix_id, "ada", "person")])
    assert [row[0] for row in read_rows(file_loop, LEASES)] == ["ben"]
    assert take_ids(at(file_loop), "ada") == set(), "nobody is asked what they have answered"
    assert take_ids(at(file_loop), "cyd") == set()
    assert take_ids(at(file_loop, hours=9), "cyd") == {fix_id}


def test_an_unsure_answer_leaves_its_slot_to_others(file_loop: Loop, asking: Asking, answer: "Answer") -> None:
    (fix_id,) = asking.put(file_loop, 1)
    answer(file_loop, [(fix_id, "ada", "unsure"), (fix_id, "ben", "person"), (fix_id, "cyd", "crate")])
    assert take_ids(at(file_loop), "dan") == {fix_id}, "an open question wants at least one more"
    assert take_ids(at(file_loop), "eve") == set()


def test_without_a_name_all_that_is_free_goes_out_and_nothing_is_leased(
    file_loop: Loop, asking: Asking, read_rows: "ReadRows", tmp_path: Path
) -> None:
    fixes = asking.put(file_loop, 3)
    for name in ("ada", "ben"):
        take_ids(at(file_loop), name, QueueFilter(at_most=1))
    before = read_rows(file_loop, "select * from fix_lease order by all")
    done = export_fixes(at(file_loop), tmp_path / "o.jsonl", EVERYTHING, is_open=False)
    until = [lease.until for lease in done.held_by_others]
    assert done == ExportSummary(2, None, (Lease("ada", 1, until[0]), Lease("ben", 1, until[1])))
    assert all(timedelta(0) <= moment - NOON - timedelta(hours=8) < timedelta(minutes=1) for moment in until)
    written = [json.loads(line)["fix_id"] for line in (tmp_path / "o.jsonl").read_text().splitlines()]
    assert written == sorted(fixes[1:])
    assert read_rows(file_loop, "select * from fix_lease order by all") == before


def test_a_file_that_cannot_be_written_leases_nothing(
    file_loop: Loop, asking: Asking, read_rows: "ReadRows", tmp_path: Path
) -> None:
    asking.put(file_loop, 1)
    with pytest.raises(InputError, match="suffix says the format"):
        export_fixes(file_loop, tmp_path / "o.xlsx", EVERYTHING, is_open=False, annotator="ada")
    assert read_rows(file_loop, "select * from fix_lease") == []


@pytest.mark.parametrize("name", ["", "  ", "ada,ben", "a\nb", "a" * 201])
def test_a_name_that_no_answer_could_have_is_refused(file_loop: Loop, name: str) -> None:
    with pytest.raises(InputError, match="a name has 1 to 200 characters"):
        take_ids(file_loop, name)
    with pytest.raises(UnknownNameError, match="no attribute nothing"):
        take_ids(file_loop, "ada", QueueFilter(attribute="nothing"))


def test_whoever_decided_in_a_lot_that_failed_is_not_asked_again(
    file_loop: Loop, asking: Asking, answer: "Answer", insert_rows: "InsertRows", make_id: "MakeId"
) -> None:
    (sample,) = asking.predict(file_loop, [{}])
    (fix_id,) = asking.ask(file_loop, [sample])
    answer(file_loop, [(fix_id, who, "person") for who in ("ada", "ben")])
    settle_fixes(file_loop)
    insert_rows(file_loop, "fix_outcome", [{"fix_id": fix_id, "outcome": "lot_failed"}])
    again = set(asking.ask(file_loop, [sample], attempt=2))
    assert [take_ids(at(file_loop), who) for who in ("ada", "ben", "cyd")] == [set(), set(), again]
    assert take_ids(at(file_loop), None) == again


def test_an_audit_goes_once_to_somebody_who_did_not_decide(
    file_loop: Loop, asking: Asking, answer: "Answer", insert_rows: "InsertRows", make_id: "MakeId"
) -> None:
    (sample,) = asking.predict(file_loop, [{}])
    (fix_id,) = asking.ask(file_loop, [sample])
    answer(file_loop, [(fix_id, who, "person") for who in ("ada", "ben")])
    settle_fixes(file_loop)
    audit = make_id(sample, 2)
    put_audit(file_loop, insert_rows, audit, fix_id, sample)
    urgent, *_ = asking.put(file_loop, 2, "hold", reason="holdout", priority=100.0)
    later, *_ = asking.put(file_loop, 2, "later")
    assert take_ids(at(file_loop), "ada", QueueFilter(at_most=9)) >= {urgent, later}
    assert audit not in take_ids(at(file_loop), "ada")
    (row,) = [row for row in take(at(file_loop), "cyd") if row["fix_id"] == audit]
    assert (row["kind"], row["sample_id"], row["attempt"]) == ("audit", sample, 2)
    assert audit not in take_ids(at(file_loop), "dan"), "one answer is enough"
    assert audit not in take_ids(at(file_loop, hours=9), "dan", is_blind=False)
    assert audit in take_ids(at(file_loop, hours=9), "eve", QueueFilter(at_most=3)), "before what is flagged"
    insert_rows(file_loop, "audit_verdict", [{"lot_id": "lot", "verdict": "passed", "wrong_count": 0}])
    assert audit not in take_ids(at(file_loop, hours=18), "fay")


def test_where_there_are_deciders_an_audit_is_theirs(
    file_loop: Loop, asking: Asking, answer: "Answer", insert_rows: "InsertRows", make_id: "MakeId"
) -> None:
    """Unless they decided the fix themselves; an `unsure` or somebody else's answer leaves it open."""
    path = file_loop.folder / "turnrow.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("answers_needed = 2", 'answers_needed = 2\ndeciders = ["dora", "dirk"]', 1))
    loop = at(replace(file_loop, settings=read_settings(file_loop.folder)))
    (sample,) = asking.predict(loop, [{}])
    (fix_id,) = asking.ask(loop, [sample])
    answer(loop, [(fix_id, who, "person") for who in ("ada", "dora")])
    settle_fixes(loop)
    audit = make_id(sample, 2)
    put_audit(loop, insert_rows, audit, fix_id, sample)
    assert [take_ids(loop, who) for who in ("ada", "dora", "cyd", "dirk")] == [set(), set(), set(), {audit}]
    answer(loop, [(audit, "cyd", "crate"), (audit, "dirk", "unsure")])
    assert take_ids(loop, None) == {audit}
    answer(loop, [(audit, "dirk", "unsure")])
    path.write_text(text, encoding="utf-8")
    anybody = at(replace(file_loop, settings=read_settings(file_loop.folder)))
    assert take_ids(anybody, "eve") == set(), "cyd has answered it"


def put_audit(loop: Loop, insert_rows: "InsertRows", fix_id: str, audited: str, sample: str) -> None:
    lot = {"lot_id": "lot", "attribute": "obstacle", "source": "queue", "lot_number": 1, "aql": 1.0, "level": "II"}
    plan = {"inspection": "normal", "lot_size": 1, "sample_size": 1, "accept_at_most": 0, "reject_from": 1}
    insert_rows(loop, "audit_lot", [lot | plan])
    item = {"lot_id": "lot", "fix_id": fix_id, "audited_fix_id": audited, "sample_id": sample, "attempt": 2}
    insert_rows(loop, "audit_item", [item])


SHARE = "\n[answers]\nknown_item_share = 0.2\n"


def label_some(loop: Loop, write_labels: "WriteRows", count: int, **more: Any) -> list[str]:
    return write_labels(loop, [{"object_id": f"known{n}", **more} for n in range(count)])


def test_a_set_share_of_what_is_handed_out_is_known_items(
    loop: Loop, asking: Asking, write_labels: "WriteRows", make_id: "MakeId", read_rows: "ReadRows"
) -> None:
    """A quarter as many as there are questions, so a fifth of all; the key stands in known_item alone."""
    loop = at(configure(loop, SHARE))
    samples = label_some(loop, write_labels, 30)
    fixes = asking.put(loop, 20)
    rows = take(loop, "ada")
    assert Counter(row["kind"] for row in rows) == {"fix": 20, "known": 5}
    known = {row["fix_id"]: row["sample_id"] for row in rows if row["kind"] == "known"}
    assert {row["fix_id"] for row in rows} == {*fixes, *known}
    assert set(known.values()) < set(samples)
    key = "select fix_id, sample_id, attribute, attempt, revision_id, label, label_value from known_item"
    assert sorted(read_rows(loop, key)) == sorted(
        (
            make_id(sample, 1),
            *(sample, "obstacle", 1, make_id(sample, "person", None, "person", None, None, None), "person", None),
        )
        for sample in known.values()
    )
    assert take(loop, "ada") == rows, "asked again it is the same"
    assert {row["fix_id"] for row in take(loop, "ben")} == {row["fix_id"] for row in rows}, "existing ones first"
    assert read_rows(loop, "select count(*) from known_item") == [(5,)]


def test_a_limit_counts_known_items_too(file_loop: Loop, asking: Asking, write_labels: "WriteRows") -> None:
    loop = at(configure(file_loop, SHARE))
    label_some(loop, write_labels, 30)
    fixes = asking.put(loop, 40)
    rows = take(loop, "ada", QueueFilter(at_most=20))
    assert Counter(row["kind"] for row in rows) == {"fix": 16, "known": 4}
    assert {row["fix_id"] for row in rows if row["kind"] == "fix"} == set(fixes[:16])
    assert take(loop, "ada", QueueFilter(at_most=20)) == rows


def test_small_batches_have_known_items_now_and_then(
    file_loop: Loop, asking: Asking, write_labels: "WriteRows"
) -> None:
    """One question in four is one: of 30 people who take two questions each about half meet one."""
    loop = at(configure(file_loop, "answers_needed = 99\nanswers_at_most = 99\n" + SHARE.replace("0.2", "0.25")))
    label_some(loop, write_labels, 30, attribute="distance", label="1.5")
    asking.predict(loop, [{"object_id": "d", "attribute": "distance", "predicted": "1.0"}])
    samples = asking.predict(
        loop, [{"object_id": f"d{n}", "attribute": "distance", "predicted": "1"} for n in range(4)]
    )
    asking.ask(loop, samples, attribute="distance")
    kinds = [Counter(row["kind"] for row in take(loop, f"p{n}", QueueFilter(at_most=2))) for n in range(30)]
    assert {sum(count.values()) for count in kinds} == {2}
    assert 6 <= sum(count["known"] for count in kinds) <= 24


def test_nobody_meets_a_known_item_twice_nor_one_they_decided(
    file_loop: Loop, asking: Asking, answer: "Answer", read_rows: "ReadRows"
) -> None:
    """Keys come from answers here: only who had no part in them is asked, and no more than answers_at_most."""
    loop = at(configure(file_loop, SHARE.replace("0.2", "0.5")))
    decided = asking.put(loop, 4, "decided")
    answer(loop, [(fix, who, "person") for fix in decided for who in ("ada", "ben")])
    settle_fixes(loop)
    asking.put(loop, 4)
    assert Counter(row["kind"] for row in take(loop, "ada")) == {"fix": 4}
    assert Counter(row["kind"] for row in take(loop, None)) == {"fix": 4}, "anybody may be ada"
    known = [row["fix_id"] for row in take(loop, "cyd") if row["kind"] == "known"]
    assert len(known) == 4
    assert {row[0] for row in read_rows(loop, "select attempt from known_item")} == {2}
    answer(loop, [(fix, "cyd", "crate") for fix in known])
    assert Counter(row["kind"] for row in take(loop, "cyd")) == {"fix": 4}
    for who in ("dan", "eve", "fay", "gil"):
        answer(loop, [(fix, who, "person") for fix in known])
    late = at(loop, hours=9)
    assert Counter(row["kind"] for row in take(late, "hal")) == {"fix": 4}, "five have answered each"
    before = read_rows(loop, "select * from fix_outcome order by all")
    settle_fixes(loop)
    assert read_rows(loop, "select * from fix_outcome order by all") == before, "they settle nothing"


def test_a_key_is_certain(
    file_loop: Loop,
    asking: Asking,
    answer: "Answer",
    write_labels: "WriteRows",
    insert_rows: "InsertRows",
    make_id: "MakeId",
    read_rows: "ReadRows",
) -> None:
    """Not a machine's label, a disputed one, an outvoted one, one of a reserved group, or one asked right now."""
    path = file_loop.folder / "turnrow.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("answers_needed = 2", 'answers_needed = 2\ndeciders = ["dora"]', 1))
    loop = at(configure(file_loop, SHARE.replace("0.2", "0.9")))
    write_labels(loop, [{"object_id": "machine", "origin": "machine"}])
    write_labels(loop, [{"object_id": "two", "label": name} for name in ("person", "crate")])
    write_labels(loop, [{"object_id": "held", "recording_id": "reserved"}])
    insert_rows(loop, "holdout_reserved", [{"attribute": "obstacle", "group_id": "reserved", "case_name": "x"}])
    (busy,) = write_labels(loop, [{"object_id": "busy"}])
    asking.ask(loop, [busy], reason="guideline")
    by_file = write_labels(loop, [{"object_id": "file"}])
    agreed, outvoted, by_dora = asking.put(loop, 3, "asked")
    answer(loop, [(agreed, who, "animal") for who in ("ada", "ben")])
    answer(loop, [(outvoted, "ada", "crate"), *((outvoted, who, "animal") for who in ("ben", "cyd", "dan"))])
    answer(loop, [(by_dora, "ada", "crate"), (by_dora, "dora", "animal")])
    settle_fixes(loop)
    settled: dict[str, str] = dict(
        read_rows(loop, "select fix_id, sample_id from label_fix semi join fix_outcome using (fix_id)")
    )
    assert set(settled) == {agreed, outvoted, by_dora}
    asking.put(loop, 10)
    known = {row["sample_id"] for row in take(loop, "zoe") if row["kind"] == "known"}
    assert known == {*by_file, settled[agreed], settled[by_dora]}


def test_a_key_under_an_older_guideline_is_none(
    file_loop: Loop, asking: Asking, answer: "Answer", tmp_path: Path
) -> None:
    path = file_loop.folder / "turnrow.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("answers_needed = 2", 'answers_needed = 2\nguideline = "g.md"', 1))
    loop = at(configure(file_loop, SHARE.replace("0.2", "0.5")))
    guideline = loop.folder / "g.md"
    guideline.write_text("What stands there.", encoding="utf-8")
    import hashlib

    sha = hashlib.sha256(guideline.read_bytes()).hexdigest()
    (fix,) = asking.put(loop, 1, "old", guideline_sha256=sha)
    answer(loop, [(fix, who, "person") for who in ("ada", "ben")])
    settle_fixes(loop)
    asking.put(loop, 4)
    guideline.write_text("What stands there, leaves aside.", encoding="utf-8")
    assert Counter(row["kind"] for row in take(loop, "zoe")) == {"fix": 4}
    guideline.write_text("What stands there.", encoding="utf-8")
    assert Counter(row["kind"] for row in take(loop, "zoe")) == {"fix": 4, "known": 1}


def test_known_items_are_of_the_attributes_and_the_case_that_are_asked_about(
    file_loop: Loop, asking: Asking, write_labels: "WriteRows", insert_rows: "InsertRows"
) -> None:
    loop = at(configure(file_loop, SHARE.replace("0.2", "0.5")))
    label_some(loop, write_labels, 5, attribute="ground", label="soft")
    inside, *_ = label_some(loop, write_labels, 5)
    fixes = asking.put(loop, 2)
    asked_before = asking.ask(loop, [inside])
    insert_rows(loop, "fix_outcome", [{"fix_id": fix, "outcome": "withdrawn"} for fix in asked_before])
    wish = {"case_name": "dusk", "reason": "flagged"}
    insert_rows(loop, "fix_request", [{"fix_id": fix} | wish for fix in (fixes[0], *asked_before)])
    whole = take(loop, "ada")
    assert Counter((row["kind"], row["attribute"]) for row in whole) == {
        ("fix", "obstacle"): 2,
        ("known", "obstacle"): 2,
    }
    rows = take(loop, "ben", QueueFilter(case_name="dusk"))
    assert {(row["kind"], row["sample_id"]) for row in rows if row["kind"] == "known"} == {("known", inside)}


def test_nothing_in_an_export_tells_a_known_item_from_a_question(
    file_loop: Loop, asking: Asking, write_labels: "WriteRows", tmp_path: Path, read_rows: "ReadRows"
) -> None:
    """Row by row the same but for what names and shows the sample; with predictions shown there are none."""
    loop = at(configure(file_loop, SHARE))
    label_some(loop, write_labels, 30)
    asking.put(loop, 20)
    path = tmp_path / "o.jsonl"
    assert export_fixes(loop, path, EVERYTHING, is_open=False, annotator="ada").questions == 25
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    known = {row[0] for row in read_rows(loop, "select fix_id from known_item")}
    of_the_sample = ("fix_id", "sample_id", "object_id", "media_uri", "context")
    shown = Counter(
        (row["fix_id"] in known, json.dumps({k: v for k, v in row.items() if k not in of_the_sample}))
        for row in rows
    )
    assert sorted(shown.values()) == [5, 20]
    assert len({text for _, text in shown}) == 1
    assert [row["fix_id"] for row in rows] == sorted(row["fix_id"] for row in rows)
    assert export_fixes(loop, path, EVERYTHING, is_open=True, annotator="ben").questions == 20


def test_a_sample_is_asked_once_in_a_hand_out(
    file_loop: Loop, asking: Asking, answer: "Answer", insert_rows: "InsertRows", make_id: "MakeId"
) -> None:
    (sample,) = asking.predict(file_loop, [{}])
    (fix_id,) = asking.ask(file_loop, [sample])
    answer(file_loop, [(fix_id, who, "person") for who in ("ada", "ben")])
    settle_fixes(file_loop)
    put_audit(file_loop, insert_rows, make_id(sample, 2), fix_id, sample)
    (again,) = asking.ask(file_loop, [sample], attempt=3, reason="guideline")
    rows = take(at(file_loop), "cyd")
    assert [row["kind"] for row in rows] == ["audit"]
    assert again not in {row["fix_id"] for row in rows}


_ASK = """
import json, sys
from pathlib import Path
from tasks.hand_out_fixes import QueueFilter, hand_out
from tasks.loop import Loop
from tasks.read_settings import read_settings
folder = Path(sys.argv[1])
loop = Loop(folder, read_settings(folder))
mine = []
for _ in range(4):
    with hand_out(loop, QueueFilter(at_most=len(mine) + 5), annotator=sys.argv[2]) as handed:
        mine = [row[0] for row in handed.warehouse.connection.execute("select fix_id from chosen_fix").fetchall()]
print(json.dumps(mine))
"""


def test_two_who_ask_at_once_never_get_the_same_slot(
    make_lake_loop: "MakeLoop", asking: Asking, write_labels: "WriteRows", read_rows: "ReadRows"
) -> None:
    """Three processes ask a lake in turns of five for 40 questions of one slot each."""
    loop = make_lake_loop("[attribute.obstacle]\nlabels = ['person', 'crate']\nanswers_needed = 1\n")
    asking.put(loop, 40)
    people = [
        subprocess.Popen(
            [sys.executable, "-c", _ASK, str(loop.folder), name],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for name in ("ada", "ben", "cyd")
    ]
    taken = []
    for person in people:
        out, err = person.communicate(timeout=200)
        assert person.returncode == 0, err
        taken.append(json.loads(out))
    counts = Counter(fix for mine in taken for fix in mine)
    assert (len(counts), set(counts.values())) == (40, {1})
    assert read_rows(loop, "select count(*), count(distinct fix_id) from fix_lease") == [(40, 40)]


def test_after_answers_at_most_a_dispute_goes_to_a_decider_alone(
    make_file_loop: "MakeLoop", asking: Asking, answer: "Answer"
) -> None:
    """A critical class was outvoted: three have answered, which is enough of them."""
    text = '[attribute.obstacle]\nlabels = ["person", "crate"]\ncritical = ["person"]\ndeciders = ["dora"]\n'
    loop = make_file_loop(text + "answers_needed = 2\nanswers_at_most = 3\nrules = []\n")
    (fix,) = asking.put(loop, 1)
    answer(loop, [(fix, "ada", "person"), (fix, "ben", "crate"), (fix, "cyd", "crate")])
    assert settle_fixes(loop).settled == 0
    assert take_ids(loop, "eve") == set()
    assert take_ids(loop, "dora") == {fix}
    answer(loop, [(fix, "dora", "person")])
    assert settle_fixes(loop).settled == 1
