"""`retrain`: train a candidate and its control, let all models answer the hold-outs, and judge."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import duckdb
import pyarrow as pa

from schemas.case_file import FailureCase, override_gate
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import NotYetError
from tasks.find_biased_holdouts import find_case_bias, find_overall_bias
from tasks.find_names import find_attribute
from tasks.gate_candidate import judge_candidate
from tasks.gate_criteria import CaseToJudge, Criterion, GateInput
from tasks.group_samples import view_groups
from tasks.know_models import find_artefact, read_model
from tasks.loop import Loop
from tasks.measure import Measure
from tasks.measure_models import measure_model
from tasks.measure_seeds import measure_seeds
from tasks.measure_tracks import measure_tracks, stage_asked
from tasks.plan_retrain import RetrainPlan, plan_retrain
from tasks.read_outcomes import Outcomes, read_outcomes
from tasks.read_slices import read_slice_values
from tasks.record_run import record_run
from tasks.spend_alpha import count_attempts
from tasks.store_verdict import StoredModel, hash_gate, insert_models, insert_verdict, read_verdict
from tasks.train_models import (
    Job,
    TrainedModel,
    Training,
    prepare_answers,
    prepare_training,
    run_job,
    view_vectors,
)
from tasks.warehouse import Engine, Warehouse, open_engine
from tasks.work_folder import make_work_folder

_TRIES = 3


@dataclass(frozen=True)
class RetrainSummary:
    """A judged candidate. `criteria` are the rows of `gate_decision`, the verdict (`overall`) last."""

    training_set: str
    model: str
    control_model: str | None
    verdict: str
    reason: str
    criteria: tuple[Criterion, ...]


def retrain_model(
    loop: Loop, attribute_name: str, cases: Sequence[FailureCase], *, version: str | None = None
) -> RetrainSummary:
    """Train, evaluate and gate on a version (the attribute's latest); all results go in as one transaction.

    The same version, settings and hold-outs again train nothing and return what is stored; a model that is
    stored already only answers. The warehouse is not open while models are trained. Raises NotYetError for a
    version that failed its checks or holds rows that leak or are restricted since, TrainerError where training
    fails.
    """
    started_at = loop.clock()
    attribute = find_attribute(loop, attribute_name)
    with open_engine(loop) as engine, make_work_folder() as folder:
        for attempt in range(_TRIES):
            with engine.attach(write=False) as warehouse:
                plan = _plan(warehouse, attribute, version, cases)
                judged_by = hash_gate(loop, attribute, cases)
                known = read_verdict(warehouse.connection, attribute.name, plan.candidate.model_version, judged_by)
                if known is not None:
                    return _summarise(plan, known)
                jobs = _prepare(warehouse, plan, folder / str(attempt))
            trained = [run_job(loop, job) for job in jobs]
            judged = _judge_and_store(engine, plan, trained, cases, started_at)
            if judged is not None:
                return judged
    raise NotYetError(
        f"{attribute.name}: hold-outs or the incumbent changed while models were trained, {_TRIES} times over; "
        "run `turnrow retrain` again when they rest"
    )


def _plan(
    warehouse: Warehouse, attribute: AttributeSettings, version: str | None, cases: Sequence[FailureCase]
) -> RetrainPlan:
    """Plan a retrain with as many seeds as the settings, or any case of the attribute, ask for."""
    settings = warehouse.loop.settings
    gates = [override_gate(settings.gate, case.gate) for case in cases if case.attribute == attribute.name]
    seeds = max(gate.seeds for gate in [settings.gate, *gates])
    return plan_retrain(warehouse, attribute, version, is_audited=settings.audit is not None, seeds=seeds)


def _prepare(warehouse: Warehouse, plan: RetrainPlan, folder: Path) -> list[Job]:
    """Write a folder for each model that has to be trained or run; one without an artefact has only its logs."""
    connection, loop = warehouse.connection, warehouse.loop
    view_vectors(connection)
    view_groups(connection, plan.attribute)
    stage_asked(connection, plan.attribute)
    read_slice_values(
        connection, plan.attribute
    )  # an expression that fails shall do so before anything is trained
    jobs = []
    for training in plan.trainings:
        stored = read_model(connection, training.model_version)
        artefact = find_artefact(loop, stored) if stored else None
        target = folder / training.model_version
        if stored is not None and artefact is not None:
            jobs.append(prepare_answers(connection, plan.attribute, stored, artefact, target))
        else:
            jobs.append(prepare_training(connection, loop, plan.attribute, training, target))
    if plan.incumbent is not None:
        artefact = find_artefact(loop, plan.incumbent)
        if artefact is not None:
            target = folder / "incumbent"
            jobs.append(prepare_answers(connection, plan.attribute, plan.incumbent, artefact, target))
    repeated = [training for repeat in plan.repeats for training in repeat.trainings]
    for number, training in enumerate(repeated):
        jobs.append(prepare_training(connection, loop, plan.attribute, training, folder / f"repeat-{number}"))
    return jobs


def _judge_and_store(
    engine: Engine,
    plan: RetrainPlan,
    trained: Sequence[TrainedModel],
    cases: Sequence[FailureCase],
    started_at: datetime,
) -> RetrainSummary | None:
    """Score the answers, judge and write; None where what was planned is no longer what there is to do."""
    with engine.attach(write=True) as warehouse:
        connection, loop = warehouse.connection, warehouse.loop
        if _plan(warehouse, plan.attribute, plan.version, cases) != plan:
            return None
        view_groups(connection, plan.attribute)
        stage_asked(connection, plan.attribute)
        _stage_answers(connection, plan, trained)
        outcomes = read_outcomes(connection, plan.attribute, plan.roles)
        figures = _measure(connection, plan, outcomes)
        criteria = _name_baselines(judge_candidate(_gather(warehouse, plan, cases, outcomes)), plan)

        def insert(known_at: datetime) -> RetrainSummary:
            candidate = plan.candidate.model_version
            insert_models(connection, _store(loop, plan, trained), known_at)
            judged_by = hash_gate(loop, plan.attribute, cases)
            insert_verdict(connection, plan.attribute.name, candidate, figures, criteria, known_at, judged_by)
            summary = _summarise(plan, criteria)
            record_run(
                connection,
                "retrain",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"attribute": plan.attribute.name, "version": plan.version},
                counts={"model": summary.model, "verdict": summary.verdict},
            )
            return summary

        return warehouse.write(insert)


def _measure(
    connection: duckdb.DuckDBPyConnection, plan: RetrainPlan, outcomes: Mapping[str, Outcomes]
) -> list[tuple[str, Measure]]:
    """Return model_version and figure of all that is stored; other seeds' answers then leave `new_prediction`."""
    attribute = plan.attribute
    repeated = {repeat.seed: read_outcomes(connection, attribute, repeat.roles) for repeat in plan.repeats}
    for repeat in plan.repeats:
        for training in repeat.trainings:
            name = {"name": training.model_version}
            connection.execute("delete from new_prediction where model_version = $name", name)
    figures = list(measure_tracks(connection, attribute))
    for role, model_version in plan.roles.items():
        if model_version is not None:
            for held in outcomes.values():
                figures += [(model_version, one) for one in measure_model(held, role, attribute.critical)]
            figures += [(model_version, one) for one in measure_seeds(outcomes, repeated, role)]
    return figures


def _stage_answers(
    connection: duckdb.DuckDBPyConnection, plan: RetrainPlan, trained: Sequence[TrainedModel]
) -> None:
    """Make the temp table `new_prediction`: every model's answers on the samples of `asked_sample`."""
    connection.execute(
        "create or replace temp table new_prediction (model_version varchar, sample_id varchar, "
        "predicted varchar, predicted_value double, confidence double)"
    )
    for model in trained:
        _insert_answers(connection, model.model_version, model.predictions)
    if plan.incumbent is not None and plan.incumbent.artefact_uri is None:
        connection.execute(read_sql("evaluate/served_answers"), {"model_version": plan.incumbent.model_version})


def _insert_answers(connection: duckdb.DuckDBPyConnection, model_version: str, predictions: pa.Table) -> None:
    connection.register("answers", predictions)
    connection.execute(
        "insert into new_prediction "
        "select $model_version, sample_id, predicted, predicted_value, confidence from answers",
        {"model_version": model_version},
    )
    connection.unregister("answers")


def _gather(
    warehouse: Warehouse, plan: RetrainPlan, cases: Sequence[FailureCase], outcomes: dict[str, Outcomes]
) -> GateInput:
    attribute, gate = plan.attribute, warehouse.loop.settings.gate
    new_rows = _count_new_rows(warehouse.connection, plan)
    pairs = _read_pairs(warehouse.connection, attribute)
    earlier = count_attempts(warehouse.connection, attribute.name, plan.candidate.model_version)
    biases = _find_biases(warehouse.connection, plan, cases, outcomes)
    judged = [
        CaseToJudge(
            case.case,
            outcomes[case.case],
            case.holdout.truth,
            new_rows.get(case.case, 0) > 0,
            case.gate.accuracy_at_least,
            override_gate(gate, case.gate),
            pairs.get(case.case, ()),
            earlier.get(outcomes[case.case].holdout_id, 0) + 1,
            biases.get(case.case, ""),
        )
        for case in cases
        if case.attribute == attribute.name and case.case in outcomes
    ]
    unjudged = sorted(name for name, count in new_rows.items() if count > 0 and name not in outcomes)
    overall = outcomes.get(f"overall:{attribute.name}")
    return GateInput(
        attribute=attribute.name,
        cases=judged,
        overall=overall,
        critical=attribute.critical,
        gate=gate,
        has_incumbent=plan.incumbent is not None,
        has_control=plan.control is not None,
        unjudged=unjudged,
        attempt=earlier.get(overall.holdout_id, 0) + 1 if overall else 1,
        overall_bias=biases.get(f"overall:{attribute.name}", ""),
    )


def _find_biases(
    connection: duckdb.DuckDBPyConnection,
    plan: RetrainPlan,
    cases: Sequence[FailureCase],
    outcomes: Mapping[str, Outcomes],
) -> dict[str, str]:
    """Return, by name, why a hold-out was chosen by the incumbent's errors; '' where it was not."""
    if plan.incumbent is None:
        return {}
    attribute, incumbent = plan.attribute, plan.incumbent
    biases = {
        case.case: find_case_bias(connection, attribute, case, outcomes[case.case], incumbent)
        for case in cases
        if case.attribute == attribute.name and case.case in outcomes
    }
    name = f"overall:{attribute.name}"
    if name in outcomes:
        biases[name] = find_overall_bias(connection, attribute, outcomes[name], incumbent)
    return biases


def _count_new_rows(connection: duckdb.DuckDBPyConnection, plan: RetrainPlan) -> dict[str, int]:
    rows = connection.execute(
        read_sql("evaluate/case_facts"), {"version": plan.version, "parent_version": plan.parent_version}
    ).fetchall()
    return {str(name): int(count) for name, count in rows}


def _read_pairs(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings
) -> dict[str, list[tuple[str, str]]]:
    pairs: dict[str, list[tuple[str, str]]] = {}
    for name, truth, predicted in connection.execute(
        read_sql("evaluate/all_pairs"), {"attribute": attribute.name}
    ).fetchall():
        pairs.setdefault(str(name), []).append((str(truth), str(predicted)))
    return pairs


def _name_baselines(criteria: tuple[Criterion, ...], plan: RetrainPlan) -> tuple[Criterion, ...]:
    """Put model names in place of roles, in the order in which the warehouse gives them back."""
    named = [
        replace(criterion, baseline=plan.roles[criterion.baseline]) if criterion.baseline else criterion
        for criterion in criteria[:-1]
    ]
    named.sort(key=lambda criterion: (criterion.criterion, criterion.baseline or ""))
    return (*named, criteria[-1])


def _store(loop: Loop, plan: RetrainPlan, trained: Sequence[TrainedModel]) -> list[StoredModel]:
    hashes = {model.model_version: model.artefact_sha256 for model in trained if model.artefact_sha256}
    return [
        _describe(loop, plan, training, hashes[training.model_version])
        for training in plan.trainings
        if training.model_version in hashes
    ]


def _describe(loop: Loop, plan: RetrainPlan, training: Training, sha256: str) -> StoredModel:
    settings = {"settings": training.settings, "labels": list(plan.attribute.labels)}
    return StoredModel(
        model_version=training.model_version,
        attribute=plan.attribute.name,
        role="candidate" if training is plan.candidate else "control",
        parent_version=training.parent.model_version if training.parent else None,
        training_set_version=training.version,
        trainer=plan.attribute.trainer,
        settings=json.dumps(settings, sort_keys=True),
        artefact_uri=loop.relate(loop.folder / "models" / training.model_version),
        artefact_sha256=sha256,
        seed=training.seed,
    )


def _summarise(plan: RetrainPlan, criteria: tuple[Criterion, ...]) -> RetrainSummary:
    verdict = criteria[-1]
    return RetrainSummary(
        plan.version,
        plan.candidate.model_version,
        plan.control.model_version if plan.control else None,
        verdict.verdict,
        verdict.reason,
        criteria,
    )
