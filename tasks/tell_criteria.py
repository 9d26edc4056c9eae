"""What each criterion of a verdict is about, in words; the numbers beside it stay the warehouse's."""

from tasks.report_facts import JudgedCriterion

GROUPS = (
    (("target", "figure"), "What has to get better"),
    (("guard",), "What must not get worse"),
    (("harm",), "Other cases, one by one"),
)
WORDS = {"passed": "holds", "failed": "fails", "undecided": "undecided"}
_GUARDS = {"whole": "Overall accuracy", "other_cases": "All other cases together"}
_NAMES = {"recall": "Recall of", "precision": "Precision of", "false_alarms": "False alarms of"}


def name_criterion(one: JudgedCriterion) -> str:
    """Return what a criterion is about, as in `crouched-picker against the control`."""
    if one.kind == "target":
        return f"{one.about} against the {one.role}"
    if one.kind == "figure":
        return f"{one.about}, its own figure"
    if one.kind == "guard":
        measure, _, of = one.about.partition(":")
        return _GUARDS.get(one.about) or f"{_NAMES.get(measure, measure)} {of}".strip()
    return one.about


def shorten_reason(one: JudgedCriterion) -> str:
    """Return the stored reason without the words that `name_criterion` has said already."""
    name = name_criterion(one).lower()
    reason = one.reason
    for said in (f"{name}: ", f"{name} "):
        if reason.lower().startswith(said):
            return reason[len(said) :]
    return reason
