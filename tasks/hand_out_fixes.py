"""Which questions go to whom: leased for a while, known items mixed in; `queue export` and the page use it."""

import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

import duckdb

from schemas.sql_files import read_sql
from tasks.apply_restrictions import list_restrictions, stage_restricted
from tasks.errors import InputError, UnknownNameError
from tasks.fetch_rows import fetch_rows
from tasks.loop import Loop
from tasks.mix_known_items import choose_known, make_no_known, stage_known
from tasks.warehouse import Warehouse, as_utc, open_warehouse, show_only

_ALL = 2**62
_LONGEST_NAME = 200


@dataclass(frozen=True)
class QueueFilter:
    """Which open fixes are meant; None means all."""

    attribute: str | None = None
    case_name: str | None = None
    at_most: int | None = None


@dataclass(frozen=True)
class Lease:
    """How many questions somebody has out, and until when they are that person's."""

    holder: str
    questions: int
    until: datetime


@dataclass(frozen=True)
class HandOut:
    """What was handed out; `warehouse` is open, and its temp table `chosen_fix` holds a row a question.

    chosen_fix: fix_id, sample_id, attribute, attempt, kind (`fix`, `known`, `audit`), reason, priority,
    guideline_sha256, case_names, answer_count; no order means anything but that of `fix_id`. Whoever answers may
    be shown neither `kind` nor `reason`. `leased_until` is None where nobody was named.
    """

    warehouse: Warehouse
    questions: int
    leased_until: datetime | None
    held_by_others: tuple[Lease, ...]


@contextmanager
def hand_out(
    loop: Loop, which: QueueFilter, *, annotator: str | None = None, is_blind: bool = True
) -> Iterator[HandOut]:
    """Choose the questions for a person, note them as leased, and yield them with the warehouse still open.

    Never a question that the person has answered or had a part in, nor one whose open slots others hold, nor one
    about a sample that may not be queued (any more). A person
    who asks again gets the same ones again, for `lease_minutes` more. Without `annotator` nothing is leased. Where
    it is not blind there are neither known items nor audits. Raises InputError for a name that is none,
    UnknownNameError for an unknown attribute.
    """
    refuse_unknown(loop, which)
    person = None if annotator is None else read_person(annotator)
    share = loop.settings.answers.known_item_share if is_blind else 0.0
    is_written = person is not None or share > 0
    bound = {**bind_filter(which), "annotator": person, "is_blind": is_blind}
    with open_warehouse(loop, write=is_written) as warehouse:
        _state_settings(warehouse.connection, loop)
        _stage_withheld(warehouse)
        if person is not None:
            _refuse_other_spelling(warehouse.connection, person)
        if share:
            stage_known(warehouse, bound, share)

        def choose(now: datetime) -> HandOut:
            held = _choose(warehouse.connection, bound, share, now)
            until = None if person is None else _lease(warehouse, person, now)
            return HandOut(warehouse, _count(warehouse.connection), until, held)

        if is_written:
            yield warehouse.write(choose)
        else:
            yield choose(max(as_utc(loop.clock()), warehouse.read_clock()))


def bind_filter(which: QueueFilter) -> dict[str, object]:
    """Return a filter as the values that the queue's queries bind."""
    at_most = _ALL if which.at_most is None else which.at_most
    return {"attribute": which.attribute, "case_name": which.case_name, "at_most": at_most}


def refuse_unknown(loop: Loop, which: QueueFilter) -> None:
    """Raise UnknownNameError for an attribute that the settings do not have."""
    if which.attribute is not None and which.attribute not in loop.settings.attribute:
        known = ", ".join(sorted(loop.settings.attribute))
        raise UnknownNameError(f"no attribute {which.attribute} in turnrow.toml; it has {known}")


def read_person(name: str) -> str:
    """Return an annotator's name as answers store it: trimmed, in NFC. Raises InputError for one that is none."""
    person = unicodedata.normalize("NFC", name.strip())
    is_plain = not any(
        unicodedata.category(letter) in ("Cc", "Cf") or "\ufe00" <= letter <= "\ufe0f" or letter == ","
        for letter in person
    )
    if not person or len(person) > _LONGEST_NAME or not is_plain:
        raise InputError(
            f"annotator {name!r}: a name has 1 to {_LONGEST_NAME} characters, no comma and no invisible character"
        )
    return person


def _refuse_other_spelling(connection: duckdb.DuckDBPyConnection, person: str) -> None:
    """Raise InputError where answers spell the name otherwise: one person would count as two."""
    row = connection.execute(read_sql("hand_out/find_spelling"), {"annotator": person}).fetchone()
    if row is not None:
        raise InputError(f"annotator {person}: answers so far spell this name {row[0]}; a person has one spelling")


def _state_settings(connection: duckdb.DuckDBPyConnection, loop: Loop) -> None:
    """Make the temp table `handing_attribute`: what the settings say of how often a question is asked."""
    connection.execute(
        "create or replace temp table handing_attribute "
        "(attribute varchar, answers_needed bigint, answers_at_most bigint, deciders varchar[])"
    )
    for attribute in loop.settings.attribute.values():
        connection.execute(
            "insert into handing_attribute values ($name, $needed, $at_most, $deciders)",
            {
                "name": attribute.name,
                "needed": attribute.answers_needed,
                "at_most": attribute.answers_at_most,
                "deciders": list(attribute.deciders),
            },
        )


def _stage_withheld(warehouse: Warehouse) -> None:
    """Make the temp table `withheld_sample`: samples with a question that may not be queued any more."""
    connection = warehouse.connection
    connection.execute("create or replace temp table withheld_sample (sample_id varchar)")
    if list_restrictions(warehouse.loop.settings, "queue"):
        connection.execute(
            "create or replace temp table questioned_sample as select distinct sample_id from open_question"
        )
        with show_only(warehouse, "questioned_sample"):
            stage_restricted(warehouse, "queue", focus="questioned_sample")
        connection.execute("insert into withheld_sample select sample_id from restricted_sample")


def _choose(
    connection: duckdb.DuckDBPyConnection, bound: dict[str, object], share: float, now: datetime
) -> tuple[Lease, ...]:
    """Make the temp table `chosen_fix` and return what others have out."""
    names = ("attribute", "case_name", "annotator")
    asked = {name: bound[name] for name in names} | {"now": now}
    connection.execute(read_sql("hand_out/offer_questions"), asked | {"is_blind": bound["is_blind"]})
    connection.execute(read_sql("hand_out/rank_fixes"), {"at_most": bound["at_most"]})
    if share:
        choose_known(connection, bound, share, now)
    else:
        make_no_known(connection)
    connection.execute(read_sql("hand_out/choose_fixes"), {"at_most": bound["at_most"]})
    rows = fetch_rows(connection, "hand_out/list_leases", asked, moments=("leased_until",))
    return tuple(Lease(row["holder"], row["questions"], row["leased_until"]) for row in rows)


def _lease(warehouse: Warehouse, person: str, now: datetime) -> datetime:
    """Note what was chosen as this person's and return until when; leases that are over are taken away."""
    until = now + timedelta(minutes=warehouse.loop.settings.queue.lease_minutes)
    warehouse.connection.execute(read_sql("hand_out/end_leases"), {"annotator": person, "now": now})
    warehouse.connection.execute(read_sql("hand_out/insert_leases"), {"annotator": person, "leased_until": until})
    return until


def _count(connection: duckdb.DuckDBPyConnection) -> int:
    row = connection.execute("select count(*) from chosen_fix").fetchone()
    return int(row[0]) if row else 0
