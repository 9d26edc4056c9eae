"""The figures of a report, as of its verdict: per hold-out, over rounds, and how each hold-out was drawn."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import duckdb

from schemas.case_file import FailureCase
from schemas.settings import AttributeSettings, Settings
from tasks.check_holdouts import tell_limit
from tasks.compare_answers import count_erased, read_changed, read_confusion, stage_answers
from tasks.fetch_rows import Row, fetch_rows
from tasks.find_holdout_limits import find_holdout_limits
from tasks.find_losses import find_losses
from tasks.name_figures import SHARES, SPREAD, find_topic, name_figure
from tasks.read_judgement import Judgement
from tasks.report_facts import (
    ChangedSamples,
    ClassLoss,
    ComparedFigure,
    Confusion,
    Figure,
    HistoryLine,
    HistoryPoint,
    JudgedHoldout,
)
from tasks.warehouse import Warehouse, show_as_of

_MOMENTS = ("drawn_at", "frozen_at")


@dataclass(frozen=True)
class Measured:
    """What was measured for a verdict; `media` maps sample_ids to media_uri."""

    attribute: AttributeSettings
    figures: tuple[ComparedFigure, ...]
    losses: tuple[ClassLoss, ...]
    confusion: Confusion | None
    broken: ChangedSamples
    fixed: ChangedSamples
    history: tuple[HistoryLine, ...]
    holdouts: tuple[JudgedHoldout, ...]
    media: dict[str, str]


def read_measured(warehouse: Warehouse, cases: Sequence[FailureCase], judgement: Judgement) -> Measured:
    """Return all figures of a model's verdict; without a verdict there are none."""
    nothing = ChangedSamples(0, 0, ())
    if judgement.verdict is None:
        return Measured(judgement.attribute, (), (), None, nothing, nothing, (), (), {})
    connection = warehouse.connection
    with show_as_of(warehouse, judgement.verdict.judged_at):
        attribute = _recall_attribute(connection, judgement.attribute)
        truths = _read_truths(connection, cases, judgement)
        figures = _read_figures(connection, judgement, truths)
        holdouts = fetch_rows(connection, "report/judged_holdouts", _bind_model(judgement), moments=_MOMENTS)
        strata = {
            row["holdout_id"]: fetch_rows(connection, "report/strata", {"holdout_id": row["holdout_id"]})
            for row in holdouts
        }
        history = _read_history(connection, judgement, figures)
        stage_answers(connection, attribute, judgement.name, judgement.roles["incumbent"])
        confusion = read_confusion(connection, attribute, figures)
        losses = find_losses(connection) if attribute.kind == "class" else ()
        erased = count_erased(connection, figures)
        broken, media = read_changed(connection, "broken", attribute.critical)
        fixed, more_media = read_changed(connection, "fixed", attribute.critical)
    judged = _tell_holdouts(warehouse, cases, judgement, holdouts, strata, erased)
    return Measured(attribute, figures, losses, confusion, broken, fixed, history, judged, media | more_media)


def _bind_model(judgement: Judgement) -> dict[str, object]:
    return {"attribute": judgement.attribute.name, "model": judgement.name}


def _recall_attribute(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> AttributeSettings:
    """Return the attribute as it was defined then; what no definition holds, as it is set now."""
    rows = fetch_rows(connection, "report/definition", {"attribute": attribute.name})
    meant: dict[str, Any] = json.loads(rows[0]["definition"]) if rows else {}
    return replace(
        attribute,
        labels=tuple(meant.get("labels", attribute.labels)),
        critical=tuple(meant.get("critical", attribute.critical)),
        tolerance=meant.get("tolerance", attribute.tolerance),
    )


def _read_truths(
    connection: duckdb.DuckDBPyConnection, cases: Sequence[FailureCase], judgement: Judgement
) -> dict[str, str]:
    """Return case -> the class whose recall is its figure; the files say it, where the verdict rests on them."""
    rows = fetch_rows(connection, "report/case_truths", {"attribute": judgement.attribute.name})
    truths = {str(row["case_name"]): str(row["truth"]) for row in rows}
    if judgement.verdict is None or judgement.verdict.is_stale:
        return truths
    return truths | {case.case: case.holdout.truth for case in cases}


def _read_figures(
    connection: duckdb.DuckDBPyConnection, judgement: Judgement, truths: Mapping[str, str]
) -> tuple[ComparedFigure, ...]:
    rows = fetch_rows(connection, "report/figures", {"attribute": judgement.attribute.name, **judgement.roles})
    wanted = {one.about: one.margin for one in judgement.criteria if one.kind == "figure"}
    return tuple(
        ComparedFigure(
            holdout=row["case_name"],
            version=row["version"],
            metric=row["metric"],
            slice=row["slice"],
            what=name_figure(row["metric"], row["slice"]),
            topic=find_topic(row["metric"], row["slice"]),
            is_share=row["metric"] in (*SHARES, SPREAD),
            is_case=(is_case := _is_of_case(row, truths)),
            before=(before := _make_figure(row["before"])),
            control=_make_figure(row["control"]),
            after=(after := _make_figure(row["after"])),
            change=after.value - before.value if before and after else None,
            wanted=wanted.get(row["case_name"]) if is_case else None,
        )
        for row in rows
    )


def _is_of_case(row: Row, truths: Mapping[str, str]) -> bool:
    """Tell whether this is the figure that the hold-out's case, or the whole, is judged by."""
    truth = truths.get(str(row["case_name"]), "")
    wanted = ("recall", f"truth={truth}") if truth else ("accuracy", "all")
    return (row["metric"], row["slice"]) == wanted


def _make_figure(value: Mapping[str, Any] | None) -> Figure | None:
    if value is None or value["value"] is None:
        return None
    return Figure(value["value"], value["low"], value["high"], value["n"])


def _read_history(
    connection: duckdb.DuckDBPyConnection, judgement: Judgement, figures: Sequence[ComparedFigure]
) -> tuple[HistoryLine, ...]:
    """Return each case's figure over the models, a line a hold-out version."""
    wanted = {figure.holdout: figure for figure in figures if figure.is_case}
    lines: dict[tuple[str, int], list[HistoryPoint]] = {}
    for row in fetch_rows(connection, "report/history", {"attribute": judgement.attribute.name}):
        of_case = wanted.get(row["case_name"])
        figure = _make_figure(row["figure"])
        if of_case is None or figure is None or (row["metric"], row["slice"]) != (of_case.metric, of_case.slice):
            continue
        name = str(row["model_version"])
        is_this = name == judgement.name
        point = HistoryPoint(name, row["is_accepted"] or (is_this and judgement.is_accepted), is_this, figure)
        lines.setdefault((row["case_name"], row["version"]), []).append(point)
    order = list(wanted)
    return tuple(
        HistoryLine(case, version, wanted[case].what, tuple(points))
        for (case, version), points in sorted(
            lines.items(), key=lambda line: (order.index(line[0][0]), line[0][1])
        )
    )


def _tell_holdouts(
    warehouse: Warehouse,
    cases: Sequence[FailureCase],
    judgement: Judgement,
    rows: Sequence[Row],
    strata: Mapping[str, list[Row]],
    erased: Mapping[str, int],
) -> tuple[JudgedHoldout, ...]:
    """Add what each hold-out can show now, and how worn it is; of a replaced version that can't be told."""
    limits = find_holdout_limits(warehouse.connection, _only(warehouse.loop.settings, judgement), cases)
    latest = {
        str(row["case_name"]): int(row["version"])
        for row in fetch_rows(
            warehouse.connection, "report/latest_versions", {"attribute": judgement.attribute.name}
        )
    }
    looks = {
        row["holdout_id"]: int(row["candidate_count"])
        for row in fetch_rows(warehouse.connection, "report/count_looks", {"attribute": judgement.attribute.name})
    }
    judged = []
    for row in rows:
        name, version = str(row["case_name"]), int(row["version"])
        is_replaced = latest.get(name, version) > version
        own = [] if is_replaced else [limit for limit in limits if limit.holdout == name]
        told = tuple(tell_limit(limit) for limit in own)
        later = latest[name] if is_replaced else None
        judged.append(
            JudgedHoldout(
                row,
                strata[row["holdout_id"]],
                told,
                later,
                erased.get(name, 0),
                looks.get(row["holdout_id"], 0),
                own[0].attempts if own else None,
                own[0].looks_at_most if own else None,
            )
        )
    return tuple(judged)


def _only(settings: Settings, judgement: Judgement) -> Settings:
    return replace(settings, attribute={judgement.attribute.name: judgement.attribute})
