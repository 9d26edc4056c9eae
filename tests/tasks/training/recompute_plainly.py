"""Ids and digests of the contract, computed from what is read with hashlib, struct and decimal alone.

No query here computes anything: it is held against what the product says, on every kind of warehouse and DuckDB.
"""

import hashlib
import struct
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

_NOTHING = "\x00"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Ask = Callable[..., list[tuple[Any, ...]]]
Line = tuple[str, str, str | None, float | None, float, str]  # sample, revision, label, its number, weight, reason


def name_sample(recording_id: str, object_id: str, observed_at: datetime, attribute: str) -> str:
    return _hash(_text(recording_id), _text(object_id), _time(observed_at), _text(attribute))


def name_revision(
    sample_id: str,
    label: str | None,
    label_value: float | None,
    origin: str,
    decided_by: str | None = None,
    decided_at: datetime | None = None,
    fix_id: str | None = None,
) -> str:
    number = _NOTHING if label_value is None else _number(label_value)
    who, when = _text(decided_by), _NOTHING if decided_at is None else _time(decided_at)
    return _hash(sample_id, _text(label), number, origin, who, when, _text(fix_id))


def name_fix(sample_id: str, attempt: int) -> str:
    return _hash(sample_id, str(attempt))


def digest(lines: Iterable[Line], features: dict[str, Sequence[float]]) -> str:
    """SHA-256 over the rows' lines, then over their features, both in order of sample_id."""
    rows = sorted(lines)
    total = hashlib.sha256()
    for sample_id, revision_id, label, value, weight, reason in rows:
        told = label if label is not None else _number(float(value or 0))
        exact = Decimal(weight).quantize(Decimal("0.000001"), ROUND_HALF_EVEN)
        total.update("\t".join((sample_id, revision_id, told, str(exact), reason)).encode() + b"\n")
    for sample_id, *_ in rows:
        total.update(struct.pack(f"<{len(features[sample_id])}f", *features[sample_id]))
    return total.hexdigest()


def digest_version(ask: Ask, version: str) -> str:
    """The digest of a version as it is stored, every id made anew from the facts' own fields."""
    members = ask(
        "select sample_id, revision_id, label, label_value, weight, reason from training_set_member "
        "where version = $version",
        version=version,
    )
    samples = {
        row[0]: name_sample(row[1], row[2], _read_time(row[3]), row[4])
        for row in ask(
            "select sample_id, recording_id, object_id, epoch_us(observed_at), attribute from known_sample"
        )
    }
    fixes = {
        row[0]: name_fix(samples[row[1]], row[2])
        for row in ask("select fix_id, sample_id, attempt from label_fix")
    }
    revisions = {
        revision_id: name_revision(
            samples[sample_id],
            label,
            value,
            origin,
            decided_by,
            None if decided_at is None else _read_time(decided_at),
            fixes[fix_id] if fix_id else None,
        )
        for revision_id, sample_id, label, value, origin, decided_by, decided_at, fix_id in ask(
            "select revision_id, sample_id, label, label_value, origin, decided_by, epoch_us(decided_at), fix_id "
            "from label_revision"
        )
    }
    ((space,),) = ask(
        "select (composition->>'feature_space') from training_set where version = $version", version=version
    )
    features: dict[str, Sequence[float]] = {}
    for sample_id, vector in ask(
        "select sample_id, vector from sample_vector where space = $space order by known_at", space=space
    ):
        features.setdefault(samples[sample_id], vector)
    return digest([(samples[row[0]], revisions[row[1]], *row[2:]) for row in members], features)


def _hash(*fields: str) -> str:
    return hashlib.sha256("\x1f".join(fields).encode()).hexdigest()[:32]


def _text(value: str | None) -> str:
    return _NOTHING if value is None else unicodedata.normalize("NFC", value)


def _number(value: float) -> str:
    return struct.pack(">d", value + 0.0).hex()  # 0 and -0 are one number


def _time(moment: datetime) -> str:
    return str((moment - _EPOCH) // timedelta(microseconds=1))


def _read_time(microseconds: int) -> datetime:
    return _EPOCH + timedelta(microseconds=microseconds)
