"""Hold-outs whose samples were chosen by the incumbent's errors: on them any other model looks better.

A set of errors scores the incumbent 0 %, and whoever errs elsewhere gains on it without being better (regression
to the mean). Two ways lead there: a file that lists errors alone, or a draw that met nothing but known ones; and a
file made by likeness to the case's members in which each counts as like itself. A draw cannot do the second.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import numpy as np
from numpy.typing import NDArray

from schemas.case_file import FailureCase
from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.know_models import KnownModel, rename_labels
from tasks.measure_likeness import References, measure_likeness, read_references
from tasks.read_outcomes import Flags, Outcomes

# Where the line is drawn is our own choice: a few labels of a list of errors may be corrected later.
_HARDLY_ANY = 0.10
_NOT_FEW = 0.05
_SURE = 0.05

Likeness = NDArray[np.float32]


@dataclass(frozen=True)
class Chosen:
    """How the members of one hold-out came in; an entry a sample, as in the `Outcomes` that it was made for."""

    is_listed: Flags
    is_flagged: Flags


def read_chosen(connection: duckdb.DuckDBPyConnection, outcomes: Outcomes) -> Chosen:
    """Return how each sample of `outcomes` came into its hold-out."""
    rows = connection.execute(read_sql("evaluate/chosen_member"), {"holdout_id": outcomes.holdout_id}).fetchall()
    known = {sample_id: (is_listed, is_flagged) for sample_id, is_listed, is_flagged in rows}
    pairs = np.array([known[sample] for sample in outcomes.samples], dtype=bool).reshape(-1, 2)
    return Chosen(pairs[:, 0], pairs[:, 1])


def tell_errors_only(outcomes: Outcomes, chosen: Chosen, counted: Flags, what: str = "") -> str:
    """Say that what was listed, or all that was drawn, is hardly anything but the incumbent's errors; '' if not.

    `counted`: the samples that a figure counts, named by `what`. Of what a draw brought, errors alone are no bias
    unless they were known as errors when it was drawn: a scope may simply be hard.
    """
    is_right = outcomes.correct["incumbent"]
    counted = counted & outcomes.has_answer("incumbent")
    listed, drawn = counted & chosen.is_listed, counted & ~chosen.is_listed
    parts = [(listed, "a file lists")]
    if drawn.any() and chosen.is_flagged[drawn].mean() >= 1 - _HARDLY_ANY:
        parts.append((drawn, "were drawn, nearly all flagged already,"))
    for part, how in parts:
        count, right = int(part.sum()), int(is_right[part].sum())
        if count and count >= _NOT_FEW * counted.sum() and right <= _HARDLY_ANY * count:
            return (
                f"the incumbent is wrong on {count - right} of the {count} samples{what} that {how} for this "
                "hold-out: on nothing but its errors any other model looks better, without any true change"
            )
    return ""


def find_case_bias(
    connection: duckdb.DuckDBPyConnection,
    attribute: AttributeSettings,
    case: FailureCase,
    outcomes: Outcomes,
    incumbent: KnownModel,
) -> str:
    """Return why a case's hold-out flatters whoever is compared with the incumbent, and what to do; '' if nothing.

    A class that the incumbent was never taught is no bias: it is wrong there by necessity, not by chance.
    """
    if "incumbent" not in outcomes.predicted or not len(outcomes):
        return ""
    chosen = read_chosen(connection, outcomes)
    truth = case.holdout.truth
    counted = np.asarray(outcomes.truth == truth) if truth else np.ones(len(outcomes), dtype=bool)
    taught = np.isin(outcomes.truth.astype(str), _taught_labels(incumbent, attribute, outcomes))
    found = tell_errors_only(outcomes, chosen, counted & taught, f" of {truth}" if truth else "")
    if not found:
        connection.execute(read_sql("evaluate/listed_members"), {"holdout_id": outcomes.holdout_id})
        found = _tell_self_likeness(connection, attribute, case, int(counted.sum()))
    return f"{found}; draw one from the scope (turnrow holdout {case.case} --grow N)" if found else ""


def find_overall_bias(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, outcomes: Outcomes, incumbent: KnownModel
) -> str:
    """Return why the overall hold-out cannot show a loss, of the whole or a critical class; '' if it can.

    Who is right on nothing has nothing to lose, so such a set would guard against nothing.
    """
    if "incumbent" not in outcomes.predicted or not len(outcomes):
        return ""
    chosen = read_chosen(connection, outcomes)
    labels = _taught_labels(incumbent, attribute, outcomes)
    taught = np.isin(outcomes.truth.astype(str), labels)
    found = tell_errors_only(outcomes, chosen, taught)
    for label in attribute.critical:
        is_label = np.asarray(outcomes.truth == label, dtype=bool)
        found = found or tell_errors_only(outcomes, chosen, taught & is_label, f" of {label}")
    name = f"overall:{attribute.name}"
    return f"{found}; draw one (turnrow holdout {name} --grow N)" if found else ""


def find_list_bias(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, case: FailureCase | None
) -> str:
    """Return why what a file lists (`drawn_member`) will pass nobody, as far as can be seen; '' if nothing."""
    row = connection.execute(read_sql("holdout/count_flagged")).fetchone()
    count, flagged = row or (0, 0)
    if flagged and flagged >= (1 - _HARDLY_ANY) * count:
        return (
            f"{flagged} of its {count} samples are flagged as mispredictions: on nothing but errors of a model "
            "any other looks better, so no verdict on it will be `passed`; list what the model got right there too"
        )
    connection.execute(read_sql("holdout/listed_members"))
    found = _tell_self_likeness(connection, attribute, case, count) if case else ""
    return f"{found}, so no verdict on it will be `passed`" if found else ""


def _taught_labels(incumbent: KnownModel, attribute: AttributeSettings, outcomes: Outcomes) -> list[str]:
    """Return the truths that the incumbent could have told; all, where nobody said what it was taught."""
    labels = rename_labels(incumbent.labels, attribute)
    return list(labels) if labels else sorted({str(truth) for truth in outcomes.truth})


def _tell_self_likeness(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, case: FailureCase, count: int
) -> str:
    """Say that members of the case in `listed_member` were listed for being like themselves; '' if not.

    Nor is anything said where likeness plays no part in the scope.
    A list made so holds members that are not in the scope by the other members, and hardly anything else that is
    not (Fisher's exact test, one-sided); a list made by other means holds both.
    """
    if not case.scope_in_use.similar_to:
        return ""
    references = _stage_references(connection, case, attribute)
    if not references.groups:
        return ""
    parts = list(_compare_likeness(connection, references, attribute, case))
    if not parts:
        return ""
    is_own, alone, with_itself = (np.concatenate(values) for values in zip(*parts, strict=True))
    least = case.scope_in_use.similarity_at_least
    smuggled = int((is_own & (alone < least) & (with_itself >= least)).sum())
    if smuggled == 0 or smuggled < _NOT_FEW * count or not _is_by_likeness(is_own, alone < least):
        return ""
    return (
        f"{smuggled} of the {count} samples that a file lists for this hold-out are members of the case that are "
        "in its scope only by likeness to themselves: they were chosen for the incumbent's error, which flatters "
        "every other model without any true change"
    )


def _stage_references(
    connection: duckdb.DuckDBPyConnection, case: FailureCase, attribute: AttributeSettings
) -> References:
    connection.execute(read_sql("evaluate/stage_listed_members"))
    connection.execute(read_sql("evaluate/stage_settled_members"), {"case_name": case.case})
    return read_references(connection, attribute.vector_space)


def _compare_likeness(
    connection: duckdb.DuckDBPyConnection, references: References, attribute: AttributeSettings, case: FailureCase
) -> Iterator[tuple[Flags, Likeness, Likeness]]:
    """Yield, of what a file listed: does it share a group with a member, its likeness without and with that."""
    # A group that nobody has: nothing is left out, each member is like itself.
    with_all = References(references.vectors, [""] * len(references.groups), references.predicted)
    own_groups = np.array(sorted(set(references.groups)), dtype=object)
    space, nearest = attribute.vector_space, case.mine.nearest
    both = zip(
        measure_likeness(connection, references, space, nearest),
        list(measure_likeness(connection, with_all, space, nearest)),
        strict=True,
    )
    for alone, with_itself in both:
        groups = np.array(alone.rows.column("group_id").to_pylist(), dtype=object)
        yield np.isin(groups.astype(str), own_groups.astype(str)), alone.likeness, with_itself.likeness


def _is_by_likeness(is_own: Flags, is_below: Flags) -> bool:
    """Tell whether what lies below the scope's likeness is the members rather than anything listed."""
    from scipy.stats import fisher_exact

    table = [
        [int((is_own & is_below).sum()), int((is_own & ~is_below).sum())],
        [int((~is_own & is_below).sum()), int((~is_own & ~is_below).sum())],
    ]
    return float(fisher_exact(table, alternative="greater").pvalue) < _SURE
