"""The report: every number on the page is the warehouse's, and the page is whole, safe and the same every time."""

import io
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from schemas.case_file import FailureCase
from tasks.assemble_training_set import assemble_training_set
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.draw_watch import draw_watch
from tasks.embed_pictures import PICTURE_AT_MOST, shrink_picture
from tasks.erase_recording import erase_recording
from tasks.errors import InputError, NotYetError, UnknownNameError
from tasks.find_media import Picture
from tasks.import_model import import_model
from tasks.measure_service import read_service
from tasks.read_settings import read_cases
from tasks.retrain_model import retrain_model
from tasks.write_report import WrittenReport, locate_report, write_report

if TYPE_CHECKING:
    from tests.conftest import Chromium

HOSTILE = "\"><script>alert('h')</script><img src=http://127.0.0.1:9/x onerror=alert(1)>&amp;{{ 7*7 }}"
MEDIA = '\n[media]\nroots = ["media"]\n'
SLICED = 'slices = ["unit_id", "(context->>\'light\')"]\nanswers_needed'
VOID = {"meta", "br", "img", "link", "input"}


class Page(HTMLParser):
    """What a page shows: `data` and stored texts by fact, and all other text, in which no digit may be."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.facts: list[tuple[str, str | None, str]] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.loose = ""
        self.words = ""
        self.drawn: list[str] = []
        self._open: list[tuple[str, dict[str, str | None], list[str]]] = []
        self.feed(text)
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append((tag, dict(attrs), []))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        name, attrs, parts = self._open.pop()
        assert name == tag, (name, tag)
        text = "".join(parts)
        if attrs.get("data-fact"):
            self.facts.append((str(attrs["data-fact"]), attrs.get("value"), text))
        if self._open:
            self._open[-1][2].append(text)

    def handle_data(self, data: str) -> None:
        names = [name for name, _, _ in self._open]
        kinds = {attrs.get("class") or "" for _, attrs, _ in self._open}
        is_named = any(attrs.get("data-fact") for _, attrs, _ in self._open)
        if "svg" in names:
            self.drawn.append(data.strip())
            return
        self._open[-1][2].append(data) if self._open else None
        if {"style", "title"} & set(names):
            return
        self.words += data
        theirs = any("theirs" in kind or kind in ("constant", "sample") for kind in kinds)
        if not is_named and not theirs and not {"code", "time"} & set(names):
            self.loose += data


def find(document: Any, place: str) -> Any:
    """Return what stands at a place such as `figures.0.before.value`; of a list its length."""
    for name in place.split("."):
        document = document[int(name)] if isinstance(document, list) else document[name]
    return len(document) if isinstance(document, list) else document


def reads_as(text: str, value: float) -> bool:
    """Tell whether a shown number is a value, in one of the units that the page shows values in."""
    bare = text.replace(",", "").replace("\N{MINUS SIGN}", "-")
    number = re.fullmatch(r"([+-]?\d+(?:\.(\d+))?(?:e-?\d+)?)( %| min)?", bare)
    assert number, text
    half = 0.5 * 10 ** -len(number[2] or "") + 1e-9
    wanted = {" %": [100 * value], " min": [value / 60]}.get(number[3], [value, 100 * value])
    return any(abs(float(number[1]) - one) <= half for one in wanted)


def read_cases_of(orchard: Any) -> list[FailureCase]:
    return read_cases(orchard.loop.folder, orchard.loop.settings)[0]


def report(orchard: Any, model: str | None = None) -> tuple[WrittenReport, str, dict[str, Any]]:
    """Write a report and read it back: page and facts."""
    done = write_report(orchard.loop, read_cases_of(orchard), model)
    page = (orchard.loop.folder / done.report).read_text(encoding="utf-8")
    facts: dict[str, Any] = json.loads((orchard.loop.folder / done.report_json).read_text(encoding="utf-8"))
    return done, page, facts


def draw_png(side: int, tone: int) -> bytes:
    from PIL import Image

    written = io.BytesIO()
    Image.new("RGB", (side, side), (tone, 90, 160)).save(written, "PNG")
    return written.getvalue()


def with_pictures(orchard: Any, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    folder = orchard.loop.folder / "media"
    folder.mkdir(exist_ok=True)
    for number, _ in enumerate(rows):
        (folder / f"{number}.png").write_bytes(draw_png(24, number))
    return [row | {"media_uri": f"{number}.png"} for number, row in enumerate(rows)]


def start(orchard: Any, field: Any, prefix: str = "held", foliage: str = "foliage") -> tuple[FailureCase, str]:
    """Base labels, hold-outs frozen (crouched people with pictures), a first model accepted.

    `foliage` is what the label of foliage is called.
    """
    plain = [row for kind in ("person", "crate") for row in field.sights(kind, 30, prefix)]
    leaves = field.sights("foliage", 30, prefix)
    crouched = with_pictures(orchard, field.sights("crouched", 40, prefix))
    orchard.pull(field.label(plain + crouched) + field.label(leaves, foliage))
    base = [row for kind in ("person", "crate") for row in field.sights(kind, 40, "base")]
    orchard.pull(field.label(base) + field.label(field.sights("foliage", 40, "base"), foliage))
    plain += leaves
    case = orchard.case()
    orchard.flag(case)
    assert orchard.hold(plain + crouched[:10]).missing == 0
    assert orchard.hold(crouched + plain[:5], case).missing == 0  # errors alone would be a biased hold-out
    orchard.assemble()
    model = orchard.retrain(case).model
    orchard.accept(model, "the first model")
    return case, model


def go_round(orchard: Any, field: Any, case: FailureCase, model: str, answer: str | None = None) -> str:
    """A served log, mined and answered; a second version; return its candidate."""
    log = field.sights("crouched", 30, "log") + field.sights("crate", 20, "log")
    orchard.pull(orchard.replay(model, log))
    orchard.pull(field.label(log[:6]))
    orchard.flag(case)
    orchard.mine(case)
    orchard.answer(answer)
    orchard.assemble()
    return str(orchard.retrain(case).model)


@dataclass
class Kept:
    """A judged loop that was built once, to be copied."""

    folder: Path
    names: tuple[str, str] | None = None


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return Kept(tmp_path_factory.mktemp("judged") / "loop")


@pytest.fixture
def judged(make_orchard: Callable[..., Any], field: Any, kept: Kept) -> tuple[Any, str, str]:
    """An orchard with an accepted first model and a judged candidate: orchard, candidate, first model."""
    orchard = make_orchard(field.settings.replace("answers_needed", SLICED) + "seeds = 2\n" + MEDIA)
    if kept.names is None:
        names = [f"held-crouched-{number:03d}" for number in range(10)]
        later = [
            field.sight("person", name, minute=100 + number, media_uri="0.png")
            for number, name in enumerate(names)
        ]
        orchard.pull(field.predict(later, "crate", model="older"))
        case, first = start(orchard, field)
        kept.names = (go_round(orchard, field, case, first), first)
        shutil.copytree(orchard.loop.folder, kept.folder)
    else:
        shutil.copytree(kept.folder, orchard.loop.folder, dirs_exist_ok=True)
    return (orchard, *kept.names)


def test_every_number_on_the_page_is_the_warehouses(judged: tuple[Any, str, str], field: Any) -> None:
    """Each number names its place in the facts and reads as what stands there; no other digit is on the page."""
    orchard, candidate, first = judged
    done, text, facts = report(orchard)
    assert (done.report, facts["model"]["model_version"]) == (f"reports/{candidate}.html", candidate)
    page = Page(text)
    for place, value, shown in page.facts:
        there = find(facts, place) if not place.endswith(".place") else int(str(value))
        if value is None:
            assert shown and str(there).endswith(shown), place
        else:
            assert float(value) == there, place
            assert reads_as(shown, there), (place, shown, there)
    assert re.findall(r"\d", page.loose) == [], page.loose
    assert len(page.facts) > 150

    roles = {"before": first, "control": facts["roles"]["control"], "after": candidate}
    check_figures(orchard, facts, roles)
    check_criteria(orchard, facts, candidate)
    check_confusion(orchard, facts, page, first, candidate)
    check_data(orchard, facts, candidate, first)
    check_cost(orchard, facts)
    check_holdouts(orchard, facts)
    check_lineage(orchard, facts, candidate, first)


def check_figures(orchard: Any, facts: dict[str, Any], roles: dict[str, str]) -> None:
    stored = orchard.ask(
        "select h.case_name, e.metric, e.slice, e.model_version, e.value, e.low, e.high, e.n "
        "from evaluation as e inner join holdout as h using (holdout_id) where e.metric not like 'called=%'"
    )
    shown = [
        (row["holdout"], row["metric"], row["slice"], model, *row[role].values())
        for row in facts["figures"]
        for role, model in roles.items()
        if row[role] is not None
    ]
    assert sorted(shown) == sorted(stored)
    own = {(row["holdout"], row["what"]) for row in facts["figures"] if row["is_case"]}
    assert own == {("overall:obstacle", "accuracy"), ("crouched-picker", "recall of person")}
    check_topics(facts["figures"])
    points = [
        (line["holdout"], line["version"], point["model_version"], point["figure"]["value"])
        for line in facts["history"]
        for point in line["points"]
    ]
    assert points == [
        (row["holdout"], 1, roles[role], row[role]["value"])
        for row in facts["figures"]
        if row["is_case"]
        for role in ("before", "after")
    ]


def check_topics(figures: list[dict[str, Any]]) -> None:
    """Every kind of figure has its table, and each is called by what it is."""
    named = {(row["topic"], row["what"]) for row in figures if row["holdout"] == "overall:obstacle"}
    assert named >= {
        ("class", "accuracy"),
        ("class", "recall of person"),
        ("class", "precision of crate"),
        ("calibration", "Brier score"),
        ("calibration", "expected calibration error"),
        ("track", "changes of answer per hundred steps"),
        ("track", "steps to the lasting answer"),
        ("seed", "accuracy, seed=2"),
        ("seed", "recall of person, seed=2"),
        ("seed", "spread of accuracy"),
        ("seed", "spread of recall of person"),
        ("slice", "accuracy, unit_id is null"),
        ("slice", "accuracy, (context->>'light')=dusk"),
        ("slice", "recall of person, (context->>'light')=dusk"),
    }
    assert len(figures) == len({(row["holdout"], row["what"]) for row in figures})


def test_slices_are_told_the_greatest_loss_first(judged: tuple[Any, str, str]) -> None:
    _, text, facts = report(judged[0])
    folded = text.partition("<details>")[2].partition("</details>")[0]
    places = [int(place) for place in re.findall(r'data-fact="figures\.(\d+)\.after\.value"', folded)]
    wanted = [place for place, row in enumerate(facts["figures"]) if row["topic"] == "slice"]
    assert sorted(places) == wanted
    shown = [facts["figures"][place] for place in places]
    changes = [row["after"]["value"] - row["before"]["value"] for row in shown]
    assert changes == sorted(changes)
    assert len(set(changes)) > 1


def check_criteria(orchard: Any, facts: dict[str, Any], candidate: str) -> None:
    names = ("criterion", "baseline", "estimate", "low", "high", "margin", "p_value", "verdict", "reason")
    stored = orchard.ask(f"select {', '.join(names)} from gate_decision where candidate = $m", m=candidate)
    shown = [tuple(row[name] for name in names) for row in facts["criteria"]]
    overall = ("overall", *[None] * 6, facts["verdict"]["verdict"], facts["verdict"]["reason"])
    assert sorted([*shown, overall], key=repr) == sorted(stored, key=repr)
    levels = {(row["criterion"].partition(":")[0], row["level"]) for row in facts["criteria"]}
    assert levels == {("target", 0.95), ("figure", 0.95), ("guard", 0.9)}


def check_confusion(orchard: Any, facts: dict[str, Any], page: Page, first: str, candidate: str) -> None:
    answers = orchard.ask(
        "select h.case_name, p.model_version, p.sample_id, r.label, p.predicted from holdout_prediction as p "
        "inner join holdout as h using (holdout_id) "
        "inner join holdout_label as l on l.holdout_id = p.holdout_id and l.sample_id = p.sample_id "
        "inner join label_revision as r on r.revision_id = l.revision_id "
        "where p.model_version in ($first, $candidate)",
        first=first,
        candidate=candidate,
    )
    for row in facts["confusion"]["counts"]:
        for key, model in (("before_count", first), ("after_count", candidate)):
            wanted = ("overall:obstacle", model, row["truth"], row["predicted"])
            assert row[key] == sum((a[0], a[1], a[3], a[4]) == wanted for a in answers)
    for key, model in (("before_count", first), ("after_count", candidate)):
        stored = orchard.ask(
            "select slice, metric, value from evaluation inner join holdout using (holdout_id) "
            "where case_name = 'overall:obstacle' and model_version = $m and metric like 'called=%' and value > 0",
            m=model,
        )
        assert sorted(stored) == sorted(
            (f"truth={row['truth']}", f"called={row['predicted']}", row[key])
            for row in facts["confusion"]["counts"]
            if row[key]
        )
    total = sum(row["after_count"] for row in facts["confusion"]["counts"])
    assert total == sum(a[:2] == ("overall:obstacle", candidate) for a in answers)
    counts = [row[f"{side}_count"] for row in facts["confusion"]["counts"] for side in ("before", "after")]
    drawn = [int(text) for text in page.drawn if text.isdecimal()]
    for count in counts:
        assert count == 0 or count in drawn
    right = {(a[1], a[2]): a[3] == a[4] for a in answers}
    samples = {a[2] for a in answers}
    for name, before in (("broken", True), ("fixed", False)):
        changed = {s for s in samples if right[first, s] is before and right[candidate, s] is not before}
        assert facts[name]["count"] == len(changed), name
        shown = [one["sample_id"] for one in facts[name]["shown"]]
        assert len(shown) == min(20, len(changed))
        assert set(shown) <= changed
    assert facts["fixed"]["count"] > 20
    truths = {a[2]: (a[3], a[4]) for a in answers if a[1] == candidate}
    for one in facts["fixed"]["shown"]:
        assert (one["truth"], one["after"]) == truths[one["sample_id"]]
        assert one["has_picture"]


def check_data(orchard: Any, facts: dict[str, Any], candidate: str, first: str) -> None:
    data = facts["data"]
    new, old = (
        orchard.number("select training_set_version from model where model_version = $m", m=model)
        for model in (candidate, first)
    )
    assert (data["version"], data["change"]["old_version"]) == (new, old)
    rows = orchard.ask(
        "select reason, case_name, count(*) from training_set_member where version = $v group by all order by all",
        v=new,
    )
    assert sorted(tuple(row.values()) for row in data["rows"]) == sorted(rows)
    came = orchard.ask(
        "select reason, case_name, count(*) from training_set_member where version = $new and sample_id not in "
        "(select sample_id from training_set_member where version = $old) group by all",
        new=new,
        old=old,
    )
    shown = {(c["change"], c["reason"], c["case_name"], c["row_count"]) for c in data["change"]["changes"]}
    assert shown == {("in", *row) for row in came}
    assert data["change"]["same_row_count"] == data["change"]["old_row_count"] == 120
    checks = orchard.ask(
        "select check_name, requirement, passed, observed, failing_count from quality_check where version = $v",
        v=new,
    )
    assert sorted(tuple(row.values()) for row in data["checks"]) == sorted(checks)


def check_cost(orchard: Any, facts: dict[str, Any]) -> None:
    (row,) = facts["cost"]["rows"]
    answers = orchard.ask("select count(distinct fix_id), count(*), count(seconds) from fix_answer")
    assert (row["case_name"], row["reason"]) == ("crouched-picker", "mined")
    assert [(row["answered_count"], row["answer_count"], row["timed_count"])] == answers
    assert row["asked_count"] == orchard.number("select count(*) from label_fix") == 24
    assert facts["cost"]["total"]["answer_count"] == row["answer_count"]


def check_holdouts(orchard: Any, facts: dict[str, Any]) -> None:
    for held in facts["holdouts"]:
        one = held["facts"]
        stored = orchard.ask(
            "select count(*), count(distinct group_id), count(*) filter (where is_seen) from holdout_member "
            "where holdout_id = $id",
            id=one["holdout_id"],
        )
        assert [(one["member_count"], one["group_count"], one["seen_count"])] == stored
        assert one["digest"] == orchard.number(
            "select digest from holdout_freeze where holdout_id = $id", id=one["holdout_id"]
        )
        assert held["limits"]
        assert held["erased_count"] == 0
    assert [held["facts"]["case_name"] for held in facts["holdouts"]] == ["overall:obstacle", "crouched-picker"]
    assert "1 candidate was judged by it since a model was accepted" in facts["holdouts"][1]["limits"][0]


def check_lineage(orchard: Any, facts: dict[str, Any], candidate: str, first: str) -> None:
    assert [row["model_version"] for row in facts["lineage"]["chain"]] == [candidate, first]
    assert {row["person"] for row in facts["lineage"]["people"]} == {"ana"}
    both = [facts["lineage"][f"{name}_updates"]["updates"] for name in ("candidate", "control")]
    assert both[0] == both[1] == 30
    assert facts["lineage"]["file_count"] == orchard.number(
        "select count(distinct batch_id) from (select label_batch_id as batch_id from training_set_lineage union "
        "select batch_id from training_set_lineage union select a.batch_id from fix_answer as a "
        "inner join training_set_lineage as t using (fix_id)) where batch_id is not null"
    )


def test_the_same_report_twice_is_the_same_bytes_and_untouched(
    judged: tuple[Any, str, str], tmp_path: Path
) -> None:
    orchard, candidate, _ = judged
    done, page, _ = report(orchard)
    assert done.is_new
    path = orchard.loop.folder / done.report
    before = path.stat()
    again, _, _ = report(orchard, candidate)
    assert not again.is_new
    assert path.stat().st_mtime_ns == before.st_mtime_ns
    path.unlink()
    assert report(orchard)[1] == page
    assert sorted(name.name for name in path.parent.iterdir()) == [f"{candidate}.html", f"{candidate}.json"]
    assert "<metadata" not in page
    assert not re.search(r"https?://(?!www\.w3\.org/)", page)


def test_a_decision_and_its_note_are_on_the_page_for_ever(judged: tuple[Any, str, str]) -> None:
    orchard, candidate, first = judged
    assert "Nobody has signed it off" in report(orchard)[1]
    orchard.accept(candidate, "looked at every newly wrong one")
    _, page, facts = report(orchard)
    assert "It was accepted by A. Picker." in Page(page).words
    assert "looked at every newly wrong one" in Page(page).words
    _, page, facts = report(orchard, first)
    assert facts["verdict"]["is_stale"]
    assert "The verdict is of its own moment" in Page(page).words


def test_a_candidate_that_learned_wrong_answers_is_not_passed_and_says_what_failed(
    make_orchard: Callable[..., Any], field: Any
) -> None:
    orchard = make_orchard(field.settings + MEDIA)
    case, first = start(orchard, field)
    go_round(orchard, field, case, first, answer="crate")
    _, page, facts = report(orchard)
    shown = Page(page)
    assert facts["verdict"]["verdict"] != "passed"
    word = facts["verdict"]["verdict"].capitalize()
    assert word in shown.words.split("What has to get better")[0]
    for row in facts["criteria"]:
        if row["verdict"] != "passed":
            assert row["reason"] in shown.words or row["reason"].partition(": ")[2] in shown.words


def test_what_the_watch_says_of_service_is_on_the_page(judged: tuple[Any, str, str]) -> None:
    orchard, _, first = judged
    assert "No week of served traffic was drawn yet" in report(orchard, first)[1]
    assert draw_watch(orchard.loop).drawn > 0
    orchard.answer()
    _, text, facts = report(orchard, first)
    (figures,) = read_service(orchard.loop)
    shown = [
        (row["model_version"], row["is_this"], row["track_count"], *(row["errors"] or {}).values())
        for row in facts["service"]["models"]
    ]
    assert shown == [
        (m.model_version, m.model_version == first, m.track_count)
        + ((m.errors.value, m.errors.low, m.errors.high, m.errors.samples) if m.errors.value is not None else ())
        for m in figures.models
    ]
    assert facts["service"]["weeks"] == figures.weeks > 0
    assert any(row["is_this"] and row["errors"]["n"] for row in facts["service"]["models"])
    for place, value, told in Page(text).facts:
        if place.startswith("service.") and value is not None:
            assert reads_as(told, find(facts, place)), (place, told)


def test_a_first_model_has_no_before_and_says_so(any_orchard: Any, field: Any) -> None:
    _, first = start(any_orchard, field)
    _, page, facts = report(any_orchard, first)
    words = Page(page).words
    assert facts["roles"] == {"candidate": first, "control": None, "incumbent": None}
    assert "This is a first model" in words
    assert words.count("There was no model before it.") == 2
    assert all(row["before"] is None and row["after"] is not None for row in facts["figures"])
    assert facts["data"]["change"] is None
    assert "its labels came from files" in words


def test_a_model_without_a_verdict_says_that_nothing_is_known(orchard: Any, field: Any) -> None:
    import_model(orchard.loop, "obstacle", None, model_version="old net?7", signed_by="Ina")
    done, page, facts = report(orchard, "old net?7")
    words = Page(page).words
    assert done.report == "reports/old net%3F7.html"
    assert (facts["verdict"], facts["figures"], facts["criteria"]) == (None, [], [])
    assert "Not judged" in words
    assert "The gate never judged this model" in words
    assert "none here: only its logs are known" in words
    assert "It was taken in as the first model by Ina." in words


NUMBERS = """
[attribute.distance]
kind = "number"
unit = "m"
tolerance = 0.5
rules = ["label_disagrees"]
answers_needed = 1
"""


def test_a_number_is_told_by_its_tolerance_and_has_no_confusion(
    make_orchard: Callable[..., Any], field: Any
) -> None:
    orchard = make_orchard(field.settings + NUMBERS)
    rows = [row | {"attribute": "distance"} for row in field.sights("crate", 40, "far")]
    numbered = [row | {"label": str(place % 5), "origin": "person"} for place, row in enumerate(rows)]
    orchard.pull(numbered)
    names = ("recording_id", "object_id", "observed_at", "attribute")
    listed = orchard.write([{name: row[name] for name in names} for row in rows[:15]])
    draw_holdout(orchard.loop, HoldoutTarget(orchard.loop.settings.attribute["distance"], None), listed=listed)
    assert assemble_training_set(orchard.loop, "distance").state == "passed"
    model = retrain_model(orchard.loop, "distance", []).model
    _, page, facts = report(orchard)
    assert (facts["model"]["model_version"], facts["kind"], facts["confusion"]) == (model, "number", None)
    assert "A number has no classes to confuse." in Page(page).words
    right = orchard.number(
        "select count(*) filter (where abs(p.predicted_value - r.label_value) <= 0.5) / count(*) "
        "from holdout_prediction as p inner join holdout_label as l using (holdout_id, sample_id) "
        "inner join label_revision as r using (revision_id)"
    )
    (accuracy,) = [row for row in facts["figures"] if row["is_case"]]
    assert (accuracy["metric"], accuracy["after"]["n"]) == ("accuracy", 15)
    assert accuracy["after"]["value"] == pytest.approx(right)
    off = orchard.number(
        "select avg(p.predicted_value - r.label_value) from holdout_prediction as p "
        "inner join holdout_label as l using (holdout_id, sample_id) "
        "inner join label_revision as r using (revision_id)"
    )
    errors = {row["what"]: row["after"]["value"] for row in facts["figures"] if row["topic"] == "error"}
    assert errors["mean error"] == pytest.approx(off)
    assert len(errors) == 4
    assert "In m. A mean error above nought" in Page(page).words
    assert {row["topic"] for row in facts["figures"]} == {"class", "error"}


def test_what_is_no_candidate_is_refused_with_what_to_do(judged: tuple[Any, str, str]) -> None:
    orchard, candidate, _ = judged
    control = report(orchard)[2]["roles"]["control"]
    with pytest.raises(InputError, match=f"is a control.*that of {candidate}"):
        report(orchard, control)
    with pytest.raises(UnknownNameError, match=f"no such model; the nearest known one is `{candidate}`"):
        report(orchard, candidate[:-1])
    orchard.configure('[attribute.ground]\nlabels = ["firm", "soft"]\n')
    with pytest.raises(UnknownNameError, match=r"obstacle is not in turnrow\.toml any more"):
        write_report(orchard.loop, [], candidate)


def test_without_a_judged_candidate_it_is_not_yet(orchard: Any) -> None:
    with pytest.raises(NotYetError, match="no candidate has been judged yet"):
        report(orchard)
    assert list((orchard.loop.folder / "reports").iterdir()) == []


def test_hostile_names_stay_text(make_orchard: Callable[..., Any], field: Any, chromium: "Chromium") -> None:
    """A recording and a label full of markup, a picture outside the roots: nothing runs, nothing is fetched."""
    label = "<b onclick=alert(2)>$\\frac{&quot;</b>"
    settings = field.settings.replace('"foliage"]', f"{json.dumps(label)}]") + MEDIA
    orchard = make_orchard(settings)
    case, first = start(orchard, field, prefix=HOSTILE, foliage=label)
    go_round(orchard, field, case, first)
    done, text, facts = report(orchard)
    page = Page(text)
    assert any(HOSTILE in one["recording_id"] for one in facts["fixed"]["shown"])
    assert HOSTILE in page.words
    assert label in facts["confusion"]["labels"]
    assert f"{label[:23]}…" in page.drawn
    assert {tag for tag, _ in page.tags} & {"script", "b onclick=alert(2)"} == set()
    images = [attrs for tag, attrs in page.tags if tag == "img"]
    assert images and all(str(attrs["src"]).startswith("data:image/png;base64,") for attrs in images)
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    look_at(chromium, orchard.loop.folder / done.report)


def look_at(chromium: "Chromium", path: Path) -> None:
    """Open a page from the disk: it asks for nothing, complains of nothing, and shows every plot and picture."""
    address = path.absolute().as_uri()
    chromium.open(address)
    asked = {url for url in chromium.list_requests() if not url.startswith("data:")}
    assert asked <= {address, "about:blank"}
    assert chromium.list_complaints() == []
    pictures = "[...document.images].every(image => image.complete && image.naturalWidth > 0)"
    assert chromium.look(f"document.images.length > 0 && {pictures}")
    assert chromium.look("document.querySelectorAll('figure svg').length") >= 2
    assert chromium.look("document.querySelectorAll('script').length") == 0
    assert chromium.look("new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size") == chromium.look(
        "document.querySelectorAll('[id]').length"
    )
    for width, media in ((1280, "screen"), (700, "print")):
        chromium.resize(width, 900)
        chromium.call("Emulation.setEmulatedMedia", media=media)
        assert chromium.look("document.documentElement.scrollWidth") <= width, (width, media)


def test_the_page_is_whole_by_itself_in_a_browser(judged: tuple[Any, str, str], chromium: "Chromium") -> None:
    orchard, _, _ = judged
    done, _, _ = report(orchard)
    look_at(chromium, orchard.loop.folder / done.report)


def test_the_demo_is_marked_as_invented_before_anything_else(orchard: Any, field: Any) -> None:
    _, first = start(orchard, field)
    assert "INVENTED" not in report(orchard, first)[1]
    (orchard.loop.folder / ".demo").mkdir()
    words = Page(report(orchard, first)[1]).words.strip()
    assert words.startswith("INVENTED")


def test_the_truth_of_a_holdout_that_is_not_frozen_stays_closed(judged: tuple[Any, str, str]) -> None:
    """Samples that an open hold-out holds too are counted, and neither named nor shown."""
    orchard, _, _ = judged
    before = report(orchard)[2]["fixed"]
    shown = [one["sample_id"] for one in before["shown"]]
    orchard.tamper(
        "insert into holdout select 'open', case_name, attribute, 2, source, size_wanted, definition, "
        "definition_sha256, known_at from holdout where case_name = 'crouched-picker'"
    )
    orchard.tamper(
        f"insert into holdout_member values ('open', '{shown[0]}', 'g1', 'rest', null, false), "
        f"('open', '{shown[1]}', 'g2', 'rest', null, false)"
    )
    _, page, facts = report(orchard)
    assert (facts["fixed"]["count"], facts["fixed"]["withheld"]) == (before["count"], 2)
    assert {one["sample_id"] for one in facts["fixed"]["shown"]} & set(shown[:2]) == set()
    assert shown[0] not in page and shown[1] not in page
    assert facts["holdouts"][1]["later_version"] == 2


def test_an_erasure_takes_the_recording_and_its_picture_out_of_the_report(judged: tuple[Any, str, str]) -> None:
    orchard, _, _ = judged
    done, page, facts = report(orchard)
    gone = facts["fixed"]["shown"][0]
    path = orchard.loop.folder / done.report
    (picture,) = re.findall(r'src="(data:[^"]+)"', page.split(gone["sample_id"])[0])[-1:]
    summary = erase_recording(orchard.loop, gone["recording_id"])
    assert {f.path: f.done for f in summary.files if f.path.startswith("reports/")} == {
        done.report: "removed",
        done.report_json: "rewritten",
    }
    assert any(line.startswith(f"{done.report} is gone; turnrow report") for line in summary.told)
    assert gone["sample_id"] not in path.with_suffix(".json").read_text(encoding="utf-8")
    report(orchard)
    text, kept = path.read_text(encoding="utf-8"), path.with_suffix(".json").read_text(encoding="utf-8")
    for held in (text, kept):
        assert gone["sample_id"] not in held
        assert gone["recording_id"] not in held
    assert picture not in text
    assert json.loads(kept)["fixed"]["count"] == facts["fixed"]["count"] - 1
    assert sum(held["erased_count"] for held in json.loads(kept)["holdouts"]) > 0
    assert "Recordings were erased since the verdict" in Page(text).words


def test_pictures_that_may_not_be_shown_are_told_and_large_ones_shrunk(judged: tuple[Any, str, str]) -> None:
    orchard, _, _ = judged
    shutil.rmtree(orchard.loop.folder / "media")
    _, page, facts = report(orchard)
    assert not any(one["has_picture"] for one in facts["fixed"]["shown"])
    assert "is not there" in Page(page).words
    noisy = draw_noise(700)
    assert len(noisy) > PICTURE_AT_MOST
    small = shrink_picture(Picture(noisy, "image/png"))
    assert (small.media_type, len(small.content) <= PICTURE_AT_MOST) == ("image/jpeg", True)
    with pytest.raises(InputError, match="cannot be made smaller"):
        shrink_picture(Picture(b"\x89PNG\r\n\x1a\n" + bytes(PICTURE_AT_MOST), "image/png"))


def draw_noise(side: int) -> bytes:
    import numpy as np
    from PIL import Image

    written = io.BytesIO()
    pixels = np.random.default_rng(7).integers(0, 255, size=(side, side, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(written, "PNG")
    return written.getvalue()


@pytest.mark.parametrize(("name", "file"), [("m1", "m1.html"), ("../m1", "%2E.%2Fm1.html"), (".m", "%2Em.html")])
def test_a_models_name_never_leads_out_of_the_folder(orchard: Any, name: str, file: str) -> None:
    assert locate_report(orchard.loop, name) == orchard.loop.folder / "reports" / file
