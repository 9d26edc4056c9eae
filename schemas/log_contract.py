"""What comes in, as data: the columns of prediction logs and label files, their kinds and their limits."""

from typing import Literal

Kind = Literal["text", "time", "number", "vector", "object"]

SAMPLE_COLUMNS: dict[str, Kind] = {
    "recording_id": "text",
    "object_id": "text",
    "observed_at": "time",
    "attribute": "text",
    "unit_id": "text",
    "media_uri": "text",
    "context": "object",
    "features": "vector",
    "feature_version": "text",
    "embedding": "vector",
    "embedder": "text",
}

PREDICTION_COLUMNS: dict[str, Kind] = {
    **SAMPLE_COLUMNS,
    "model_version": "text",
    "predicted": "text",
    "confidence": "number",
    "predicted_at": "time",
    "role": "text",
    "scores": "object",
    "reference_label": "text",
    "reference_origin": "text",
}

LABEL_COLUMNS: dict[str, Kind] = {
    **SAMPLE_COLUMNS,
    "label": "text",
    "origin": "text",
    "decided_by": "text",
    "decided_at": "time",
}

ANSWER_COLUMNS = ("fix_id", "annotator", "answer")

_NAMES = ("recording_id", "object_id", "observed_at", "attribute")
REQUIRED_OF_PREDICTIONS = (*_NAMES, "model_version", "predicted", "confidence")
REQUIRED_OF_LABELS = (*_NAMES, "label", "origin")

# A prediction log's reference label and a label file's label are staged as the same columns.
STAGED_NAMES = {"reference_label": "label", "reference_origin": "origin"}

STAGED_COLUMNS: dict[str, Kind] = {
    STAGED_NAMES.get(name, name): kind for name, kind in {**PREDICTION_COLUMNS, **LABEL_COLUMNS}.items()
}

COMPRESSIONS = (".gz", ".zst")
FORMATS = {".parquet": "parquet", ".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl"}
