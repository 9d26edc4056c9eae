"""Answer the demo's label fixes as invented annotators would, who err at known rates.

Only the demo imports this module, so numpy and pyarrow stand at the top. An answer depends on the seed, the
sample and the annotator alone: not on the order of the rows, nor on what else was asked.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from tasks.errors import InputError

Floats = npt.NDArray[np.float64]

ANNOTATORS: Mapping[str, float] = MappingProxyType({"ana": 0.97, "ben": 0.95, "caro": 0.93})
UNSURE_SHARE = 0.01
ANSWER_DAY = datetime(2024, 9, 16, 7, 0, tzinfo=UTC)

_KEY = ("recording_id", "object_id", "observed_at", "attribute")
_WORKING_SECONDS = 9 * 3600
_SECONDS_LOW, _SECONDS_HIGH = 1.5, 9.0
_MICROSECONDS = pa.timestamp("us", tz="UTC")


def answer_export(
    export: Path,
    truth: Path,
    out: Path,
    *,
    seed: int,
    annotators: Mapping[str, float] = ANNOTATORS,
    answer_day: datetime = ANSWER_DAY,
    labelled: Sequence[Path] = (),
) -> None:
    """Answer every fix of a Parquet export once for each annotator, in the columns that `queue import` takes.

    `annotators` gives each one's share of right answers among those that name a label; `UNSURE_SHARE` of all
    answers are `unsure`, and a wrong one is any other allowed label, all equally often. `answered_at` is a
    second of the invented working day that begins at `answer_day`. `labelled` names label files whose labels are
    true too: a label that a training set seems to have wrong is asked about again. Raises InputError for an
    export without the needed columns, a fix whose sample has no truth, or one that allows a wrong answer no label.
    """
    fixes = _read(export, ("fix_id", *_KEY, "allowed_labels"))
    right = _find_truth(fixes, truth, labelled, export)
    allowed = _read_allowed(fixes, right, export)
    keys = _name_samples(fixes)
    answers = [
        _answer_all(fixes.column("fix_id"), right, allowed, _draw(seed, keys, name), name, share, answer_day)
        for name, share in annotators.items()
    ]
    out.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(pa.concat_tables([_ANSWERS.empty_table(), *answers]), out, compression="zstd")


_ANSWERS = pa.schema(
    [
        ("fix_id", pa.string()),
        ("annotator", pa.string()),
        ("answer", pa.string()),
        ("answered_at", _MICROSECONDS),
        ("seconds", pa.float64()),
    ]
)


def _read(path: Path, columns: tuple[str, ...]) -> pa.Table:
    """Read a Parquet file's columns, with moments as UTC microseconds (those without an offset are UTC)."""
    table = pq.read_table(path)
    missing = [name for name in columns if name not in table.column_names]
    if missing:
        raise InputError(f"{path}: no column {missing[0]}; expected {', '.join(columns)}")
    table = table.select(columns)
    moments = table.column("observed_at").cast(pa.timestamp("us")).cast(_MICROSECONDS)
    return table.set_column(columns.index("observed_at"), "observed_at", moments)


def _find_truth(fixes: pa.Table, truth: Path, labelled: Sequence[Path], export: Path) -> list[str]:
    """Return the true label of each fix's sample, in the export's order."""
    label_of: dict[str, str] = {}
    for path, column in [*((path, "label") for path in labelled), (truth, "truth")]:
        known = _read(path, (*_KEY, column))
        label_of |= dict(zip(_name_samples(known), known.column(column).to_pylist(), strict=True))
    keys = _name_samples(fixes)
    unknown = [key for key in keys if key not in label_of]
    if unknown:
        raise InputError(
            f"{export}: {len(unknown)} fixes ask about samples that {truth} does not hold, the first "
            f"about {' '.join(unknown[0].split(_SEPARATOR))}; use the truth that this season was made with"
        )
    return [label_of[key] for key in keys]


_SEPARATOR = "\x1f"


def _name_samples(table: pa.Table) -> list[str]:
    """Return one text a row that names its sample: the four sample columns, the moment as microseconds."""
    moments = table.column("observed_at").cast(pa.int64()).cast(pa.string())
    texts = [table.column(name).cast(pa.string()) if name != "observed_at" else moments for name in _KEY]
    return [str(name) for name in pc.binary_join_element_wise(*texts, _SEPARATOR).to_pylist()]


def _read_allowed(fixes: pa.Table, right: list[str], export: Path) -> list[list[str]]:
    """Return each fix's allowed labels but the right one, whether the export lists them or writes JSON."""
    rows = fixes.column("allowed_labels").to_pylist()
    parsed = {row: json.loads(row) for row in {row for row in rows if isinstance(row, str)}}
    labels = [parsed[row] if isinstance(row, str) else row for row in rows]
    others = [
        [label for label in row if label not in (truth, "unsure", "unusable")]
        for row, truth in zip(labels, right, strict=True)
    ]
    if not all(others):
        raise InputError(f"{export}: row {others.index([]) + 1} allows no label but the right one; check `labels`")
    return others


def _draw(seed: int, keys: Iterable[str], annotator: str) -> Floats:
    """Return eight uniform numbers a sample, shape (samples, 8), hashed from seed, sample and annotator."""
    texts = (f"{seed}{_SEPARATOR}{key}{_SEPARATOR}{annotator}".encode() for key in keys)
    digests = b"".join(hashlib.sha256(text).digest() for text in texts)
    return np.asarray(np.frombuffer(digests, dtype=">u4").reshape(-1, 8) / 2.0**32)


def _answer_all(
    fix_ids: pa.ChunkedArray,
    right: list[str],
    allowed: list[list[str]],
    draws: Floats,
    annotator: str,
    accuracy: float,
    answer_day: datetime,
) -> pa.Table:
    """Return one annotator's answers to all fixes, in the export's order."""
    wrong = np.array(_pick_wrong(allowed, draws[:, 1]), dtype=np.str_)
    named = np.where(draws[:, 0] < accuracy, np.array(right, dtype=np.str_), wrong)
    seconds = np.floor(draws[:, 3] * _WORKING_SECONDS).astype("timedelta64[s]")
    begin = np.datetime64(answer_day.astimezone(UTC).replace(tzinfo=None), "us")
    answered_at = pa.array((begin + seconds).astype("datetime64[us]")).cast(_MICROSECONDS)
    pace = _SECONDS_LOW + (_SECONDS_HIGH - _SECONDS_LOW) * draws[:, 4]
    return pa.table(
        {
            "fix_id": fix_ids,
            "annotator": pa.array([annotator] * len(right), pa.string()),
            "answer": pa.array(np.where(draws[:, 2] < UNSURE_SHARE, "unsure", named), pa.string()),
            "answered_at": answered_at,
            "seconds": pa.array(np.round(pace, 1)),
        },
        schema=_ANSWERS,
    )


def _pick_wrong(allowed: list[list[str]], draws: Floats) -> list[str]:
    """Pick one of each fix's wrong labels by a uniform number."""
    return [labels[int(draw * len(labels))] for labels, draw in zip(allowed, draws, strict=True)]
