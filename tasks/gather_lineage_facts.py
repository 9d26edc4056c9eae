"""The parts of a report on what a model learned from: rows, checks, label cost, and what it came from."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime

import duckdb

from tasks.diff_versions import diff_versions
from tasks.errors import TrainerError
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.read_judgement import Judgement, read_model_row
from tasks.report_facts import DataChange, LabelCost, ModelLineage, SetChange, Updates

_FILES_SHOWN = 12
_BEGINNING = datetime(1970, 1, 1, tzinfo=UTC)
_BUILT_IN = "builtin:mlp"


def gather_data(connection: duckdb.DuckDBPyConnection, judgement: Judgement) -> DataChange:
    """Return what the model's training set is, with its checks; `change` is asked of `compare_sets` later."""
    model = judgement.model
    version = {"version": model["training_set_version"]}
    return DataChange(
        version=model["training_set_version"],
        row_count=model["row_count"],
        digest=model["digest"],
        as_of=model["as_of"],
        rows=fetch_rows(connection, "report/set_rows", version),
        checks=fetch_rows(connection, "report/checks", version),
        change=None,
    )


def name_old_set(judgement: Judgement) -> str | None:
    """Return the incumbent's training set, or where nobody knows it, the version that the set was made from."""
    own = judgement.model["training_set_version"]
    old = judgement.incumbent["training_set_version"] if judgement.incumbent else None
    old = old or judgement.model["set_parent_version"]
    return str(old) if old and own and old != own else None


def compare_sets(loop: Loop, old: str | None, new: str | None) -> SetChange | None:
    """Return what changed between two versions, without naming samples; None where there is nothing to compare."""
    if old is None or new is None:
        return None
    found = diff_versions(loop, old, new)
    return SetChange(
        old_version=old,
        old_row_count=found.old.row_count,
        same_row_count=found.same_row_count,
        changes=found.changes,
        in_because=_without_samples(found.in_because),
        out_because=_without_samples(found.out_because),
        relabelled=found.relabelled,
    )


def _without_samples(rows: list[Row]) -> list[Row]:
    return [{key: value for key, value in row.items() if key != "sample_ids"} for row in rows]


def gather_cost(connection: duckdb.DuckDBPyConnection, judgement: Judgement) -> LabelCost | None:
    """Return what was asked and answered between the old set's moment and the model's set's."""
    if judgement.model["as_of"] is None:
        return None
    old = name_old_set(judgement)
    rows = fetch_rows(connection, "report/set_moment", {"version": old}, moments=("as_of",)) if old else []
    since = rows[0]["as_of"] if rows else None
    span = {
        "attribute": judgement.attribute.name,
        "since": since or _BEGINNING,
        "until": judgement.model["as_of"],
    }
    (total,) = fetch_rows(connection, "report/label_cost_total", span)
    return LabelCost(
        old, since, judgement.model["as_of"], fetch_rows(connection, "report/label_cost", span), total
    )


def gather_lineage(connection: duckdb.DuckDBPyConnection, judgement: Judgement) -> ModelLineage:
    """Return the chain of models, the files and the people that a model rests on."""
    of_model = {"id": judgement.name}
    files = fetch_rows(connection, "lineage/files_of_model", of_model)
    control = judgement.roles["control"]
    return ModelLineage(
        chain=fetch_rows(connection, "lineage/ancestry_of_model", of_model),
        files=files[:_FILES_SHOWN],
        file_count=len(files),
        people=fetch_rows(connection, "lineage/people_of_model", of_model),
        candidate_updates=count_model_updates(judgement.model),
        control_updates=count_model_updates(read_model_row(connection, control)) if control else None,
    )


def count_model_updates(model: Mapping[str, object] | None) -> Updates | None:
    """Return how many weight updates the built-in trainer made of a model; None where another trained it."""
    if model is None or model["trainer"] != _BUILT_IN or model["row_count"] is None:
        return None
    from tasks.read_trainer_request import read_trainer_settings
    from tasks.train_perceptron import count_updates

    try:
        settings = read_trainer_settings(json.loads(str(model["settings"] or "{}")).get("settings", {}))
    except TrainerError:
        return None  # stored by a version whose trainer knew other settings
    epochs = settings.epochs_to_run
    if epochs is None:
        epochs = settings.epochs if model["parent_version"] is None else settings.warm_epochs
    rows = int(str(model["row_count"]))
    return Updates(str(model["model_version"]), epochs, rows, count_updates(rows, epochs))
