"""Definitions as canonical JSON: what is stored and hashed to tell whether a meaning has changed.

Each lists its keys one by one, so that a setting that is added later changes no hash by its mere default.
`${NAME}` stays as it is written.
"""

import json
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from hashlib import sha256
from typing import Any

from schemas.case_file import FailureCase, ScopeSettings
from schemas.settings import AttributeSettings


def definition_json(value: object) -> str:
    """Return a value as JSON with sorted keys, no spaces and NFC text: equal values give equal text."""
    return json.dumps(_plain(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def hash_definition(definition: str) -> str:
    """Return the `definition_sha256` of a definition's text: 64 hex digits."""
    return sha256(definition.encode()).hexdigest()


def definition_of_attribute(attribute: AttributeSettings) -> str:
    """Return what an attribute's facts mean: its labels and their old names, groups, tracks, unit, tolerance.

    Which trainer, features or rules are in use changes no meaning, so it is not part of it.
    """
    return definition_json(
        {
            "attribute": attribute.name,
            "kind": attribute.kind,
            "labels": attribute.labels,
            "critical": sorted(attribute.critical),
            "was": attribute.was,
            "unit": attribute.unit,
            "tolerance": attribute.tolerance,
            "group_by": attribute.group_by,
            "within_track": attribute.within_track,
        }
    )


def definition_of_rule(rule_name: str, attribute: AttributeSettings, where: str | None = None) -> str:
    """Return what a rule flags: a built-in one's parameters, or the `where` of the user's own.

    The old names of labels are part of a built-in rule, since two labels that became one agree from then on.
    """
    rule: dict[str, Any] = {"rule": rule_name, "attribute": attribute.name}
    if where is not None:
        return definition_json(rule | {"where": where.strip()})
    parameters: dict[str, Any] = {"was": attribute.was} if attribute.was else {}
    if rule_name == "low_margin":
        parameters["threshold"] = attribute.low_margin
    if rule_name == "label_disagrees" and attribute.kind == "number":
        parameters |= {"tolerance": attribute.tolerance, "unit": attribute.unit}
    return definition_json(rule | {"parameters": parameters})


def definition_of_case(case: FailureCase) -> str:
    """Return all that a case file says."""
    return definition_json(
        {
            "case": case.case,
            "attribute": case.attribute,
            "question": case.question,
            "severity": case.severity,
            "members": case.members.where.strip(),
            "scope": _describe_scope(case.scope_in_use),
            "holdout": {"size": case.holdout.size, "truth": case.holdout.truth},
            "mine": asdict(case.mine),
            "gate": {key: value for key, value in asdict(case.gate).items() if value is not None},
        }
    )


def definition_of_members(case: FailureCase) -> str:
    """Return what decides who is a member of the case: nothing about budgets, severity or wording."""
    return definition_json({"attribute": case.attribute, "members": case.members.where.strip()})


def definition_of_holdout(case: FailureCase) -> str:
    """Return what decides what a hold-out of the case measures; its size does not."""
    return definition_json(
        {
            "attribute": case.attribute,
            "members": case.members.where.strip(),
            "scope": _describe_scope(case.scope_in_use),
            "truth": case.holdout.truth,
            "nearest": case.mine.nearest,
        }
    )


def _describe_scope(scope: ScopeSettings) -> dict[str, Any]:
    """Return a scope without a least similarity where likeness plays no part; a list's order says nothing."""
    described: dict[str, Any] = {"where": scope.where.strip()}
    if scope.similar_to:
        listed = scope.similar_to
        described["similar_to"] = listed if isinstance(listed, str) else sorted(set(listed))
        described["similarity_at_least"] = scope.similarity_at_least
    return described


def _plain(value: object) -> object:
    """Return a value as dicts, lists and scalars; zero has no sign."""
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, Mapping):
        return {unicodedata.normalize("NFC", str(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, str):
        return unicodedata.normalize("NFC", value)
    return 0.0 if isinstance(value, float) and value == 0 else value
