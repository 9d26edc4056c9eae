"""Values as JSON has them: what `--json` and `sql` hand on."""

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

Plain = Any
"""What `json.dumps` takes: dicts, lists, texts, numbers, true, false and null."""


def make_plain(value: object) -> Plain:
    """Return a value as dicts, lists, texts and numbers.

    Times in ISO form, UTC as Z, intervals in seconds, bytes in hex, what is no number (NaN) as null, a
    dataclass by its fields, those that start with an underscore left out.
    """
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): make_plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [make_plain(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        names = [entry.name for entry in fields(value) if not entry.name.startswith("_")]
        return {name: make_plain(getattr(value, name)) for name in names}
    return _make_scalar(value)


def _make_scalar(value: object) -> Plain:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z") if value.tzinfo else value.isoformat()
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    return bytes(value).hex() if isinstance(value, bytes | bytearray) else str(value)
