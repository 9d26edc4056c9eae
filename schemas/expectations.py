"""The quality suite of a training set, as data: what is expected, how strictly, and how it is asked."""

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from schemas.settings import ChecksSettings

MUST = "must"
SHOULD = "should"
UNEXPECTED_ROWS = "unexpected_rows"

BUILT_IN_CHECKS = (
    "one_row_a_sample",
    "valid_label",
    "settled_before_as_of",
    "passed_lot",
    "no_reserved_group",
    "features_finite_one_length",
    "no_near_duplicate",
    "complete_lineage",
    "enough_rows_a_class",
    "enough_rows_a_case",
    "class_shares_near_parent",
    "growth_within_bounds",
    "machine_label_share",
    "synthetic_label_share",
    "old_guideline_share",
    "recording_share",
    "context_shift",
    "slices_never_trained",
    "suspected_labels",
    "lots_unaudited",
    "near_duplicates_left_out",
    "lots_open_left_out",
)
"""Every name that the built-in suite may use."""


@dataclass(frozen=True)
class Expectation:
    """One check: a Great Expectations type with its arguments, or a query for the rows that offend.

    `kind` is the type's snake-case name, or `unexpected_rows`; then either `query` names a file under
    `schemas/sql/checks` or `text` is the query itself, `arguments` are the values bound to its named
    parameters, and it returns a row an offence: `sample_id` (null where no single sample is to blame) and,
    if it likes, `observed`, a text about the whole check that is the same on every row, and `is_offending`:
    a row where it is false only tells what was seen.
    Queries read the checked relation under the name `checked_row`.
    Great Expectations ignores nulls in a column; here a null fails the check unless `is_null_allowed`.
    `told` puts the figure of a check on the whole relation (its `{}`) into words.
    """

    check_name: str
    requirement: str
    kind: str
    arguments: Mapping[str, Any]
    query: str | None = None
    text: str | None = None
    is_null_allowed: bool = False
    told: str = "{}"


@dataclass(frozen=True)
class Assembly:
    """What the suite must know of the set it judges.

    `kind` is the attribute's (`class` or `number`), `labels` its allowed labels (empty for numbers), `slices`
    its slice expressions, `as_of` an aware time; `parent_row_count` is None for a set without a parent,
    `guideline_sha256` for an attribute without a guideline, `looked_at` (how many labels were judged when
    suspected ones were looked for) where nobody looked.
    """

    kind: str
    as_of: datetime
    labels: Sequence[str] = ()
    slices: Sequence[str] = ()
    parent_row_count: int | None = None
    is_audited: bool = False
    guideline_sha256: str | None = None
    looked_at: int | None = None
    limits: ChecksSettings = field(default_factory=ChecksSettings)


def builtin_suite(assembly: Assembly) -> list[Expectation]:
    """Return the built-in checks that apply to a set, the `must` ones first.

    They read the columns of `schemas/sql/judge/judged_row.sql`, and beside the checked relation the temp
    tables `parent_row`, `slice_count`, `suspected_row`, `near_duplicate` and `left_out`.
    """
    suite = [
        *_expect_sound_rows(assembly),
        *_expect_sound_vectors(),
        _expect_none("complete_lineage"),
        *_expect_enough_of_each(assembly),
        *_expect_like_parent(assembly),
        *_expect_sound_shares(assembly),
        *_expect_known_slices(assembly),
        *_expect_care(assembly),
    ]
    promoted = [
        replace(check, requirement=MUST) if check.check_name in assembly.limits.must else check for check in suite
    ]
    return sorted(promoted, key=lambda check: check.requirement != MUST)


def expect_no_row(check_name: str, requirement: str, text: str) -> Expectation:
    """Return a user's own check; `text` is the whole query, its `where` already checked elsewhere."""
    return Expectation(check_name, requirement, UNEXPECTED_ROWS, {}, text=text)


def _expect_sound_rows(assembly: Assembly) -> list[Expectation]:
    return [
        # The library's own type takes a scan and a join more, and fails where a column's name has a 2 in it.
        _expect_none("one_row_a_sample", MUST),
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
    limits = assembly.limits
    cases = _expect_none("enough_rows_a_case", at_least=limits.rows_a_case_at_least)
    if assembly.kind != "class":
        return [cases]
    classes = _expect_none(
        "enough_rows_a_class", labels=list(assembly.labels), at_least=limits.rows_a_class_at_least
    )
    return [classes, cases]


def _expect_like_parent(assembly: Assembly) -> list[Expectation]:
    if assembly.parent_row_count is None:
        return []
    growth = _expect_growth(assembly.parent_row_count, assembly.limits)
    if assembly.kind != "class":
        return [growth]
    near = _expect_none("class_shares_near_parent", at_most=assembly.limits.class_share_difference_at_most)
    return [near, growth]


def _expect_growth(parent_row_count: int, limits: ChecksSettings) -> Expectation:
    least = math.ceil(parent_row_count * limits.growth_at_least)
    most = math.floor(parent_row_count * limits.growth_at_most)
    return Expectation(
        "growth_within_bounds",
        SHOULD,
        "expect_table_row_count_to_be_between",
        {"min_value": least, "max_value": most},
        told=f"{{}} rows; the parent has {parent_row_count}, so {least} to {most} are expected",
    )


def _expect_sound_shares(assembly: Assembly) -> list[Expectation]:
    limits, guideline = assembly.limits, assembly.guideline_sha256
    shares = [
        _expect_origin("machine", limits.machine_share_at_most),
        _expect_origin("synthetic", limits.synthetic_share_at_most),
        _expect_none("recording_share", at_most=limits.recording_share_at_most),
    ]
    if guideline is not None:
        most = limits.old_guideline_share_at_most
        shares.append(_expect_none("old_guideline_share", guideline_sha256=guideline, at_most=most))
    if assembly.looked_at is not None:
        most = limits.suspected_share_at_most
        shares.append(_expect_none("suspected_labels", looked_at=assembly.looked_at, at_most=most))
    return shares


def _expect_origin(origin: str, at_most: float) -> Expectation:
    arguments = {"origin": origin, "at_most": at_most}
    return Expectation(f"{origin}_label_share", SHOULD, UNEXPECTED_ROWS, arguments, query="label_origin_share")


def _expect_known_slices(assembly: Assembly) -> list[Expectation]:
    if not assembly.slices:
        return []
    limits = assembly.limits
    trained = _expect_none("slices_never_trained", at_most=limits.untrained_slice_samples_at_most)
    if assembly.parent_row_count is None:
        return [trained]
    return [_expect_none("context_shift", at_most=limits.context_shift_at_most), trained]


def _expect_care(assembly: Assembly) -> list[Expectation]:
    told = [
        _expect_none("lots_unaudited", is_audited=assembly.is_audited),
        _expect_none("near_duplicates_left_out"),
    ]
    return [*told, _expect_none("lots_open_left_out")] if assembly.is_audited else told


def _expect_none(check_name: str, requirement: str = SHOULD, **arguments: Any) -> Expectation:  # noqa: ANN401
    return Expectation(check_name, requirement, UNEXPECTED_ROWS, arguments, query=check_name)
