"""What the random watch says, as text for people."""

from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import count_things, indent, lay_out_table, make_harmless

_Document = dict[str, Any]


def print_watch(document: _Document) -> Iterable[str]:
    """Yield what was drawn, and the figures of each attribute."""
    tracks = count_things(document["tracks"], "served track")
    yield (
        f"{count_things(document['drawn'], 'sample')} drawn of {tracks}, {document['asked']:,} of them asked; "
        f"{count_things(document['closed'], 'week')} closed, each attribute's by itself"
    )
    if document["restricted"]:
        yield f"  {document['restricted']:,} may not be queued by a [[restriction]], so their truth stays unknown"
    if document["late"]:
        yield f"  {count_things(document['late'], 'track')} came in too late to be drawn"
    for name, state in document["states"].items():
        yield f"  {make_harmless(name)} is {state}"
    for figures in document["attributes"]:
        yield from _print_attribute(figures)


def _print_attribute(figures: _Document) -> Iterable[str]:
    name = make_harmless(figures["attribute"])
    yield ""
    if not figures["weeks"]:
        yield f"{name}: nothing drawn yet: a week is drawn once it is over"
        return
    weeks = count_things(figures["weeks"], "week")
    yield f"{name}: {weeks} drawn, {figures['open_weeks']:,} not closed yet; shares of tracks, with 95 % intervals"
    models = [
        {**row, "share": tell_share(row["errors"]), "counted": row["errors"]["samples"]}
        for row in figures["models"]
    ]
    columns = {
        "model_version": "model",
        "track_count": "tracks served",
        "watched": "watched",
        "answered": "answered",
        "open": "open",
        "without_label": "without an answer",
        "counted": "counted",
        "share": "wrong",
    }
    yield from indent(lay_out_table(models, columns))
    if any(row["open"] for row in models):
        yield "  a week is counted once none of its questions is open: what is answered first is no random part"
    rules = [
        {
            **row,
            "precision": tell_share(row["precision"]),
            "doubted": row["precision"]["samples"],
            "recall": tell_share(row["recall"]),
            "wrong": row["recall"]["samples"],
        }
        for row in figures["rules"]
    ]
    if rules:
        columns = {
            "rule": "rule",
            "precision": "of what it doubts, wrong",
            "doubted": "n",
            "recall": "of what is wrong, doubted",
            "wrong": "n",
        }
        yield from ["", *indent(lay_out_table(rules, columns))]


def tell_share(share: _Document) -> str:
    """Return a share with its interval in percent, or `-` where no sample tells it."""
    if share["value"] is None:
        return "-"
    value, low, high = (f"{100 * share[key]:.1f}" for key in ("value", "low", "high"))
    return f"{value} % ({low} to {high})"


def print_case_in_service(service: _Document | None) -> list[str]:
    """Return what the watch says of one case: by model, and the models since its cure against those before."""
    if service is None:
        return ["nothing watched of its attribute yet: turnrow watch"]
    rows = [
        {
            "model": model,
            "since": "since its cure" if model in service["models_after"] else "before",
            "counted": share["samples"],
            "share": tell_share(share),
        }
        for model, share in service["shares"].items()
    ]
    columns = {"model": "model", "since": "accepted", "counted": "counted", "share": "tracks with its error"}
    if not service["models_after"]:
        del columns["since"]
    return [*lay_out_table(rows, columns), *_tell_comparison(service)]


def _tell_comparison(service: _Document) -> list[str]:
    found = service["comparison"]
    if found is None:
        return ["there is nothing yet to compare by"] if service["models_after"] else []
    where = (
        f"in {count_things(found['strata'], 'week and site', 'weeks and sites')} where both ran"
        if found["strata"]
        else "before against after"
    )
    counts = (
        f"{where}: {found['after_errors']:,} of {count_things(found['after_tracks'], 'track')} since its cure, "
        f"{found['before_errors']:,} of {count_things(found['before_tracks'], 'track')} of the models before"
    )
    if found["low"] is None:
        return [counts, "no error on either side, so there is no ratio"]
    ratio, high = ("without bound" if found[key] is None else f"{found[key]:.2f}" for key in ("ratio", "high"))
    told = [counts, f"ratio of the shares {ratio} ({found['low']:.2f} to {high})"]
    return [*told, found["note"]] if found["note"] else told
