"""What a retrain leaves in the warehouse: models, their answers, figures and the verdict."""

from collections.abc import Sequence
from dataclasses import asdict, astuple, dataclass, fields
from datetime import datetime

import duckdb

from schemas.case_file import FailureCase
from schemas.definitions import definition_json, hash_definition
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.gate_criteria import Criterion
from tasks.loop import Loop
from tasks.measure import Measure


@dataclass(frozen=True)
class StoredModel:
    """A row of `model`, without its known_at."""

    model_version: str
    attribute: str
    role: str
    parent_version: str | None
    training_set_version: str | None
    trainer: str | None
    settings: str | None
    artefact_uri: str | None
    artefact_sha256: str | None
    seed: int | None


def insert_models(
    connection: duckdb.DuckDBPyConnection, models: Sequence[StoredModel], known_at: datetime
) -> None:
    """Insert the models that are not there yet; part of the caller's transaction."""
    for model in models:
        known = connection.execute(
            "select 1 from model where model_version = $name", {"name": model.model_version}
        ).fetchone()
        if not known:
            connection.execute(
                "insert into model values ($model_version, $attribute, $role, $parent_version, "
                "$training_set_version, $trainer, $settings, $artefact_uri, $artefact_sha256, $seed, "
                "$known_at)",
                {**asdict(model), "known_at": known_at},
            )


def insert_verdict(
    connection: duckdb.DuckDBPyConnection,
    attribute: str,
    candidate: str,
    figures: Sequence[tuple[str, Measure]],
    criteria: Sequence[Criterion],
    known_at: datetime,
    judged_by: str,
) -> None:
    """Insert the hold-out answers, the figures and the criteria; part of the caller's transaction.

    `figures` are pairs of model_version and figure; `judged_by` is a digest of the gate's settings: a verdict
    holds only as long as they do.
    """
    connection.execute(read_sql("evaluate/insert_predictions"), {"attribute": attribute})
    _insert_figures(connection, figures, known_at)
    for criterion in criteria:
        connection.execute(
            "insert into gate_decision values ($candidate, $baseline, $holdout_id, $criterion, $estimate, "
            "$low, $high, $margin, $p_value, $verdict, $reason, $known_at, $judged_by)",
            {**asdict(criterion), "candidate": candidate, "known_at": known_at, "judged_by": judged_by},
        )


def _insert_figures(
    connection: duckdb.DuckDBPyConnection, figures: Sequence[tuple[str, Measure]], known_at: datetime
) -> None:
    """Insert the models' figures; those of the incumbent often stand there since its own round."""
    connection.execute(
        "create or replace temp table new_evaluation (model_version varchar, holdout_id varchar, "
        "slice varchar, metric varchar, value double, low double, high double, n bigint)"
    )
    columns = list(zip(*((model, *astuple(measure)) for model, measure in figures), strict=True))
    if columns:
        names = ("model_version", *(name.name for name in fields(Measure)))
        # unnest: thousands of figures as one statement, where a row at a time takes seconds
        connection.execute(read_sql("evaluate/stage_figures"), dict(zip(names, map(list, columns), strict=True)))
    connection.execute(read_sql("evaluate/insert_evaluation"), {"known_at": known_at})


def read_verdict(
    connection: duckdb.DuckDBPyConnection, attribute: str, candidate: str, judged_by: str
) -> tuple[Criterion, ...] | None:
    """Return a candidate's stored criteria, the verdict last; None where there is none that still holds."""
    rows = connection.execute(
        read_sql("evaluate/read_verdict"),
        {"attribute": attribute, "candidate": candidate, "judged_by": judged_by},
    ).fetchall()
    return tuple(Criterion(row[0], *row[1:]) for row in rows) or None


def hash_gate(loop: Loop, attribute: AttributeSettings, cases: Sequence[FailureCase]) -> str:
    """Return a digest of all settings that a verdict rests on: the gate's, the attribute's, each case's own."""
    own = {
        case.case: [
            case.holdout.truth,
            asdict(case.gate),
            case.members.where,
            asdict(case.scope_in_use),
            case.mine.nearest,
        ]
        for case in cases
        if case.attribute == attribute.name
    }
    judged_by = {
        "gate": asdict(loop.settings.gate),
        "critical": attribute.critical,
        "tolerance": attribute.tolerance,
        "was": attribute.was,
        "cases": own,
    }
    return hash_definition(definition_json(judged_by))
