"""Labels of a training set that are probably wrong: a model that never saw them, and their neighbours, say so.

The idea of judging a label by a model fitted without it is from Northcutt, Jiang & Chuang 2021, J. Artif. Intell.
Res. 70. Numpy stands at the top: only the checks of a training set import this module.
"""

from dataclasses import dataclass

import duckdb
import numpy as np
import pyarrow as pa

from schemas.settings import BUILT_IN_TRAINERS, AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import TrainerError
from tasks.fit_folds import Codes, count_confident, deal_folds, limit_count, predict_folds
from tasks.read_trainer_request import PerceptronSettings, read_trainer_settings
from tasks.stream_vectors import Matrix, stream_matrices
from tasks.vote_neighbours import NEIGHBOURS, vote_neighbours

ROWS_AT_MOST = 100_000
_FOLDS = 3  # with 5 the precision on handwritten digits is the same, and twice as many fits are made
# A label that has fewer rows elsewhere could not have a majority among the neighbours, were it ever so right.
_NEEDED = NEIGHBOURS // 2 + 1


@dataclass(frozen=True)
class _Rows:
    """The rows looked at, groups together; labels and groups are numbers, groups ascend."""

    sample_ids: pa.Array
    features: Matrix
    labels: Codes
    groups: Codes


def find_suspects(
    connection: duckdb.DuckDBPyConnection,
    attribute: AttributeSettings,
    feature_space: str,
    *,
    at_most: int = ROWS_AT_MOST,
    threads: int = 1,
) -> int | None:
    """Make the temp tables `suspected_row` and `ranked_row` of `assembled`; return how many labels were judged.

    `ranked_row`: a row a judged label, the most doubtful first (`place`). `out_of_fold` is the probability that a
    model of the built-in trainer's, fitted without the row's group, gives the label; `neighbours` the share of the
    nearest rows of other groups that have another; `rank_sum` the ranks of both, added. `suspected_row`: of these
    the suspected labels, where the model's likeliest label and more than half of the neighbours are one and the
    same other label; the most doubtful first, and no more than `count_confident` lets expect to be wrong, the
    uncertainty of such a count allowed for.
    Looks at `at_most` rows, chosen by label and hash; the same rows and settings give the same result. A label
    with too few rows outside its fold is not judged. Returns 0 where none could be, as where the model diverges,
    and None for an attribute whose labels are numbers: there nothing is looked for.
    """
    make_suspect_tables(connection)
    if attribute.kind == "number":
        return None
    settings = PerceptronSettings()
    if attribute.trainer in BUILT_IN_TRAINERS:
        settings = read_trainer_settings(attribute.trainer_settings)
    connection.execute(read_sql("suspects/looked_row"), {"at_most": at_most})
    rows = _read_rows(connection, attribute.name, feature_space)
    if rows is None or rows.groups[0] == rows.groups[-1]:
        return 0
    try:
        return _judge_rows(connection, rows, settings, threads)
    except TrainerError:
        return 0


def make_suspect_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temp tables that `find_suspects` fills, empty."""
    columns = (
        "sample_id varchar, given_label varchar, likely_label varchar, out_of_fold double, neighbours double, "
        "rank_sum double, place bigint"
    )
    connection.execute(f"create or replace temp table suspected_row ({columns})")
    connection.execute(f"create or replace temp table ranked_row ({columns}, is_contradicted boolean)")


def _read_rows(connection: duckdb.DuckDBPyConnection, attribute: str, feature_space: str) -> _Rows | None:
    bound = {"attribute": attribute, "feature_space": feature_space}
    parts = list(stream_matrices(connection, read_sql("suspects/looked_vectors"), bound))
    if not parts:
        return None
    table = pa.Table.from_batches(
        [batch.select(["sample_id", "label_number", "group_number"]) for batch, _ in parts]
    )
    features = np.concatenate([matrix for _, matrix in parts])
    is_sound = np.isfinite(features).all(axis=1)
    if not is_sound.any():
        return None
    return _Rows(
        table["sample_id"].combine_chunks().filter(pa.array(is_sound)),
        features[is_sound],
        table["label_number"].to_numpy()[is_sound],
        table["group_number"].to_numpy()[is_sound],
    )


def _judge_rows(
    connection: duckdb.DuckDBPyConnection, rows: _Rows, settings: PerceptronSettings, threads: int
) -> int:
    label_count = int(rows.labels.max()) + 1
    folds = deal_folds(rows.groups, min(_FOLDS, len(np.unique(rows.groups))))
    probabilities = predict_folds(rows.features, rows.labels, folds, label_count, settings)
    likely = probabilities.argmax(axis=1)
    votes = vote_neighbours(rows.features, rows.groups, rows.labels, likely, threads=threads)
    judged = np.flatnonzero(_count_elsewhere(rows.labels, folds, label_count) >= _NEEDED)
    labels = rows.labels[judged]
    is_contradicted = (likely[judged] != labels) & (votes.likely_share[judged] > 0.5)
    table = pa.table(
        {
            "sample_id": rows.sample_ids.take(pa.array(judged)),
            "given_number": labels,
            "likely_number": likely[judged],
            "out_of_fold": probabilities[judged, labels].astype(np.float64),
            "neighbours": 1 - votes.given_share[judged],
            "is_contradicted": is_contradicted,
        }
    )
    connection.register("judged_label", table)
    try:
        connection.execute(read_sql("suspects/ranked_row"))
    finally:
        connection.unregister("judged_label")
    expected = count_confident(probabilities[judged], labels)
    connection.execute(read_sql("suspects/suspected_row"), {"at_most": limit_count(expected)})
    return len(judged)


def _count_elsewhere(labels: Codes, folds: Codes, label_count: int) -> Codes:
    """Return of each row how many rows of the other folds have its label."""
    counts = np.zeros((int(folds.max()) + 1, label_count), dtype=np.int64)
    np.add.at(counts, (folds, labels), 1)
    elsewhere: Codes = (counts.sum(axis=0) - counts)[folds, labels]
    return elsewhere
