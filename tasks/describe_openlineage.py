"""Lineage as OpenLineage run events: an open standard of the LF AI & Data Foundation, specification 2-0-2.

One COMPLETE event a training set (job `assemble`) and a model (job `train`), in order of time. Nothing is sent.
Run ids are UUIDs of version 5 made of the set's or model's name, so that the same warehouse gives the same events.
"""

import uuid
from datetime import datetime
from typing import Any

from tasks.fetch_rows import Row
from tasks.trace_provenance import Provenance

_Document = dict[str, Any]
_SPEC = "https://openlineage.io/spec"
_PRODUCER = "urn:turnrow"
_NAMESPACE = "turnrow"
_RUNS = uuid.uuid5(uuid.NAMESPACE_URL, "urn:turnrow:run")


def describe_openlineage(found: Provenance) -> list[_Document]:
    """Return the run events of everything in a provenance."""
    events = [_tell_set(found, row) for row in found.sets] + [_tell_model(found, row) for row in found.models]
    return sorted(events, key=lambda event: (event["eventTime"], event["job"]["name"]))


def _tell_set(found: Provenance, row: Row) -> _Document:
    version = row["version"]
    inputs = [_name_file(file) for file in found.files if file["version"] == version]
    if row["parent_version"]:
        inputs.append(_name_dataset(row["parent_version"]))
    output = _name_dataset(version) | {
        "facets": {
            "version": _facet("1-0-1/DatasetVersionDatasetFacet", datasetVersion=version),
            "schema": _facet("1-2-0/SchemaDatasetFacet", fields=_FIELDS),
        },
        "outputFacets": {
            "outputStatistics": _facet("1-0-2/OutputStatisticsOutputDatasetFacet", rowCount=row["row_count"])
        },
    }
    return _event(f"assemble {row['attribute']}", version, row["known_at"], inputs, output)


def _tell_model(found: Provenance, row: Row) -> _Document:
    inputs = []
    if row["training_set_version"]:
        inputs.append(_name_checked(found, row["training_set_version"]))
    if row["parent_version"]:
        inputs.append(_name_dataset(row["parent_version"]))
    name = row["model_version"]
    output = _name_dataset(name) | {
        "facets": {"version": _facet("1-0-1/DatasetVersionDatasetFacet", datasetVersion=_tell_artefact(row))}
    }
    return _event(f"train {row['attribute']}", name, row["known_at"], inputs, output)


def _tell_artefact(row: Row) -> str:
    return f"sha256:{row['artefact_sha256']}" if row["artefact_sha256"] else str(row["model_version"])


def _name_checked(found: Provenance, version: str) -> _Document:
    """Return a training set as an input, with the checks that it stood."""
    assertions = [
        {
            "assertion": check["check_name"],
            "success": check["passed"],
            "severity": "error" if check["requirement"] == "must" else "warn",
        }
        for check in found.checks
        if check["version"] == version
    ]
    facet = _facet("1-1-0/DataQualityAssertionsDatasetFacet", assertions=assertions)
    return _name_dataset(version) | {"inputFacets": {"dataQualityAssertions": facet}}


def _name_file(file: Row) -> _Document:
    version = _facet("1-0-1/DatasetVersionDatasetFacet", datasetVersion=f"sha256:{file['content_sha256']}")
    return {"namespace": "file", "name": file["source_uri"], "facets": {"version": version}}


def _name_dataset(name: str) -> _Document:
    return {"namespace": _NAMESPACE, "name": name}


def _facet(schema: str, **content: object) -> _Document:
    name = schema.split("/")[-1]
    return {"_producer": _PRODUCER, "_schemaURL": f"{_SPEC}/facets/{schema}.json#/$defs/{name}", **content}


def _event(job: str, thing: str, moment: datetime, inputs: list[_Document], output: _Document) -> _Document:
    return {
        "eventType": "COMPLETE",
        "eventTime": moment.isoformat(),
        "producer": _PRODUCER,
        "schemaURL": f"{_SPEC}/2-0-2/OpenLineage.json#/$defs/RunEvent",
        "run": {"runId": str(uuid.uuid5(_RUNS, thing))},
        "job": {"namespace": _NAMESPACE, "name": job},
        "inputs": inputs,
        "outputs": [output],
    }


# The columns of training_set_member that say what a row is.
_FIELDS = [
    {"name": "sample_id", "type": "VARCHAR"},
    {"name": "revision_id", "type": "VARCHAR"},
    {"name": "label", "type": "VARCHAR"},
    {"name": "label_value", "type": "DOUBLE"},
    {"name": "weight", "type": "DOUBLE"},
    {"name": "reason", "type": "VARCHAR"},
]
