"""What a report says of service: how the models of the attribute do in served traffic, by the random watch."""

from collections.abc import Sequence

from schemas.case_file import FailureCase
from tasks.measure_service import (
    CaseInService,
    ModelInService,
    SampledShare,
    measure_cases,
    measure_service,
    read_watched,
)
from tasks.read_judgement import Judgement
from tasks.report_facts import Figure, ServiceCase, ServiceModel, ServiceReport
from tasks.warehouse import Warehouse


def gather_service(warehouse: Warehouse, cases: Sequence[FailureCase], judgement: Judgement) -> ServiceReport:
    """Return what the watch says up to now of each served model and case; no weeks before its first draw."""
    attribute = judgement.attribute
    rows = read_watched(warehouse, attribute)
    figures = measure_service(warehouse, attribute, rows)
    if not figures.weeks:
        return ServiceReport(0, 0, (), ())
    model_version = str(judgement.model["model_version"])
    told = measure_cases(warehouse, rows, [case.case for case in cases])
    return ServiceReport(
        figures.weeks,
        figures.open_weeks,
        tuple(_tell_model(model, model_version) for model in figures.models),
        tuple(_tell_case(case, model_version) for case in told),
    )


def _tell_model(model: ModelInService, judged: str) -> ServiceModel:
    return ServiceModel(
        model.model_version,
        model.model_version == judged,
        model.track_count,
        model.first_at,
        model.last_at,
        _tell_share(model.errors),
    )


def _tell_case(case: CaseInService, judged: str) -> ServiceCase:
    share = case.shares.get(judged)
    return ServiceCase(case.case_name, None if share is None else _tell_share(share), case.comparison)


def _tell_share(share: SampledShare) -> Figure | None:
    return None if share.value is None else Figure(share.value, share.low, share.high, share.samples)
