"""`annotators`: how far they agree, how right each seems to be, and what rests on those who err too often."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.fetch_rows import Row, fetch_rows
from tasks.group_samples import view_groups
from tasks.judge_votes import judge_votes, make_outcomes
from tasks.loop import Loop
from tasks.statistics import wilson_interval
from tasks.statistics_agreement import cohen_kappa, fleiss_kappa, krippendorff_alpha
from tasks.warehouse import Warehouse, open_warehouse
from tasks.weigh_fixes import RATED_AT_LEAST, stage_accuracies

_UNRATED = {"is_rated_enough": False, "is_below_floor": False}

Ratings = Mapping[str, Mapping[str, str]]  # question -> annotator -> label


@dataclass(frozen=True)
class AnnotatorReport:
    """What is known of the people who answer one attribute's questions.

    Reserved groups are left out, but for the plain counts of answers. `annotators`: annotator, answer_count,
    without_label_count, saw_prediction_count, median_seconds, known_count, known_right_count, accuracy with
    low and high (Wilson, 95 %) and rated_count (None where nothing rates them), is_rated_enough (to be
    weighed), is_below_floor. `pairs`: first, second, question_count, share_equal, cohen_kappa. `agreement`:
    case_name (None: the whole attribute), question_count, annotator_count, share_equal, krippendorff_alpha,
    fleiss_kappa with fleiss_raters and fleiss_questions: the questions that the most frequent number of
    people answered. `would_change`: fixes that would have settled otherwise, or not, without those below the
    floor: fix_id, sample_id, label, decided_by, without_them.
    """

    attribute: str
    annotators: list[Row]
    pairs: list[Row]
    agreement: list[Row]
    would_change: list[Row]


def report_annotators(loop: Loop, attribute: AttributeSettings) -> AnnotatorReport:
    """Return the report of one attribute; for numbers only what people answered, and their known items."""
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        people = fetch_rows(
            connection,
            "annotators/totals",
            {"attribute": attribute.name, "tolerance": attribute.tolerance or 0.0},
        )
        if attribute.kind != "class":
            blank = dict.fromkeys(("accuracy", "low", "high", "rated_count"))
            return AnnotatorReport(attribute.name, [row | blank | _UNRATED for row in people], [], [], [])
        stage_accuracies(warehouse, attribute)
        people = _add_accuracies(connection, people, loop.settings.answers.annotator_floor)
        ratings, by_case = _read_ratings(connection, attribute)
        cases = [_measure_agreement(name, asked, attribute.labels) for name, asked in by_case.items()]
        return AnnotatorReport(
            attribute.name,
            people,
            _compare_pairs(ratings),
            [_measure_agreement(None, ratings, attribute.labels), *cases] if ratings else [],
            _find_changes(warehouse, attribute, [p["annotator"] for p in people if p["is_below_floor"]]),
        )


def _add_accuracies(connection: duckdb.DuckDBPyConnection, people: list[Row], floor: float) -> list[Row]:
    rated = {
        str(annotator): (float(accuracy), float(right), int(answers), int(rated))
        for annotator, accuracy, right, answers, rated in connection.execute(
            "select annotator, accuracy, right_count, answer_count, rated_count from annotator_accuracy"
        ).fetchall()
    }
    return [row | _describe_accuracy(rated.get(str(row["annotator"])), floor) for row in people]


def _describe_accuracy(rated: tuple[float, float, int, int] | None, floor: float) -> Row:
    if rated is None:
        return {"accuracy": None, "low": None, "high": None, "rated_count": 0, **_UNRATED}
    accuracy, right, answers, count = rated
    low, high = wilson_interval(min(right, answers), answers)
    return {
        "accuracy": accuracy,
        "low": low,
        "high": high,
        "rated_count": count,
        "is_rated_enough": count >= RATED_AT_LEAST,
        "is_below_floor": count >= RATED_AT_LEAST and accuracy < floor,
    }


def _read_ratings(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings
) -> tuple[dict[str, dict[str, str]], dict[str, dict[str, dict[str, str]]]]:
    view_groups(connection, attribute)
    connection.execute(
        read_sql("annotators/rating"), {"attribute": attribute.name, "labels": list(attribute.labels)}
    )
    ratings: dict[str, dict[str, str]] = {}
    rows = connection.execute("select question, annotator, label from rating order by all").fetchall()
    for question, annotator, label in rows:
        ratings.setdefault(question, {})[annotator] = label
    by_case: dict[str, dict[str, dict[str, str]]] = {}
    for case_name, question, annotator, label in connection.execute(
        read_sql("annotators/case_ratings")
    ).fetchall():
        by_case.setdefault(case_name, {}).setdefault(question, {})[annotator] = label
    return ratings, by_case


def _compare_pairs(ratings: Ratings) -> list[Row]:
    both: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for given in ratings.values():
        for first, second in combinations(sorted(given), 2):
            both.setdefault((first, second), []).append((given[first], given[second]))
    return [
        {
            "first": first,
            "second": second,
            "question_count": len(pairs),
            "share_equal": sum(a == b for a, b in pairs) / len(pairs),
            "cohen_kappa": _try(cohen_kappa, [a for a, _ in pairs], [b for _, b in pairs]),
        }
        for (first, second), pairs in sorted(both.items())
    ]


def _measure_agreement(case_name: str | None, ratings: Ratings, labels: Sequence[str]) -> Row:
    shared = [given for given in ratings.values() if len(given) > 1]
    people = sorted({annotator for given in ratings.values() for annotator in given})
    sizes = [len(given) for given in shared]
    raters = max(set(sizes), key=lambda size: (sizes.count(size), size)) if sizes else 0
    counted = [given for given in shared if len(given) == raters]
    counts = [[list(given.values()).count(label) for label in labels] for given in counted]
    return {
        "case_name": case_name,
        "question_count": len(ratings),
        "annotator_count": len(people),
        "share_equal": _share_equal(shared),
        "krippendorff_alpha": _try(
            krippendorff_alpha, [[given.get(person) for given in shared] for person in people]
        )
        if shared
        else None,
        "fleiss_kappa": _try(fleiss_kappa, counts) if counted else None,
        "fleiss_raters": raters,
        "fleiss_questions": len(counted),
    }


def _share_equal(shared: Sequence[Mapping[str, str]]) -> float | None:
    """Return the share of pairs of answers to one question that are equal: where one label prevails kappa is 0."""
    pairs = [pair for given in shared for pair in combinations(given.values(), 2)]
    return sum(first == second for first, second in pairs) / len(pairs) if pairs else None


def _try(measure: Any, *arguments: Any) -> float | None:  # noqa: ANN401
    """Return None where the measure is not defined, as where everybody gave one label only."""
    try:
        value = float(measure(*arguments))
    except ValueError:
        return None
    return value if value == value else None


def _find_changes(warehouse: Warehouse, attribute: AttributeSettings, people: Sequence[str]) -> list[Row]:
    """Return the settled fixes that would stand otherwise without these people."""
    if not people:
        return []
    connection = warehouse.connection
    connection.execute(
        read_sql("annotators/votes_without"), {"attribute": attribute.name, "annotators": list(people)}
    )
    make_outcomes(connection)
    judge_votes(connection, attribute, warehouse.loop.settings.answers.settle_at)
    return fetch_rows(connection, "annotators/changed")
