"""What an exported training set has a column for: its type and what it means, as its description says it too."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "texts", "number", "time", "vector"]


@dataclass(frozen=True)
class ExportedColumn:
    """One column of `rows.parquet`; the order of the tuple below is that of the file."""

    name: str
    kind: Kind
    description: str


EXPORTED_COLUMNS = (
    ExportedColumn("sample_id", "text", "Names the sample: a hash of recording, object, time and attribute."),
    ExportedColumn("group_id", "text", "What belongs together; split by this, never by rows."),
    ExportedColumn("recording_id", "text", "The recording that the sample is from."),
    ExportedColumn("object_id", "text", "The object within its recording."),
    ExportedColumn("observed_at", "time", "When the sample was observed, UTC."),
    ExportedColumn("attribute", "text", "The quantity that the label is about, the same for all rows."),
    ExportedColumn("unit_id", "text", "The machine that observed it; empty where nobody said."),
    ExportedColumn("media_uri", "text", "Where the picture or recording is kept; it is not part of this set."),
    ExportedColumn("context", "text", "What else is known of the moment: a JSON object with sorted keys."),
    ExportedColumn("features", "vector", "The features that a model learns from."),
    ExportedColumn("feature_version", "text", "Which features these are, the same for all rows."),
    ExportedColumn("label", "text", "The label; of a number its decimal text."),
    ExportedColumn("label_value", "number", "The label as a number; empty for classes."),
    ExportedColumn("weight", "number", "How much the row counts in training."),
    ExportedColumn(
        "reason",
        "text",
        "Why the row is in the set: base, fixed (a failure case's error), mined or look_alike.",
    ),
    ExportedColumn("origin", "text", "Who gave the label: person, machine or synthetic."),
    ExportedColumn("decided_by", "text", "The names of those who decided the label, where known."),
    ExportedColumn("decided_at", "time", "When the label was decided, UTC, where known."),
    ExportedColumn("revision_id", "text", "Names the label revision in the warehouse."),
    ExportedColumn("fix_id", "text", "Names the question that the label answers, if one was asked."),
    ExportedColumn("case_names", "texts", "The failure cases that the row is about, the most severe first."),
)
