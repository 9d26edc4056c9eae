"""`settle`, its middle part: how right each annotator is, and how likely that makes each label of an open fix."""

import duckdb
import numpy as np
import pyarrow as pa

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.group_samples import view_groups
from tasks.statistics_answers import fit_accuracies, posterior_given
from tasks.warehouse import Warehouse, show_only

# An annotator with fewer rated answers than this is not weighed, nor is a fix that one of them voted on; and no
# more than the latest answers are rated, so that a settle costs the same in every year.
RATED_AT_LEAST = 20
_RATED_AT_MOST = 200_000


def stage_accuracies(warehouse: Warehouse, attribute: AttributeSettings) -> None:
    """Make the temp table `annotator_accuracy`: annotator, accuracy, right_count, answer_count, rated_count.

    Fitted to known items, and to questions that two or more answered with a label under one guideline; reserved
    groups aside. `rated_count` counts known items and questions of three or more answers. One accuracy a person
    by one-parameter Dawid-Skene, a uniform prior over the labels.
    """
    connection = warehouse.connection
    labels = list(attribute.labels)
    connection.execute(
        "create or replace temp table annotator_accuracy "
        "(annotator varchar, accuracy double, right_count double, answer_count bigint, rated_count bigint)"
    )
    connection.execute(
        read_sql("settle/stage_rated"),
        {"attribute": attribute.name, "labels": labels, "at_most": _RATED_AT_MOST},
    )
    if connection.execute("select 1 from rated_answer limit 1").fetchone() is None:
        return
    with show_only(warehouse, "rated_answer"):
        view_groups(connection, attribute)
        codes = connection.execute(
            read_sql("settle/rated_codes"), {"attribute": attribute.name, "labels": labels}
        ).to_arrow_table()
    if codes.num_rows:
        _insert_accuracies(connection, codes, len(labels))


def _insert_accuracies(connection: duckdb.DuckDBPyConnection, codes: pa.Table, label_count: int) -> None:
    item, answer, truth = (codes.column(name).to_numpy() for name in ("item", "answer", "truth"))
    is_rated = codes.column("is_rated").to_numpy()
    people = codes.column("annotator").combine_chunks().dictionary_encode()
    annotator = people.indices.to_numpy(zero_copy_only=False)
    truths = np.full(int(item.max()) + 1, -1, dtype=np.int64)
    truths[item] = truth
    weights = fit_accuracies(item, annotator, answer, label_count=label_count, truths=truths)
    found = pa.table(
        {
            "annotator": people.dictionary,
            "accuracy": pa.array(weights.accuracy, type=pa.float64()),
            "right_count": pa.array(weights.right_count, type=pa.float64()),
            "answer_count": pa.array(weights.answer_count),
            "rated_count": pa.array(np.bincount(annotator, weights=is_rated).astype(np.int64)),
        }
    )
    _insert_table(connection, "annotator_accuracy", found)


def stage_label_weights(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    """Make the temp table `label_weight` (fix_id, label, probability) of `fix_vote` and `annotator_accuracy`.

    Only fixes whose voters are all rated at least RATED_AT_LEAST times have rows.
    """
    connection.execute(
        "create or replace temp table label_weight (fix_id varchar, label varchar, probability double)"
    )
    votes = connection.execute(
        read_sql("settle/vote_codes"), {"labels": list(attribute.labels), "rated_at_least": RATED_AT_LEAST}
    ).to_arrow_table()
    if not votes.num_rows:
        return
    item, accuracy, answer = (votes.column(name).to_numpy() for name in ("item", "accuracy", "answer"))
    posterior = posterior_given(item, np.arange(len(item)), answer, accuracy, label_count=len(attribute.labels))
    _, first = np.unique(item, return_index=True)
    fix_ids = votes.column("fix_id").take(pa.array(first)).to_pylist()
    found = pa.table(
        {
            "fix_id": np.repeat(np.array(fix_ids, dtype=object), len(attribute.labels)),
            "label": list(attribute.labels) * len(fix_ids),
            "probability": posterior.reshape(-1),
        }
    )
    _insert_table(connection, "label_weight", found)


def _insert_table(connection: duckdb.DuckDBPyConnection, name: str, found: pa.Table) -> None:
    connection.register("found_weight", found)
    connection.execute(f"insert into {name} select * from found_weight")
    connection.unregister("found_weight")
