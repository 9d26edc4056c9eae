"""The datasheet of an exported training set: what the warehouse knows of it; what only people know stays open."""

import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from string import Template
from typing import Any

from schemas.reasons import REASONS
from schemas.sql_files import read_template
from tasks.fetch_rows import Row
from tasks.gather_set_facts import MOMENTS, Agreement, SetFacts, Withheld

_INVENTED = "All of its data are invented: it comes from the demo, and shows nothing about the world."
_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#|~])")
_NONE = "none"
_ONLY_BASE = (
    "all are base rows, by label file or as labelled logs; whether they are a fair picture of the field the "
    "warehouse does not know."
)
_NOT_ONLY_BASE = (
    "base rows by label file or as labelled logs, the others because something about them was doubted or mined: "
    "so the set is no random picture of the field."
)


def write_datasheet(facts: SetFacts) -> str:
    """Return the datasheet as Markdown; the same facts give the same text."""
    values = _tell_set(facts) | _tell_rows(facts) | _tell_labelling(facts)
    return Template(read_template("datasheet.md")).substitute(values)


def _tell_set(facts: SetFacts) -> dict[str, str]:
    """Return what is told of the version as a whole: what it is, what it is for, what became of it."""
    stored = facts.stored
    return {
        "version": stored.version,
        "notices": "".join(f"\n> **{notice}**\n" for notice in list_notices(facts)),
        "digest": facts.digest,
        "digest_note": "" if facts.is_whole else f", not the version's own, `{stored.digest}`: rows are missing",
        "known_at": _tell_time(stored.known_at),
        "as_of": _tell_time(stored.moment.as_of),
        "attribute": stored.attribute,
        "attribute_note": _tell_attribute(facts),
        "motive": _tell_motive(facts),
        "holdouts": _join(_tell_holdout(row) for row in facts.holdouts),
        "near_duplicate": f"{stored.composition.near_duplicate:g}",
        "given_out": _tell_given_out(facts),
        "parent": f"`{stored.parent_version}`" if stored.parent_version else _NONE,
        "erased": _tell_erased(facts.withheld),
    }


def _tell_rows(facts: SetFacts) -> dict[str, str]:
    """Return what is told of the rows: how many, of what, from when, and where they came from."""
    extent, composition = facts.extent, facts.stored.composition
    rows = extent["row_count"]
    return {
        "group_by": composition.group_by,
        **{name: f"{extent[name]:,}" for name in ("row_count", "object_count", "recording_count", "group_count")},
        **{name: _tell_time(extent[name]) for name in MOMENTS},
        "classes": _lay_out_values(facts, "class", "label") if facts.kind == "class" else _tell_range(facts),
        "reasons": _lay_out_values(facts, "reason", "why it is in"),
        "origins": _lay_out_values(facts, "origin", "label given by a"),
        "units": _lay_out_values(facts, "unit", "machine"),
        "feature_length": f"{facts.feature_length:,}",
        "feature_space": composition.feature_space,
        "without_unit": f"{rows - extent['with_unit']:,}",
        "without_media": f"{rows - extent['with_media']:,}",
        "without_context": f"{rows - extent['with_context']:,}",
        "context_keys": _join(f"{_quote(row['key'])} {row['row_count']:,}" for row in facts.context_keys),
        "collection": _ONLY_BASE if facts.is_base_alone else _NOT_ONLY_BASE,
        "label_files": f"Labels came from {extent['label_files']:,} label files or logs.\n",
        "models": _tell_models(facts),
    }


def _tell_labelling(facts: SetFacts) -> dict[str, str]:
    """Return what is told of the labels, and of the checks."""
    return {
        "people": _lay_out_values(facts, "people", "decided by"),
        "guidelines": _lay_out_values(facts, "guideline", "guideline (SHA-256)"),
        "from_fixes": f"{facts.extent['from_fixes']:,}",
        "agreement": _tell_agreement(facts.agreement),
        "with_decided_at": f"{facts.extent['with_decided_at']:,}",
        "was": "".join(f" The label {_plain(old)} is called {_plain(new)} now." for old, new in facts.was.items()),
        "checks": _lay_out(
            ("check", "kind", "outcome", "observed", "offending rows found"),
            [_tell_check(check) for check in facts.checks],
            "None is noted.",
        ),
    }


def list_notices(facts: SetFacts) -> list[str]:
    """Return what must be read before anything else: invented, failed, or not whole."""
    notices = [_INVENTED] if facts.is_invented else []
    if facts.stored.state != "passed":
        bad = [row["check_name"] for row in facts.checks if row["requirement"] == "must" and not row["passed"]]
        notices.append(f"This version FAILED its checks ({', '.join(bad)}); do not train on it.")
    if not facts.is_whole:
        parts = "; ".join(tell_withheld(facts.withheld))
        notices.append(f"Not the whole version. Left out: {parts}. The digest is not the version's.")
    return notices


def tell_withheld(withheld: Sequence[Withheld]) -> list[str]:
    """Return what is told others of rows that are not given out; what a [[restriction]] says stays at home."""
    counts: dict[str, int] = {}
    for part in withheld:
        counts[part.why] = counts.get(part.why, 0) + part.row_count
    return [
        f"{count:,} {'row' if count == 1 else 'rows'} {REASONS.get(why, why)}" for why, count in counts.items()
    ]


def _tell_attribute(facts: SetFacts) -> str:
    if facts.kind == "number":
        return f" (a number{f', in {_plain(facts.unit)}' if facts.unit else ''})"
    critical = " and ".join(_quote(label) for label in facts.critical)
    return f" (a class; above all, {critical} must not be missed)" if critical else " (a class)"


def _tell_motive(facts: SetFacts) -> str:
    """Return what the set is for: the failure cases of its rows, where it has any."""
    if not facts.cases:
        told = "It holds base rows alone; none is" if facts.is_base_alone else "None of its rows is"
        return f"{told} about a failure case."
    counts = facts.counts.get("case", [])
    table = _lay_out(
        ("failure case", "severity", "question", "rows"), [_tell_case(case, counts) for case in facts.cases], ""
    )
    return (
        "It was put together so that failures seen in the field are cured: beside its base rows it holds rows of "
        f"these failure cases.\n\n{table}"
    )


def _tell_case(case: Row, counts: Sequence[Row]) -> tuple[Any, ...]:
    rows = next((row["row_count"] for row in counts if row["value"] == case["case_name"]), 0)
    return case["case_name"], case["severity"], case["question"], rows


def _tell_range(facts: SetFacts) -> str:
    least, middle, greatest = (facts.extent[f"{name}_value"] for name in ("least", "middle", "greatest"))
    return f"The label is a number from {least!r} to {greatest!r}, its median {middle!r}."


def _tell_holdout(row: Row) -> str:
    return (
        f"hold-out {_plain(row['case_name'])}, version {row['version']} ({row['member_count']:,} samples of "
        f"{row['group_count']:,} groups)"
    )


def _tell_given_out(facts: SetFacts) -> str:
    if facts.is_whole:
        return "every row of the version"
    parts = "; ".join(_plain(told) for told in tell_withheld(facts.withheld))
    return f"{facts.extent['row_count']:,} of the version's {facts.stored.row_count:,} rows; left out: {parts}"


def _tell_models(facts: SetFacts) -> str:
    if not facts.models:
        return ""
    told = _join(f"{_plain(row['model_version'])} ({row['row_count']:,} rows)" for row in facts.models)
    return f"Predictions that led to rows are by the models {told}.\n"


def _tell_agreement(agreement: Agreement) -> str:
    if not agreement.question_count:
        return "Nobody was asked."
    told = f"{agreement.answer_count:,} answers to {agreement.question_count:,} questions."
    if agreement.compared_count:
        alpha = "undefined" if agreement.alpha is None else f"{agreement.alpha:.3f}"
        told += (
            f" On the {agreement.compared_count:,} that two or more answered all agreed on "
            f"{agreement.equal_share:.1%}; Krippendorff's alpha (nominal) is {alpha}. Questions that ended "
            "without a label are not among them."
        )
    return told


def _tell_check(check: Row) -> tuple[Any, ...]:
    outcome = "passed" if check["passed"] else "did not pass"
    return check["check_name"], check["requirement"], outcome, check["observed"], check["offending_rows"]


def _tell_erased(withheld: Sequence[Withheld]) -> str:
    count = sum(part.row_count for part in withheld if part.why == "erased")
    told = "1 row, which is" if count == 1 else f"{count:,} rows, which are"
    return f"{told} not in this export" if count else _NONE


def _lay_out_values(facts: SetFacts, name: str, title: str) -> str:
    rows = facts.counts.get(name, [])
    total = facts.extent["row_count"]
    lines = [(row["value"], row["row_count"], f"{row['row_count'] / total:.1%}", row["weight"]) for row in rows]
    return _lay_out((title, "rows", "share", "weight"), lines, f"Nothing is noted of {title}.")


def _lay_out(titles: Sequence[str], rows: Sequence[Sequence[Any]], otherwise: str) -> str:
    """Return a Markdown table, or a sentence where there is no row."""
    if not rows:
        return otherwise
    lines = [titles, ["---"] * len(titles), *[[_show(value) for value in row] for row in rows]]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _show(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:,.6f}".rstrip("0").rstrip(".")
    return f"{value:,}" if isinstance(value, int) else _plain(value)


def _plain(value: object) -> str:
    """Return a text that stays on its line and is no markup."""
    return _SPECIAL.sub(r"\\\1", " ".join(str(value).split()))


def _quote(value: object) -> str:
    """Return a name as Markdown's code, which knows no escapes."""
    return f"`{' '.join(str(value).split()).replace('`', chr(39))}`"


def _join(parts: Iterable[str]) -> str:
    return ", ".join(parts) or _NONE


def _tell_time(moment: datetime | None) -> str:
    return "(not said)" if moment is None else moment.strftime("%Y-%m-%d %H:%M:%S")
