"""`retrain`: train a candidate and its control, let all models answer the hold-outs, and judge."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import duckdb
import pyarrow as pa

from schemas.case_file import FailureCase, override_gate
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.assemble_training_set import find_attribute
from tasks.errors import NotYetError, UnknownNameError
from tasks.gate_candidate import CaseToJudge, Criterion, GateInput, judge_candidate
from tasks.group_samples import view_groups
from tasks.know_models import KnownModel, find_artefact, name_model, read_incumbent
from tasks.loop import Loop
from tasks.read_outcomes import Outcomes, read_outcomes
from tasks.record_run import record_run
from tasks.store_verdict import StoredModel, insert_models, insert_verdict, read_verdict
from tasks.train_models import TrainedModel, Training, run_model, train_model, view_vectors
from tasks.warehouse import Warehouse, open_warehouse


@dataclass(frozen=True)
class RetrainSummary:
    """A judged candidate. `criteria` are the rows of `gate_decision`, the verdict (`overall`) last."""

    training_set: str
    model: str
    control_model: str | None
    verdict: str
    reason: str
    criteria: tuple[Criterion, ...]


@dataclass(frozen=True)
class _Plan:
    """What is trained: names are made of content, so the same plan always has the same names."""

    attribute: AttributeSettings
    version: str
    incumbent: KnownModel | None
    candidate: Training
    control: Training | None


def retrain_model(
    loop: Loop, attribute_name: str, cases: Sequence[FailureCase], *, version: str | None = None
) -> RetrainSummary:
    """Train, evaluate and gate on a version (the attribute's latest); all results go in as one transaction.

    The same version, settings and hold-outs again train nothing and return what is stored. Raises NotYetError
    for a version that failed its checks or holds groups reserved since, TrainerError where training fails.
    """
    started_at = loop.clock()
    attribute = find_attribute(loop, attribute_name)
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        plan = _plan(warehouse, attribute, version)
        known = read_verdict(connection, attribute.name, plan.candidate.model_version)
        if known is not None:
            return _summarise(plan, known)
        view_vectors(connection)
        view_groups(connection, attribute)
        trained = _answer_holdouts(warehouse, plan)
        outcomes = read_outcomes(connection, attribute, _name_roles(plan))
        criteria = _name_baselines(judge_candidate(_gather(warehouse, plan, cases, outcomes)), plan)

        def insert(known_at: datetime) -> RetrainSummary:
            insert_models(connection, _store(loop, plan, trained), known_at)
            insert_verdict(
                connection,
                attribute.name,
                plan.candidate.model_version,
                outcomes,
                _name_roles(plan),
                criteria,
                known_at,
            )
            summary = _summarise(plan, criteria)
            record_run(
                connection,
                "retrain",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"attribute": attribute.name, "version": plan.version},
                counts={"model": summary.model, "verdict": summary.verdict},
            )
            return summary

        return warehouse.write(insert)


def _plan(warehouse: Warehouse, attribute: AttributeSettings, version: str | None) -> _Plan:
    connection = warehouse.connection
    name, rows, parent_rows = _find_version(connection, attribute, version)
    incumbent = read_incumbent(connection, attribute.name)
    parent = incumbent if incumbent and incumbent.artefact_uri else None
    settings: dict[str, Any] = dict(attribute.trainer_settings)
    seed = int(settings.get("seed", 1))
    candidate = _name_training(attribute, "candidate", name, settings, seed, parent)
    control = None
    if parent is not None and parent.training_set_version is not None:
        fair = _match_updates(attribute, settings, rows, parent_rows(parent.training_set_version))
        control = _name_training(attribute, "control", parent.training_set_version, fair, seed, parent)
    return _Plan(attribute, name, incumbent, candidate, control)


def _find_version(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, version: str | None
) -> tuple[str, int, Any]:
    row = connection.execute(
        read_sql("evaluate/read_training_set"), {"attribute": attribute.name, "version": version}
    ).fetchone()
    if row is None and version is not None:
        raise UnknownNameError(
            f"{version}: no such training set of {attribute.name}; `turnrow status` names the latest"
        )
    if row is None:
        raise NotYetError(f"{attribute.name}: no training set yet; `turnrow assemble {attribute.name}` makes one")
    name, state, _, rows = row
    if state != "passed":
        raise NotYetError(
            f'{name}: failed its checks and cannot be trained on; `turnrow sql "select * from quality_check '
            f"where version = '{name}' and not passed\"` says which"
        )
    _refuse_reserved(connection, attribute, name)
    return str(name), int(rows), lambda parent: _count_unreserved(connection, attribute, parent)


def _refuse_reserved(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, version: str) -> None:
    reserved, example = _read_reserved(connection, attribute, version)
    if reserved:
        raise NotYetError(
            f"{version}: {reserved} of its rows (such as {example}) were reserved for a hold-out since; "
            f"assemble {attribute.name} again"
        )


def _read_reserved(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, version: str
) -> tuple[int, str]:
    row = connection.execute(
        read_sql("evaluate/reserved_rows"), {"attribute": attribute.name, "version": version}
    ).fetchone()
    return (int(row[0]), str(row[1])) if row else (0, "")


def _count_unreserved(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, version: str) -> int:
    row = connection.execute(
        "select row_count from training_set where version = $version", {"version": version}
    ).fetchone()
    return (int(row[0]) if row else 0) - _read_reserved(connection, attribute, version)[0]


def _match_updates(
    attribute: AttributeSettings, settings: dict[str, Any], rows: int, control_rows: int
) -> dict[str, Any]:
    """Give the built-in control the epochs that make as many weight updates as the candidate's."""
    if attribute.trainer != "builtin:mlp" or control_rows == 0:
        return settings
    from tasks.read_trainer_request import read_trainer_settings
    from tasks.train_perceptron import count_updates, epochs_for_updates

    warm_epochs = read_trainer_settings(settings).warm_epochs
    return {**settings, "epochs_to_run": epochs_for_updates(control_rows, count_updates(rows, warm_epochs))}


def _name_training(
    attribute: AttributeSettings,
    role: str,
    version: str,
    settings: dict[str, Any],
    seed: int,
    parent: KnownModel | None,
) -> Training:
    content = {
        "role": role,
        "version": version,
        "trainer": attribute.trainer,
        "settings": settings,
        "labels": attribute.labels,
        "seed": seed,
        "parent": parent.artefact_sha256 if parent else None,
    }
    return Training(name_model(attribute.name, role, content), version, settings, seed, parent)


def _answer_holdouts(warehouse: Warehouse, plan: _Plan) -> list[TrainedModel]:
    connection, loop = warehouse.connection, warehouse.loop
    connection.execute(
        "create or replace temp table new_prediction (model_version varchar, sample_id varchar, "
        "predicted varchar, predicted_value double, confidence double)"
    )
    trainings = [plan.candidate] if plan.control is None else [plan.candidate, plan.control]
    trained = [train_model(connection, loop, plan.attribute, training) for training in trainings]
    for model in trained:
        _insert_answers(connection, model.model_version, model.predictions)
    if plan.incumbent is not None:
        _answer_as_incumbent(warehouse, plan, plan.incumbent)
    return trained


def _answer_as_incumbent(warehouse: Warehouse, plan: _Plan, incumbent: KnownModel) -> None:
    artefact = find_artefact(warehouse.loop, incumbent)
    if artefact is not None:
        answers = run_model(warehouse.connection, warehouse.loop, plan.attribute, incumbent, artefact)
        _insert_answers(warehouse.connection, incumbent.model_version, answers.predictions)
        return
    warehouse.connection.execute(
        read_sql("evaluate/served_answers"),
        {"attribute": plan.attribute.name, "model_version": incumbent.model_version},
    )


def _insert_answers(connection: duckdb.DuckDBPyConnection, model_version: str, predictions: pa.Table) -> None:
    connection.register("answers", predictions)
    connection.execute(
        "insert into new_prediction "
        "select $model_version, sample_id, predicted, predicted_value, confidence from answers",
        {"model_version": model_version},
    )
    connection.unregister("answers")


def _name_roles(plan: _Plan) -> dict[str, str | None]:
    return {
        "candidate": plan.candidate.model_version,
        "control": plan.control.model_version if plan.control else None,
        "incumbent": plan.incumbent.model_version if plan.incumbent else None,
    }


def _gather(
    warehouse: Warehouse, plan: _Plan, cases: Sequence[FailureCase], outcomes: dict[str, Outcomes]
) -> GateInput:
    connection, attribute, gate = warehouse.connection, plan.attribute, warehouse.loop.settings.gate
    facts = connection.execute(
        read_sql("evaluate/case_facts"), {"attribute": attribute.name, "version": plan.version}
    ).fetchall()
    new_rows = {str(name): int(count) for name, count, _ in facts}
    pairs: dict[str, list[tuple[str, str]]] = {}
    for name, truth, predicted in connection.execute(
        read_sql("evaluate/all_pairs"), {"attribute": attribute.name}
    ).fetchall():
        pairs.setdefault(str(name), []).append((str(truth), str(predicted)))
    judged = [
        CaseToJudge(
            case.case,
            outcomes[case.case],
            case.holdout.truth,
            new_rows.get(case.case, 0) > 0,
            case.gate.accuracy_at_least,
            override_gate(gate, case.gate),
            pairs.get(case.case, ()),
        )
        for case in cases
        if case.attribute == attribute.name and case.case in outcomes
    ]
    unjudged = sorted(name for name, count in new_rows.items() if count > 0 and name not in outcomes)
    overall = outcomes.get(f"overall:{attribute.name}")
    has_incumbent = plan.incumbent is not None
    return GateInput(judged, overall, attribute.critical, gate, has_incumbent, plan.control is not None, unjudged)


def _name_baselines(criteria: tuple[Criterion, ...], plan: _Plan) -> tuple[Criterion, ...]:
    names = _name_roles(plan)
    return tuple(
        replace(criterion, baseline=names[criterion.baseline]) if criterion.baseline else criterion
        for criterion in criteria
    )


def _store(loop: Loop, plan: _Plan, trained: Sequence[TrainedModel]) -> list[StoredModel]:
    trainings = {plan.candidate.model_version: plan.candidate}
    if plan.control is not None:
        trainings[plan.control.model_version] = plan.control
    stored = []
    for model in trained:
        training = trainings[model.model_version]
        settings = {"settings": training.settings, "labels": list(plan.attribute.labels)}
        stored.append(
            StoredModel(
                model_version=model.model_version,
                attribute=plan.attribute.name,
                role="candidate" if training is plan.candidate else "control",
                parent_version=training.parent.model_version if training.parent else None,
                training_set_version=training.version,
                trainer=plan.attribute.trainer,
                settings=json.dumps(settings, sort_keys=True),
                artefact_uri=loop.relate(loop.folder / "models" / model.model_version),
                artefact_sha256=model.artefact_sha256,
                seed=training.seed,
            )
        )
    return stored


def _summarise(plan: _Plan, criteria: tuple[Criterion, ...]) -> RetrainSummary:
    verdict = criteria[-1]
    return RetrainSummary(
        plan.version,
        plan.candidate.model_version,
        plan.control.model_version if plan.control else None,
        verdict.verdict,
        verdict.reason,
        criteria,
    )
