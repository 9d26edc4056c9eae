"""Lineage in open formats, read back by each format's own reference library.

OpenLineage: specification 2-0-2 (openlineage.io/spec), by the classes that the PyPI package openlineage-python
generates from the published JSON schema: each field by its name, run ids and times by its validators. The package
carries no schema file. PROV: W3C PROV-JSON, by the PyPI package prov.
"""

import json
from collections.abc import Callable
from typing import Any

import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.describe_openlineage import describe_openlineage
from tasks.describe_prov import describe_prov
from tasks.errors import UnknownNameError
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.retrain_model import retrain_model
from tasks.sign_off import sign_off
from tasks.trace_provenance import Provenance, trace_provenance
from tasks.warehouse import open_warehouse

_SETTINGS = """
[attribute.obstacle]
labels = ["person", "crate"]
[attribute.obstacle.trainer_settings]
hidden = [4]
epochs = 3
warm_epochs = 2
"""


def _write(loop: Loop, name: str, truth: str, person: str) -> None:
    rows = [
        {
            "recording_id": f"{name}-{number}",
            "object_id": "1",
            "observed_at": "2026-05-04T06:00:00Z",
            "attribute": "obstacle",
            "features": [float(number), 1.0 if truth == "person" else -1.0],
            "label": truth,
            "origin": "person",
            "decided_by": person,
            "decided_at": "2026-05-05T06:00:00Z",
        }
        for number in range(6)
    ]
    path = loop.folder / f"{name}.jsonl"
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    pull_files(loop, [path])


@pytest.fixture
def found(make_file_loop: Callable[..., Loop]) -> tuple[Loop, str, Provenance]:
    """Two files of two people; a set, a model signed in, and the set and model after it. All invented."""
    loop = make_file_loop(_SETTINGS)
    _write(loop, "first", "person", "ana")
    _write(loop, "second", "crate", "ben & co")
    assemble_training_set(loop, "obstacle")
    first = retrain_model(loop, "obstacle", []).model
    sign_off(loop, first, signed_by="A. Picker", decision="accept", note="a first model")
    _write(loop, "third", "crate", "ana")
    _write(loop, "fourth", "person", "ana")
    assemble_training_set(loop, "obstacle")
    last = retrain_model(loop, "obstacle", []).model
    return loop, last, trace_provenance(loop, last)


def _count(loop: Loop, query: str, **bound: object) -> int:
    with open_warehouse(loop, write=False) as warehouse:
        row = warehouse.connection.execute(query, bound).fetchone()
    return int(row[0]) if row else 0


def test_every_event_is_what_the_published_classes_take_and_give_back(found: tuple[Loop, str, Provenance]) -> None:
    from openlineage.client import event_v2
    from openlineage.client.serde import Serde

    events = describe_openlineage(found[2])
    assert len(events) == len(found[2].sets) + len(found[2].models)
    for event in events:
        built = event_v2.RunEvent(
            eventType=event_v2.RunState(event["eventType"]),
            eventTime=event["eventTime"],
            run=event_v2.Run(**event["run"]),
            job=event_v2.Job(**event["job"]),
            inputs=[event_v2.InputDataset(**_build(part)) for part in event["inputs"]],
            outputs=[event_v2.OutputDataset(**_build(part)) for part in event["outputs"]],
            producer=event["producer"],
        )
        assert _drop_empty(Serde.to_dict(built)) == _drop_empty(event)
        assert built.schemaURL == event["schemaURL"]


def _build(dataset: dict[str, Any]) -> dict[str, Any]:
    kinds = ("facets", "inputFacets", "outputFacets")
    return {
        key: {name: _build_facet(facet) for name, facet in part.items()} if key in kinds else part
        for key, part in dataset.items()
    }


def _build_facet(facet: dict[str, Any]) -> Any:
    """Return a facet as the package's own class that its address names; unknown fields are refused."""
    from openlineage.client.generated import (
        data_quality_assertions_dataset,
        dataset_version_dataset,
        output_statistics_output_dataset,
        schema_dataset,
    )

    name = facet["_schemaURL"].split("/")[-1]
    homes = (
        data_quality_assertions_dataset,
        dataset_version_dataset,
        output_statistics_output_dataset,
        schema_dataset,
    )
    (kind,) = {getattr(home, name) for home in homes if hasattr(home, name)}
    content = {key: value for key, value in facet.items() if not key.startswith("_")}
    if "assertions" in content:
        content["assertions"] = [
            data_quality_assertions_dataset.Assertion(**part) for part in content["assertions"]
        ]
    if "fields" in content:
        content["fields"] = [schema_dataset.SchemaDatasetFacetFields(**part) for part in content["fields"]]
    built = kind(**content, producer=facet["_producer"])
    assert built._schemaURL.split("/")[-1] == name
    return built


def _drop_empty(value: Any) -> Any:
    """Return a document without what is empty, and without the address of a facet's schema version."""
    if isinstance(value, dict):
        kept = {key: _drop_empty(part) for key, part in value.items() if key not in ("_schemaURL", "schemaURL")}
        return {key: part for key, part in kept.items() if part not in ({}, [], None)}
    return [_drop_empty(part) for part in value] if isinstance(value, list) else value


def test_the_same_warehouse_gives_the_same_events(found: tuple[Loop, str, Provenance]) -> None:
    loop, last, first = found
    assert describe_openlineage(trace_provenance(loop, last)) == describe_openlineage(first)


def test_an_event_names_the_files_that_the_set_was_made_of(found: tuple[Loop, str, Provenance]) -> None:
    events = {event["outputs"][0]["name"]: event for event in describe_openlineage(found[2])}
    first = found[2].sets[0]["version"]
    names = {part["name"] for part in events[first]["inputs"]}
    assert names == {"first.jsonl", "second.jsonl"}


def test_prov_loads_with_the_counts_that_sql_gives(found: tuple[Loop, str, Provenance]) -> None:
    import prov.model as prov

    loop, last, traced = found
    document = prov.ProvDocument.deserialize(content=json.dumps(describe_prov(traced)), format="json")

    def count(kind: Any) -> int:
        return len(list(document.get_records(kind)))

    sets = _count(loop, "select count(*) from training_set")
    models = _count(loop, "select count(*) from model where model_version = $m or role <> 'control'", m=last)
    files = _count(loop, "select count(distinct label_batch_id) from training_set_lineage")
    people = _count(
        loop, "select count(distinct person) from training_set_lineage, unnest(annotators) as t (person)"
    )
    signers = _count(loop, "select count(distinct signed_by) from sign_off")
    assert (len(traced.sets), len(traced.models)) == (sets, models)
    assert count(prov.ProvEntity) == sets + sets + models + files
    assert count(prov.ProvActivity) == sets + models + _count(loop, "select count(*) from sign_off")
    assert count(prov.ProvAgent) == people + signers + 1
    assert count(prov.ProvGeneration) == sets + models


def test_what_is_neither_set_nor_model_is_refused(found: tuple[Loop, str, Provenance]) -> None:
    with pytest.raises(UnknownNameError, match="no such training set or model"):
        trace_provenance(found[0], "obstacle-0009")
