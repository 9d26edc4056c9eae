"""Models as the warehouse knows them: names made of content, artefacts opened only if their hash matches."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb

from schemas.definitions import hash_definition
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import TrainerError
from tasks.hash_artefact import hash_folder
from tasks.loop import Loop


@dataclass(frozen=True)
class KnownModel:
    """A row of `model`; without an artefact only its logs are known."""

    model_version: str
    training_set_version: str | None
    trainer: str | None
    settings: str | None
    artefact_uri: str | None
    artefact_sha256: str | None

    @property
    def labels(self) -> tuple[str, ...]:
        """The labels it was trained with, in the order of its outputs; empty where nobody said."""
        return tuple(json.loads(self.settings or "{}").get("labels", ()))


def read_incumbent(connection: duckdb.DuckDBPyConnection, attribute: str) -> KnownModel | None:
    """Return the attribute's incumbent, if it has one."""
    row = connection.execute(read_sql("evaluate/read_incumbent"), {"attribute": attribute}).fetchone()
    return KnownModel(*row) if row else None


def read_model(connection: duckdb.DuckDBPyConnection, model_version: str) -> KnownModel | None:
    """Return a model by its name, if the warehouse knows it."""
    row = connection.execute(read_sql("evaluate/read_model"), {"model_version": model_version}).fetchone()
    return KnownModel(*row) if row else None


def find_artefact(loop: Loop, model: KnownModel) -> Path | None:
    """Return the path of a model's artefact; None where it has none.

    Raises TrainerError where the artefact is gone or is no longer what was stored: its hash differs.
    """
    if model.artefact_uri is None:
        return None
    path = loop.locate(model.artefact_uri)
    if not path.exists():
        raise TrainerError(
            f"{model.model_version}: its artefact {model.artefact_uri} is gone; restore it from a copy"
        )
    if hash_folder(path) != model.artefact_sha256:
        raise TrainerError(
            f"{model.model_version}: the artefact {model.artefact_uri} is not the one that was stored "
            "(its SHA-256 differs); restore it from a copy"
        )
    return path


def name_model(attribute: str, role: str, content: Mapping[str, object]) -> str:
    """Return a model's name: attribute, role, and the first digits of a hash of all that makes it."""
    return f"{attribute}-{role}-{hash_definition(json.dumps(content, sort_keys=True))[:10]}"


def rename_labels(labels: tuple[str, ...], attribute: AttributeSettings) -> tuple[str, ...]:
    """Return the present names of labels that a model was trained with."""
    return tuple(attribute.was.get(label, label) for label in labels)
