"""Lineage as PROV-JSON: W3C Recommendation PROV-DM and Member Submission "The PROV-JSON Serialization", 2013.

Entities are files, training sets, the label revisions of a set (one collection a set, with their count), models;
activities are the making of a set, the training of a model, a person's decision; agents are people and Turnrow.
"""

from datetime import datetime
from typing import Any

from tasks.fetch_rows import Row
from tasks.trace_provenance import Provenance

_Document = dict[str, dict[str, Any]]
_TURNROW = "turnrow:software/turnrow"


def describe_prov(found: Provenance) -> _Document:
    """Return the PROV-JSON document of everything in a provenance."""
    document: _Document = {
        "prefix": {"turnrow": "urn:turnrow:"},
        "agent": {_TURNROW: {"prov:type": _qualified("prov:SoftwareAgent")}},
    }
    for file in found.files:
        _put(document, "entity", _name("file", file["batch_id"]), _tell_file(file))
    for row in found.labels:
        count = {"prov:type": _qualified("prov:Collection"), "turnrow:count": _whole(row["label_count"])}
        _put(document, "entity", _name("labels", row["version"]), count)
    for row in found.sets:
        _tell_set(document, found, row)
    for row in found.models:
        _tell_model(document, row)
    for row in found.people:
        _tell_person(document, row)
    for number, row in enumerate(found.signatures):
        _tell_signature(document, number, row)
    return document


def _tell_file(file: Row) -> dict[str, Any]:
    return {
        "prov:type": "file",
        "prov:label": file["source_uri"],
        "turnrow:sha256": file["content_sha256"],
    }


def _tell_set(document: _Document, found: Provenance, row: Row) -> None:
    version = row["version"]
    entity, activity = _name("training_set", version), _name("assemble", version)
    content = {
        "prov:type": "training set",
        "turnrow:digest": row["digest"],
        "turnrow:row_count": _whole(row["row_count"]),
        "turnrow:state": row["state"],
    }
    _put(document, "entity", entity, content)
    _make(document, entity, activity, row["known_at"])
    used = [_name("file", file["batch_id"]) for file in found.files if file["version"] == version]
    used.append(_name("labels", version))
    if row["parent_version"]:
        used.append(_name("training_set", row["parent_version"]))
    _use(document, entity, activity, used)


def _tell_model(document: _Document, row: Row) -> None:
    name = row["model_version"]
    entity, activity = _name("model", name), _name("train", name)
    content = {"prov:type": "model", "turnrow:role": row["role"]}
    if row["artefact_sha256"]:
        content["turnrow:sha256"] = row["artefact_sha256"]
    _put(document, "entity", entity, content)
    _make(document, entity, activity, row["known_at"])
    used = []
    if row["training_set_version"]:
        used.append(_name("training_set", row["training_set_version"]))
    if row["parent_version"]:
        used.append(_name("model", row["parent_version"]))
    _use(document, entity, activity, used)


def _tell_person(document: _Document, row: Row) -> None:
    agent, labels = _name("person", row["person"]), _name("labels", row["version"])
    _put(document, "agent", agent, {"prov:type": _qualified("prov:Person"), "prov:label": row["person"]})
    relation = {
        "prov:entity": labels,
        "prov:agent": agent,
        "turnrow:count": _whole(row["label_count"]),
    }
    _relate(document, "wasAttributedTo", relation)


def _tell_signature(document: _Document, number: int, row: Row) -> None:
    agent = _name("person", row["signed_by"])
    activity = _name("sign_off", f"{row['model_version']}/{number + 1}")
    _put(document, "agent", agent, {"prov:type": _qualified("prov:Person"), "prov:label": row["signed_by"]})
    moment = _moment(row["known_at"])
    content = {"prov:startTime": moment, "prov:endTime": moment, "turnrow:decision": row["decision"]}
    _put(document, "activity", activity, content)
    _relate(document, "used", {"prov:activity": activity, "prov:entity": _name("model", row["model_version"])})
    _relate(document, "wasAssociatedWith", {"prov:activity": activity, "prov:agent": agent})


def _make(document: _Document, entity: str, activity: str, moment: datetime) -> None:
    _put(document, "activity", activity, {"prov:endTime": _moment(moment)})
    generated = {"prov:entity": entity, "prov:activity": activity, "prov:time": _moment(moment)}
    _relate(document, "wasGeneratedBy", generated)
    _relate(document, "wasAssociatedWith", {"prov:activity": activity, "prov:agent": _TURNROW})


def _use(document: _Document, entity: str, activity: str, used: list[str]) -> None:
    for name in used:
        _relate(document, "used", {"prov:activity": activity, "prov:entity": name})
        derived = {"prov:generatedEntity": entity, "prov:usedEntity": name, "prov:activity": activity}
        _relate(document, "wasDerivedFrom", derived)


def _put(document: _Document, kind: str, name: str, content: dict[str, Any]) -> None:
    document.setdefault(kind, {})[name] = content


def _relate(document: _Document, kind: str, content: dict[str, Any]) -> None:
    relations = document.setdefault(kind, {})
    relations[f"_:{kind}{len(relations) + 1}"] = content


def _name(kind: str, name: str) -> str:
    """Return a qualified name; what such a name cannot hold is written with percent signs, as in an address."""
    from urllib.parse import quote

    return f"turnrow:{kind}/{quote(name, safe='/')}"


def _qualified(name: str) -> dict[str, str]:
    return {"$": name, "type": "prov:QUALIFIED_NAME"}


def _whole(number: int) -> dict[str, str]:
    return {"$": str(number), "type": "xsd:long"}


def _moment(moment: datetime) -> str:
    return moment.isoformat()
