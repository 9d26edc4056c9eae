"""`predict`: run a stored model over a file of samples; what comes out is a prediction log."""

from pathlib import Path

import duckdb
import pyarrow as pa

from schemas.settings import BUILT_IN_TRAINERS
from schemas.sql_files import read_sql
from tasks.errors import InputError, UnknownNameError
from tasks.find_names import find_attribute
from tasks.know_models import KnownModel, find_artefact
from tasks.loop import Loop
from tasks.read_table import load_table
from tasks.train_models import predict_rows
from tasks.warehouse import Engine, open_engine
from tasks.write_table import write_table

_NEEDED = ("recording_id", "object_id", "observed_at")
_OPTIONAL = ("attribute", "feature_version", "embedding", "embedder", "context", "unit_id", "media_uri")
_FEATURES = ("features",)
_TOLD = ("model_version",)
_BATCH_ROWS = 20_000


def predict_file(loop: Loop, model_version: str, source: Path, target: Path) -> int:
    """Predict the samples of `source` and write a log with the role `replay`; return its rows.

    The log carries the sample columns, features, embedding and context of `source`; labels and earlier
    predictions are dropped, a sample that stands there twice is predicted once. Raises InputError for a file
    that cannot be read or lacks features, UnknownNameError for a model without an artefact.
    """
    with open_engine(loop) as engine:
        model, attribute_name = _find_model(engine, model_version)
        attribute = find_attribute(loop, attribute_name)
        artefact = find_artefact(loop, model)
        if artefact is None:
            raise UnknownNameError(
                f"{model_version}: has no artefact here, only its logs are known; it cannot be run"
            )
        connection = engine.connection
        needs_features = (model.trainer or attribute.trainer) in BUILT_IN_TRAINERS
        needed = (*_NEEDED, *_FEATURES) if needs_features else _NEEDED
        load_table(connection, source, "input_row", needed=needed, optional=(*_FEATURES, *_OPTIONAL, *_TOLD))
        connection.execute(
            read_sql("predict/stage_samples"),
            {
                "attribute": attribute_name,
                "feature_version": attribute.features,
                "needs_features": needs_features,
            },
        )
        _refuse_bad(connection, source, attribute.features)
        reader = connection.execute(read_sql("predict/sample_rows")).to_arrow_reader(_BATCH_ROWS)
        predictions = predict_rows(loop, attribute, model, artefact, reader)
        return _write_log(connection, model_version, predictions, target)


def _find_model(engine: Engine, model_version: str) -> tuple[KnownModel, str]:
    with engine.attach(write=False) as warehouse:
        row = warehouse.connection.execute(
            read_sql("evaluate/read_candidate"), {"model_version": model_version}
        ).fetchone()
    if row is None:
        raise UnknownNameError(f"{model_version}: no such model; `turnrow status` names the latest ones")
    return KnownModel(*row[:6]), str(row[7])


def _refuse_bad(connection: duckdb.DuckDBPyConnection, source: Path, feature_version: str) -> None:
    row = connection.execute(read_sql("predict/count_bad")).fetchone()
    total, bad, first, foreign, first_foreign = row if row else (0, 0, None, 0, None)
    if total == 0:
        raise InputError(f"{source}: holds no sample of this model's attribute")
    if bad:
        raise InputError(
            f"{source}: {bad} rows lack recording_id, object_id, a time in observed_at or features, "
            f"first row {first}; mend or drop them"
        )
    if foreign:
        raise InputError(
            f"{source}: {foreign} rows, first row {first_foreign}, have another feature_version than "
            f"{feature_version}, which the attribute uses; a model must not be run on features it never saw"
        )


def _write_log(
    connection: duckdb.DuckDBPyConnection, model_version: str, predictions: pa.Table, target: Path
) -> int:
    connection.register("answers", predictions)
    return write_table(connection, read_sql("predict/log_rows"), {"model_version": model_version}, target)
