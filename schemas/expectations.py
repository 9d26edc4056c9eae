"""The quality suite of a training set, as data: what is expected, how strictly, and how it is asked."""

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

MUST = "must"
SHOULD = "should"
UNEXPECTED_ROWS = "unexpected_rows"


@dataclass(frozen=True)
class Expectation:
    """One check: a Great Expectations type with its arguments, or a query for the rows that offend.

    `kind` is the type's snake-case name, or `unexpected_rows`; then either `query` names a file under
    `schemas/sql/checks` or `text` is the query itself, `arguments` are the values bound to its named
    parameters, and it returns a row an offence: `sample_id` (null where no single sample is to blame) and,
    if it likes, `observed`, a text about the whole check that is the same on every row.
    Queries read the checked relation under the name `checked_row`.
    Great Expectations ignores nulls in a column; here a null fails the check unless `is_null_allowed`.
    """

    check_name: str
    requirement: str
    kind: str
    arguments: Mapping[str, Any]
    query: str | None = None
    text: str | None = None
    is_null_allowed: bool = False


@dataclass(frozen=True)
class SuiteLimits:
    """Where the `should` checks draw the line; the defaults are common practice, no source."""

    rows_a_class_at_least: int = 30
    share_difference_at_most: float = 0.10
    growth_at_least: float = 0.90
    growth_at_most: float = 3.00


@dataclass(frozen=True)
class Assembly:
    """What the suite must know of the set it judges.

    `kind` is the attribute's (`class` or `number`), `labels` its allowed labels (empty for numbers),
    `as_of` an aware time; `parent_row_count` is None for a set without a parent.
    """

    kind: str
    as_of: datetime
    labels: Sequence[str] = ()
    parent_row_count: int | None = None
    is_audited: bool = False
    limits: SuiteLimits = field(default_factory=SuiteLimits)


def builtin_suite(assembly: Assembly) -> list[Expectation]:
    """Return the built-in checks that apply to a set, the `must` ones first.

    Beside the checked relation they read the temp tables `near_duplicate(sample_id)` and
    `left_out(sample_id, why)` and, for classes with a parent, `parent_share(label, share)`.
    """
    return [
        *_expect_sound_rows(assembly),
        *_expect_sound_vectors(),
        *_expect_enough_of_each(assembly),
        *_expect_growth(assembly),
        *_expect_care(assembly),
    ]


def expect_no_row(check_name: str, requirement: str, text: str) -> Expectation:
    """Return a user's own check; `text` is the whole query, its `where` already checked elsewhere."""
    return Expectation(check_name, requirement, UNEXPECTED_ROWS, {}, text=text)


def _expect_sound_rows(assembly: Assembly) -> list[Expectation]:
    return [
        Expectation("one_row_a_sample", MUST, "expect_column_values_to_be_unique", {"column": "sample_id"}),
        _expect_label(assembly),
        Expectation(
            "settled_before_as_of",
            MUST,
            "expect_column_values_to_be_between",
            {"column": "settled_at", "max_value": assembly.as_of},
        ),
        _expect_one_value("passed_lot", "lot_passed", value=True),
        _expect_one_value("no_reserved_group", "is_reserved", value=False),
    ]


def _expect_label(assembly: Assembly) -> Expectation:
    if assembly.kind == "class":
        arguments = {"column": "label", "value_set": list(assembly.labels)}
        return Expectation("valid_label", MUST, "expect_column_values_to_be_in_set", arguments)
    # The database orders NaN above every number, so the range of finite doubles leaves it out too.
    finite = {"min_value": -sys.float_info.max, "max_value": sys.float_info.max}
    return Expectation(
        "valid_label", MUST, "expect_column_values_to_be_between", {"column": "label_value", **finite}
    )


def _expect_one_value(check_name: str, column: str, *, value: bool) -> Expectation:
    arguments = {"column": column, "value_set": [value]}
    return Expectation(check_name, MUST, "expect_column_values_to_be_in_set", arguments)


def _expect_sound_vectors() -> list[Expectation]:
    return [
        _expect_none("features_finite_one_length", MUST),
        _expect_none("no_near_duplicate", MUST),
    ]


def _expect_enough_of_each(assembly: Assembly) -> list[Expectation]:
    if assembly.kind != "class":
        return []
    limits = assembly.limits
    enough = _expect_none(
        "enough_rows_a_class", SHOULD, labels=list(assembly.labels), at_least=limits.rows_a_class_at_least
    )
    if assembly.parent_row_count is None:
        return [enough]
    near = _expect_none("class_shares_near_parent", SHOULD, at_most=limits.share_difference_at_most)
    return [enough, near]


def _expect_growth(assembly: Assembly) -> list[Expectation]:
    if assembly.parent_row_count is None:
        return []
    bounds = {
        "min_value": math.ceil(assembly.parent_row_count * assembly.limits.growth_at_least),
        "max_value": math.floor(assembly.parent_row_count * assembly.limits.growth_at_most),
    }
    return [Expectation("growth_within_bounds", SHOULD, "expect_table_row_count_to_be_between", bounds)]


def _expect_care(assembly: Assembly) -> list[Expectation]:
    told = [
        _expect_none("lots_unaudited", SHOULD, is_audited=assembly.is_audited),
        _expect_none("near_duplicates_left_out", SHOULD),
    ]
    return [*told, _expect_none("lots_open_left_out", SHOULD)] if assembly.is_audited else told


def _expect_none(check_name: str, requirement: str, **arguments: Any) -> Expectation:  # noqa: ANN401
    return Expectation(check_name, requirement, UNEXPECTED_ROWS, arguments, query=check_name)
