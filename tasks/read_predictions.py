"""Read the predictions that a trainer wrote, and refuse them where they are not what was asked for.

Loads pyarrow and DuckDB at once: imported only where a trainer is run. All checks are queries over Parquet.
"""

from collections.abc import Mapping
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.dataset as ds

from schemas.sql_files import read_sql
from tasks.errors import TrainerError
from tasks.prepare_trainer import TrainRequest


def list_overlap(folder: Path) -> list[str]:
    """Return the sample_id of every sample that stands in train.parquet and in predict.parquet."""
    with _connect(folder) as connection:
        connection.register("trained", _open_parquet(folder / "train.parquet"))
        connection.register("asked", _open_parquet(folder / "predict.parquet"))
        return [str(row[0]) for row in connection.execute(read_sql("trainer/in_both")).fetchall()]


def read_predictions(folder: Path, request: TrainRequest, *, expected_count: int) -> pa.Table:
    """Return what the trainer predicted, one row a sample of predict.parquet, in order of sample_id.

    Columns: sample_id, predicted (text), predicted_value (double; null for a class), confidence, scores (map
    of label to probability, or null). `scores` may come as a map, a struct or JSON text, and be left out;
    for numbers `confidence` may be left out too. Labels may be the request's and, for the task `predict`,
    those in `labels_before`. `expected_count` is the row count that `prepare_folder` gave.
    Raises TrainerError that names the offence, how many samples, and some of them.
    """
    answered = _open_parquet(folder / "predictions.parquet")
    select = _select_columns(answered.schema, request.kind)
    asked = _open_parquet(folder / "predict.parquet")
    if asked.count_rows() != expected_count:
        raise TrainerError("the trainer changed predict.parquet; it must only read it")
    with _connect(folder) as connection:
        try:
            connection.register("written", answered)
            connection.register("asked", asked)
            connection.execute(f"create temp table answered as select {select} from written")
            _check_rows(connection, request)
            return connection.sql(read_sql("trainer/predictions")).to_arrow_table()
        except (duckdb.Error, pa.ArrowException) as error:
            raise TrainerError(f"predictions.parquet cannot be used ({error})") from error


def _connect(folder: Path) -> duckdb.DuckDBPyConnection:
    """Open an empty database in memory, which spills into the trainer's folder."""
    return duckdb.connect(config={"temp_directory": str(folder / "spill")})


def _open_parquet(path: Path) -> ds.Dataset:
    if not path.is_file():
        raise TrainerError(f"{path.name} is missing from the trainer's folder")
    try:
        return ds.dataset(path, format="parquet")
    except (OSError, pa.ArrowException) as error:
        raise TrainerError(f"{path.name} cannot be read as Parquet ({error})") from error


def _select_columns(schema: pa.Schema, kind: str) -> str:
    """Return the select list that brings what a trainer may write into one form."""
    required = ["sample_id", "predicted", *(["confidence"] if kind == "class" else [])]
    missing = [name for name in required if name not in schema.names]
    if missing:
        raise TrainerError(f"predictions.parquet: column {', '.join(missing)} is missing")
    number = "try_cast(predicted as double)" if kind == "number" else "cast(null as double)"
    text = "cast(predicted as varchar)"
    confidence = "try_cast(confidence as double)" if "confidence" in schema.names else "cast(null as double)"
    return (
        f"cast(sample_id as varchar) as sample_id, {text} as predicted, {number} as predicted_value, "
        f"{confidence} as confidence, {_select_scores(schema)} as scores"
    )


def _select_scores(schema: pa.Schema) -> str:
    kind = schema.field("scores").type if "scores" in schema.names else pa.null()
    if pa.types.is_struct(kind):
        return "cast(to_json(scores) as map(varchar, double))"
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return "cast(cast(scores as json) as map(varchar, double))"
    return (
        "cast(scores as map(varchar, double))" if pa.types.is_map(kind) else "cast(null as map(varchar, double))"
    )


def _check_rows(connection: duckdb.DuckDBPyConnection, request: TrainRequest) -> None:
    labels = [*request.labels, *(request.labels_before if request.task == "predict" else ())]
    is_class = request.kind == "class"
    _refuse(connection, "repeated", "were predicted more than once")
    _refuse(connection, "missing", "were not predicted")
    _refuse(connection, "unknown", "were predicted but not asked for")
    if is_class:
        _refuse(connection, "foreign_label", f"got a label that is none of {labels}", {"labels": labels})
        _refuse(
            connection,
            "bad_scores",
            f"have scores outside 0 to 1 or of labels not in {labels}",
            {"labels": labels},
        )
    else:
        _refuse(connection, "not_finite", "did not get a finite number")
    _refuse(connection, "bad_confidence", "have a confidence that is not within 0 to 1", {"is_required": is_class})


def _refuse(
    connection: duckdb.DuckDBPyConnection, name: str, offence: str, values: Mapping[str, object] | None = None
) -> None:
    """Raise where the query of that name returns any sample."""
    found = [str(row[0]) for row in connection.execute(read_sql(f"trainer/{name}"), values or {}).fetchall()]
    if found:
        raise TrainerError(
            f"predictions.parquet: {len(found)} samples {offence} (sample_id {', '.join(found[:5])}); "
            "mend the trainer and run it again"
        )
