"""Every value that a warehouse can give has a JSON form, and that form is valid JSON."""

import json
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from tasks.make_plain import make_plain


@dataclass(frozen=True)
class Cart:
    name: str
    seen_at: datetime
    _cache: list[int] = field(default_factory=list)


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (None, None),
        (True, True),
        (2**70, 2**70),
        (0.25, 0.25),
        (float("nan"), None),
        (float("-inf"), None),
        (Decimal("2.000000"), 2),
        (Decimal("2.5"), 2.5),
        (
            datetime(2026, 5, 1, 22, 0, 0, 250_000, tzinfo=timezone(timedelta(hours=2))),
            "2026-05-01T20:00:00.250000Z",
        ),
        (datetime(2026, 5, 1, 20, 0), "2026-05-01T20:00:00"),
        (date(2026, 5, 1), "2026-05-01"),
        (time(20, 30), "20:30:00"),
        (timedelta(minutes=2), 120.0),
        (b"\x00\xff", "00ff"),
        (Path("cases/a.toml"), "cases/a.toml"),
        (UUID(int=7), "00000000-0000-0000-0000-000000000007"),
        ({1: (float("nan"), b"a")}, {"1": [None, "61"]}),
        (Cart("cart-3", datetime(2026, 5, 1, tzinfo=UTC)), {"name": "cart-3", "seen_at": "2026-05-01T00:00:00Z"}),
    ],
)
def test_a_value_becomes_valid_json(value: object, plain: Any) -> None:
    assert make_plain(value) == plain
    json.dumps(make_plain(value), allow_nan=False)
