"""Where a report lies, as text for people: the page itself says the rest."""

from collections.abc import Iterable
from typing import Any

from flows.lay_out_text import make_harmless

_Document = dict[str, Any]


def print_report(document: _Document) -> Iterable[str]:
    """Yield the verdict, where the page lies, and what is a person's to do now."""
    invented = "; INVENTED data of the demo" if document["is_invented"] else ""
    yield f"{make_harmless(document['model'])}: {document['verdict'] or 'not judged'}{invented}"
    if document["reason"]:
        yield f"  {make_harmless(document['reason'])}"
    known = "" if document["is_new"] else ", as it was"
    yield f"  {make_harmless(document['report'])}{known}; open it in a browser, or print it from there"
    yield f"  {make_harmless(document['report_json'])} holds the same facts"
    yield document["next"]


def suggest_after_report(facts: _Document) -> str:
    """Return what to do next about a model, in one line."""
    name, verdict = make_harmless(facts["model"]["model_version"]), facts["verdict"]
    if facts["sign_offs"]:
        latest = facts["sign_offs"][0]
        against = ", against the verdict" if latest["against_verdict"] else ""
        done = {"accept": "accepted", "refuse": "refused", "import": "taken in"}[latest["decision"]]
        return f"it was {done} by {make_harmless(latest['signed_by'])}{against}"
    if verdict is None:
        return "the gate has not judged it: turnrow retrain ATTRIBUTE trains and judges a candidate"
    if verdict["is_stale"]:
        return f"its verdict is out of date: turnrow retrain {facts['attribute']}"
    note = "" if verdict["verdict"] == "passed" else " --note WHY"
    return (
        f"look at what is newly wrong, then decide: turnrow sign-off {name} --by NAME --accept{note}, or --refuse"
    )
