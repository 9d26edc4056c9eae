"""What must hold between the keys of `turnrow.toml`; the first thing that does not is raised."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from schemas.expectations import BUILT_IN_CHECKS
from schemas.read_toml import Place, build_table, find_nearest, name_nearest, show
from schemas.settings import (
    BUILT_IN_RULES,
    BUILT_IN_TRAINERS,
    NOT_LABELS,
    PLANNED_RULES,
    AttributeSettings,
    CheckSettings,
    RestrictionSettings,
    RuleSettings,
    ScheduleSettings,
    Settings,
    WarehouseSettings,
)

# Preferred acceptance quality limits in percent nonconforming: MIL-STD-105E, table II-A (from memory),
# as far as the tables in use have them.
AQL_VALUES = (0.065, 0.1, 0.15, 0.25, 0.4, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)

_GROUP_COLUMNS = ("recording_id", "object_id", "unit_id")
_CRON_FIELDS = (("minute", 0, 59), ("hour", 0, 23), ("day", 1, 31), ("month", 1, 12), ("weekday", 0, 7))
_CRON_NAMES = {
    "month": ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"],
    "weekday": ["sun", "mon", "tue", "wed", "thu", "fri", "sat"],
}


def build_settings(table: dict[str, Any], place: Place) -> Settings:
    """Return the settings in the top table of `turnrow.toml`, every rule of theirs checked.

    Raises SettingsFileError.
    """
    _refuse_misplaced(table, place)
    settings = build_table(Settings, table, place)
    attributes = {
        name: _complete_attribute(name, attribute, table["attribute"][name])
        for name, attribute in settings.attribute.items()
    }
    settings = replace(settings, attribute=attributes)
    _check_all(settings, place)
    return settings


def _refuse_misplaced(value: object, place: Place) -> None:
    """Refuse `near_duplicate` below the top: TOML gives a bare key to whichever table is above it."""
    if isinstance(value, list):
        for number, item in enumerate(value, start=1):
            _refuse_misplaced(item, place.item(number))
    if not isinstance(value, dict):
        return
    for key, item in value.items():
        if key == "near_duplicate" and place.key and not isinstance(item, dict):
            text = "stands in a table; it is a key of the whole file, so put it above the first [table]"
            raise place.inside(key).error(text)
        _refuse_misplaced(item, place.inside(key))


def _complete_attribute(name: str, attribute: AttributeSettings, given: dict[str, Any]) -> AttributeSettings:
    """Return the attribute with its name, and without the rule on scores where a number has none."""
    if attribute.kind == "number" and "rules" not in given:
        return replace(attribute, name=name, rules=("label_disagrees",))
    return replace(attribute, name=name)


def _check_all(settings: Settings, place: Place) -> None:
    _check_warehouse(settings.warehouse, place.inside("warehouse"))
    _check_rules(settings.rule, settings.attribute, place.inside("rule"))
    for name, attribute in settings.attribute.items():
        _check_attribute(attribute, settings.rule, place.inside("attribute").inside(name))
    _check_checks(settings.check, settings.attribute, place.inside("check"))
    _check_promoted(settings.checks.must, place.inside("checks").inside("must"))
    if settings.audit and settings.audit.aql not in AQL_VALUES:
        listed = ", ".join(f"{value:g}" for value in AQL_VALUES)
        raise (place.inside("audit").inside("aql").error(f"is {settings.audit.aql:g}; expected one of {listed}"))
    _check_schedule(settings.schedule, place.inside("schedule"))
    for number, table in enumerate(settings.leave_out, start=1):
        _expect_attribute(table.attribute, settings.attribute, place.inside("leave_out").item(number))
    _check_restrictions(settings.restriction, place.inside("restriction"))


def _check_warehouse(warehouse: WarehouseSettings, place: Place) -> None:
    """Refuse a location of an unknown kind; its text is not shown, since it may hold a password."""
    where, location = place.inside("location"), warehouse.location
    expected = 'a file path, "ducklake:postgres:…", "ducklake:FILE.sqlite" or "ducklake:FILE.ducklake"'
    if location.startswith("${"):
        return
    kind = re.match(r"[A-Za-z][A-Za-z0-9+]+:", location)
    if not kind:
        if warehouse.data_path:
            raise place.inside("data_path").error("is for a ducklake location; a warehouse file has none")
        return
    if kind[0] != "ducklake:":
        raise where.error(f"is of the unknown kind {show(kind[0])}; expected {expected}")
    rest = location.removeprefix("ducklake:")
    if re.match(r"postgres:\s*\S", rest):
        if not warehouse.data_path:
            text = "is missing; a lake on PostgreSQL needs a folder that all hosts share, or an s3:// address"
            raise place.inside("data_path").error(text)
    elif "${" not in rest and not re.fullmatch(r"[^:]+\.(sqlite|ducklake)", rest):
        raise where.error(f"names no catalogue that is known; expected {expected}")


def _check_attribute(attribute: AttributeSettings, own_rules: Sequence[RuleSettings], place: Place) -> None:
    if attribute.kind == "class":
        _check_class(attribute, place)
    else:
        _check_number(attribute, place)
    _check_rules_in_use(attribute, own_rules, place.inside("rules"))
    _check_trainer(attribute.trainer, place.inside("trainer"))
    if re.fullmatch(r"[\w-]+", attribute.group_by) and attribute.group_by not in _GROUP_COLUMNS:
        hint = name_nearest(attribute.group_by, _GROUP_COLUMNS)
        text = f"no column {show(attribute.group_by)} to group by; {hint}, or an expression of the context"
        raise place.inside("group_by").error(text)
    if attribute.answers_needed > attribute.answers_at_most:
        text = f"is {attribute.answers_needed}, more than answers_at_most, which is {attribute.answers_at_most}"
        raise place.inside("answers_needed").error(text)
    for key in ("slices", "deciders", "signers"):
        _refuse_repeats(getattr(attribute, key), place.inside(key))


def _check_class(attribute: AttributeSettings, place: Place) -> None:
    labels, where = attribute.labels, place.inside("labels")
    if not labels:
        raise where.error('is missing or empty; expected a list of labels, or kind = "number"')
    _refuse_repeats(labels, where)
    if len(labels) < 2:
        raise where.error("has one label; expected at least two, there is nothing to tell apart otherwise")
    _refuse_not_labels(labels, where)
    for key in ("unit", "tolerance"):
        if getattr(attribute, key):
            raise place.inside(key).error('is for kind = "number"; this attribute is a class')
    _refuse_repeats(attribute.critical, place.inside("critical"))
    for label in attribute.critical:
        _expect_label(label, labels, place.inside("critical"))
    _check_was(attribute, place.inside("was"))


def _check_was(attribute: AttributeSettings, place: Place) -> None:
    _refuse_not_labels(attribute.was, place)
    for old, new in attribute.was.items():
        if old in attribute.labels:
            raise place.inside(old).error("is a label still; only a label that is no longer in `labels` was one")
        _expect_label(new, attribute.labels, place.inside(old))


def _check_number(attribute: AttributeSettings, place: Place) -> None:
    for key in ("labels", "critical", "was"):
        if getattr(attribute, key):
            raise place.inside(key).error('is for kind = "class"; this attribute is a number')
    if not attribute.unit.strip():
        raise place.inside("unit").error('is missing; kind = "number" needs one, as in unit = "m"')
    if attribute.tolerance is None:
        text = 'is missing; kind = "number" needs one: how far off a prediction may be, in its unit'
        raise place.inside("tolerance").error(text)
    if "low_margin" in attribute.rules:
        raise place.inside("rules").error("low_margin looks at the scores of labels; a number has none")


def _check_rules_in_use(attribute: AttributeSettings, own_rules: Sequence[RuleSettings], place: Place) -> None:
    _refuse_repeats(attribute.rules, place)
    for rule in attribute.rules:
        if rule in PLANNED_RULES:
            listed = ", ".join(BUILT_IN_RULES)
            raise place.error(f"{rule} is not available in this version; available: {listed}")
        if rule in {own.name for own in own_rules}:
            raise place.error(f"{rule} is a [[rule]] of your own, always in use; take it out of the built-in ones")
        if rule not in BUILT_IN_RULES:
            raise place.error(f"no built-in rule {show(rule)}; {name_nearest(rule, BUILT_IN_RULES)}")


def _check_trainer(trainer: str, place: Place) -> None:
    if trainer.startswith("builtin:") and trainer not in BUILT_IN_TRAINERS:
        raise place.error(f"no built-in trainer {show(trainer)}; {name_nearest(trainer, BUILT_IN_TRAINERS)}")


def _check_rules(rules: Sequence[RuleSettings], attributes: Iterable[str], place: Place) -> None:
    _refuse_repeated_names([rule.name for rule in rules], place)
    for number, rule in enumerate(rules, start=1):
        where = place.item(number, rule.name)
        if rule.name in BUILT_IN_RULES + PLANNED_RULES:
            raise where.inside("name").error("is the name of a built-in rule; choose another")
        _expect_attribute(rule.attribute, attributes, where)


def _check_checks(checks: Sequence[CheckSettings], attributes: Iterable[str], place: Place) -> None:
    _refuse_repeated_names([check.name for check in checks], place)
    for number, check in enumerate(checks, start=1):
        where = place.item(number, check.name)
        if check.name in BUILT_IN_CHECKS:
            raise where.inside("name").error("is the name of a built-in check; choose another")
        _expect_attribute(check.attribute, attributes, where)


def _check_promoted(names: Sequence[str], place: Place) -> None:
    _refuse_repeats(names, place)
    for name in names:
        if name not in BUILT_IN_CHECKS:
            raise place.error(f"no built-in check {show(name)}; {name_nearest(name, BUILT_IN_CHECKS)}")


def _check_restrictions(restrictions: Sequence[RestrictionSettings], place: Place) -> None:
    for number, restriction in enumerate(restrictions, start=1):
        where = place.item(number)
        _refuse_repeats(restriction.never, where.inside("never"))
        if not restriction.never and not restriction.keep:
            raise where.error("restricts nothing; expected never (queue, train, export) or keep (days)")


def _check_schedule(schedule: ScheduleSettings, place: Place) -> None:
    _check_cron(schedule.nightly, place.inside("nightly"))
    _check_cron(schedule.round, place.inside("round"))
    _check_timezone(schedule.timezone, place.inside("timezone"))


def _check_timezone(name: str, place: Place) -> None:
    if name == "UTC":
        return
    import zoneinfo  # reads files, so only where it is needed

    try:
        zoneinfo.ZoneInfo(name)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError) as error:
        nearest = find_nearest(name, sorted(zoneinfo.available_timezones()))
        hint = f"; the nearest known one is `{nearest}`" if nearest else ""
        raise place.error(f"no time zone {show(name)}{hint}") from error


def _check_cron(line: str, place: Place) -> None:
    """Refuse a cron line that is not five fields, or has a value that its field cannot take; '' is never."""
    if not line:
        return
    parts = line.lower().split()
    if len(parts) != len(_CRON_FIELDS):
        raise place.error(f'is {show(line)}; expected five fields, as in "0 2 * * *", or "" for never')
    for part, (name, low, high) in zip(parts, _CRON_FIELDS, strict=True):
        if not all(_is_cron_item(item, name, low, high) for item in part.split(",")):
            text = f"is {show(line)}; its {name} {show(part)} is not a value, range or step of {low} to {high}"
            raise place.error(text)


def _is_cron_item(item: str, name: str, low: int, high: int) -> bool:
    for number, word in enumerate(_CRON_NAMES.get(name, []), start=low):
        item = re.sub(rf"\b{word}\b", str(number), item)
    found = re.fullmatch(r"(?:\*|([0-9]{1,2})(?:-([0-9]{1,2}))?)(?:/([0-9]{1,2}))?", item)
    if not found:
        return False
    first = int(found[1]) if found[1] else low
    last = int(found[2]) if found[2] else max(first, low)
    return low <= first <= last <= high and found[3] != "0"


def _expect_label(label: str, labels: Sequence[str], place: Place) -> None:
    if label not in labels:
        raise place.error(f"{show(label)} is none of the labels; {name_nearest(label, labels)}")


def _expect_attribute(name: str, attributes: Iterable[str], place: Place) -> None:
    known = list(attributes)
    if name not in known:
        raise place.inside("attribute").error(f"no attribute {show(name)}; {name_nearest(name, known)}")


def _refuse_not_labels(labels: Iterable[str], place: Place) -> None:
    for label in labels:
        if label in NOT_LABELS:
            raise place.error(f"{show(label)} is an answer that means that there is no label; call it otherwise")


def _refuse_repeats(values: Sequence[str], place: Place) -> None:
    for number, value in enumerate(values):
        if value in values[:number]:
            raise place.error(f"has {show(value)} twice")


def _refuse_repeated_names(names: Sequence[str], place: Place) -> None:
    for number, name in enumerate(names):
        if name in names[:number]:
            raise place.error(f"has two tables named {show(name)}; every name stands for one")
