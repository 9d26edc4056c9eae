"""`report`: one page about a candidate, whole by itself, and beside it the same facts as JSON.

The same facts give the same bytes; a page that says the same already is left as it is.
"""

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any
from urllib.parse import quote

from schemas.case_file import FailureCase
from schemas.reasons import REASONS
from schemas.sql_files import read_template
from tasks.gather_report import gather_report
from tasks.loop import Loop
from tasks.make_plain import make_plain
from tasks.report_facts import HistoryLine, ReportFacts, Verdict
from tasks.tell_criteria import GROUPS, WORDS, name_criterion, shorten_reason

FOLDER = "reports"
_Document = dict[str, Any]
_CHANGES = {
    "in": "came in",
    "out": "went out",
    "relabelled": "got another label",
    "renamed": "keep their label under another name",
    "decided_anew": "keep their label, decided anew",
    "reweighted": "got another weight",
    "other_reason": "stand for another reason",
}
_SOURCES = {
    "draw": "drawn from the scope by group, with a seeded hash",
    "file": "handed in as a file",
    "grow": "an earlier version, grown by a further draw",
}
_TOPICS = ("calibration", "error", "track", "seed")
_SLICES_AT_MOST = 60  # figures by slice that the page shows; the JSON has all
_WORDS = {"holdout": "hold-out", "look_alike": "look-alike"}
_DECISIONS = {"accept": "accepted", "refuse": "refused", "import": "taken in as the first model"}


@dataclass(frozen=True)
class WrittenReport:
    """Where a report lies, relative to the loop folder; `is_new`: it says something else than it did before."""

    report: str
    report_json: str
    is_new: bool
    facts: _Document


def write_report(loop: Loop, cases: Sequence[FailureCase], model_version: str | None = None) -> WrittenReport:
    """Write `reports/MODEL.html` and `.json`, by default about the candidate that was judged last.

    Raises what `gather_report` raises.
    """
    facts = gather_report(loop, cases, model_version)
    document: _Document = make_plain(facts)
    page = render_report(facts, document)
    path = locate_report(loop, str(facts.model["model_version"]))
    beside = path.with_suffix(".json")
    path.parent.mkdir(parents=True, exist_ok=True)
    is_new = _put(beside, json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    is_new = _put(path, page) or is_new
    return WrittenReport(loop.relate(path), loop.relate(beside), is_new, document)


def _keep_settings_out() -> None:
    """Have matplotlib keep its list of fonts among the user's caches, and make no folder for settings."""
    caches = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    os.environ.setdefault("MPLCONFIGDIR", str(Path(caches) / "turnrow-plots"))


def locate_report(loop: Loop, model_version: str) -> Path:
    """Return where a model's page lies; what cannot be in a file's name is written as in an address."""
    name = quote(model_version, safe=" @+=,")
    return loop.folder / FOLDER / f"{'%2E' + name[1:] if name.startswith('.') else name}.html"


def _put(path: Path, text: str) -> bool:
    """Put a text in place in one step; return whether it is another than before."""
    content = text.encode("utf-8", errors="replace")
    if path.is_file() and path.read_bytes() == content:
        return False
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)
    return True


def render_report(facts: ReportFacts, document: _Document) -> str:
    """Return the page; `document` is the facts as plain values, which each number on the page names a place of."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=False)
    environment.filters |= _FILTERS
    page = environment.from_string(read_template("report.html"))
    plots = {name: Markup(plot) for name, plot in _draw(facts).items()}  # noqa: S704 - drawn here, text escaped
    places = list(enumerate(document["figures"]))
    shown = (*facts.broken.shown, *facts.fixed.shown)
    return page.render(
        facts=document,
        style=Markup(read_template("report.css")),  # noqa: S704 - our own file
        plots={"figures": "", "confusion": ""} | plots,
        pictures={one.sample_id: one.picture for one in shown if one.picture},
        standing=_tell_standing(facts),
        tell_against=lambda is_against: tell_against(is_against, facts.verdict),
        criteria=list(_group_criteria(facts)),
        own=[pair for pair in places if pair[1]["is_case"]],
        others=sorted(
            (pair for pair in places if pair[1]["topic"] == "class" and not pair[1]["is_case"]), key=_rate_change
        ),
        topics={topic: [pair for pair in places if pair[1]["topic"] == topic] for topic in _TOPICS},
        slices=sorted((pair for pair in places if pair[1]["topic"] == "slice"), key=_rate_change),
        slices_at_most=_SLICES_AT_MOST,
        cells=_place_cells(document),
        history=_group_history(document, plots),
        same_set=facts.data.version is not None and facts.data.version == _name_incumbent_set(facts),
        name_words=lambda one: f"{one['recording_id']}, {one['object_id']}",
    )


def _rate_change(pair: tuple[int, _Document]) -> tuple[float, float]:
    """Order figures by slice: the greatest loss first, last and by its height what cannot be compared."""
    before, after = pair[1]["before"], pair[1]["after"]
    if before is None or after is None:
        return 2.0, 2.0 if after is None else after["value"]
    return after["value"] - before["value"], after["value"]


def _draw(facts: ReportFacts) -> dict[str, str]:
    _keep_settings_out()
    from tasks.draw_report import LABELS_AT_MOST, draw_confusion, draw_figures, draw_history

    plots = {}
    own = [figure for figure in facts.figures if figure.is_case]
    if own:
        plots["figures"] = draw_figures(own)
    if facts.confusion and 0 < len(facts.confusion.labels) <= LABELS_AT_MOST:
        plots["confusion"] = draw_confusion(facts.confusion)
    for holdout, lines in _group_lines(facts.history).items():
        if any(len(line.points) > 1 for line in lines):
            plots[f"history {holdout}"] = draw_history(lines)
    return plots


def _group_lines(history: Sequence[HistoryLine]) -> dict[str, list[HistoryLine]]:
    return {holdout: list(lines) for holdout, lines in groupby(history, key=lambda line: line.holdout)}


def _group_history(document: _Document, plots: Mapping[str, str]) -> list[_Document]:
    """Return the history by hold-out, a row a point, numbered by model as its plot is."""
    groups: dict[str, _Document] = {}
    for place, line in enumerate(document["history"]):
        empty = {"what": line["what"], "plot": plots.get(f"history {line['holdout']}"), "rows": [], "models": []}
        group = groups.setdefault(line["holdout"], {"holdout": line["holdout"], **empty})
        for number, point in enumerate(line["points"]):
            if point["model_version"] not in group["models"]:
                group["models"].append(point["model_version"])
            group["rows"].append(
                {
                    **point,
                    "line": f"history.{place}",
                    "fact": f"history.{place}.points.{number}",
                    "version": line["version"],
                    "place": group["models"].index(point["model_version"]) + 1,
                }
            )
    return list(groups.values())


def _group_criteria(facts: ReportFacts) -> list[_Document]:
    groups: list[_Document] = []
    for kinds, title in GROUPS:
        rows = [
            {
                **make_plain(one),
                "fact": f"criteria.{place}",
                "kind": one.kind,
                "name": name_criterion(one),
                "reason": shorten_reason(one),
                "word": WORDS.get(one.verdict, one.verdict),
            }
            for kind in kinds
            for place, one in enumerate(facts.criteria)
            if one.kind == kind
        ]
        if rows:
            groups.append({"title": title, "rows": rows})
    return groups


def _place_cells(document: _Document) -> dict[tuple[str, str], _Document]:
    counts = document["confusion"]["counts"] if document["confusion"] else []
    return {(row["truth"], row["predicted"]): {**row, "place": place} for place, row in enumerate(counts)}


def _name_incumbent_set(facts: ReportFacts) -> str | None:
    chain = [row for row in facts.lineage.chain if row["model_version"] == facts.roles["incumbent"]]
    return str(chain[0]["training_set_version"]) if chain else None


def _tell_standing(facts: ReportFacts) -> str:
    """Return where the model stands with people, and what is theirs to do."""
    latest = facts.sign_offs[0] if facts.sign_offs else None
    if latest is not None:
        done = _DECISIONS.get(latest["decision"], latest["decision"])
        return f"It was {done} by {latest['signed_by']}{tell_against(latest['against_verdict'], facts.verdict)}."
    return "Nobody has signed it off. The gate recommends; only a named person makes a model the incumbent."


def tell_against(is_against: bool, verdict: Verdict | None) -> str:
    """Return how a decision stands to the gate's verdict; on `passed` nobody decides against it but by its age."""
    if not is_against:
        return ""
    is_old = verdict is not None and verdict.verdict == "passed"
    return ", on a verdict that was out of date" if is_old else ", AGAINST THE VERDICT"


def _tell_decision(decision: str) -> str:
    return _DECISIONS.get(decision, decision)


def tell_percent(share: float) -> str:
    """Return a share as per cent with one digit, as in 54.8 %."""
    return f"{tell_bare(share)} %"


def tell_bare(share: float) -> str:
    """Return a share as per cent without the sign, as in 54.8."""
    return f"{100 * share:.1f}".replace("-", "\N{MINUS SIGN}")


def tell_points(share: float) -> str:
    """Return a difference of shares in points, with its sign."""
    text = f"{100 * share:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text.replace("-", "\N{MINUS SIGN}")


def tell_number(number: float) -> str:
    """Return a number that is no share with three digits, a large one whole."""
    text = f"{number:.3g}" if abs(number) < 1000 else f"{number:,.0f}"
    return text.replace("-", "\N{MINUS SIGN}")


def _tell_minute(text: str) -> str:
    return f"{text[:10]} {text[11:16]}"


_FILTERS: dict[str, Callable[..., str]] = {
    "percent": tell_percent,
    "bare": tell_bare,
    "points": tell_points,
    "whole": lambda share: f"{100 * share:.6g} %",
    "plain": tell_number,
    "count": lambda count: f"{count:,}",
    "minutes": lambda seconds: f"{seconds / 60:,.1f} min",
    "minute": _tell_minute,
    "moment": lambda text: f"{_tell_minute(text)} UTC",
    "reason": lambda why: str(REASONS.get(why, why)),
    "change": lambda change: str(_CHANGES.get(change, change)),
    "source": lambda source: str(_SOURCES.get(source, source)),
    "decision": _tell_decision,
    "words": lambda name: str(_WORDS.get(name, name.replace("_", " "))),
}
