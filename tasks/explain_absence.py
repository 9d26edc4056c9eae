"""Why a sample is not in a training set: the version is composed anew for this sample, as of its own moment.

Only the sample and the attribute's hold-outs are looked at. Limits that depend on all rows (caps, shares, rows a
recording) are asked about last, and only where nothing else explains it.
"""

from dataclasses import dataclass, replace
from datetime import datetime

import duckdb

from schemas.sql_files import read_sql
from tasks.compose_rows import compose_rows
from tasks.errors import TurnrowError, UnknownNameError
from tasks.fetch_rows import Row, fetch_rows
from tasks.find_sample import tell_moment
from tasks.plan_composition import Composition, Moment
from tasks.read_version import StoredVersion, read_latest_version, read_version
from tasks.warehouse import Warehouse, show_as_of

_FOCUS, _SAMPLE = "composed_focus", "explained_sample"


@dataclass(frozen=True)
class Reason:
    """One reason why a sample is not in a version: `why` in a word, `words` for people, `details` for machines."""

    why: str
    words: str
    details: Row


@dataclass(frozen=True)
class Presence:
    """Whether a version holds the sample; where it does not, why, the decisive reason first.

    `problem` says why it could not be told.
    """

    version: str
    state: str
    as_of: datetime
    is_in: bool
    reasons: tuple[Reason, ...] = ()
    problem: str | None = None


@dataclass(frozen=True)
class _Place:
    """A version to look into, and the sample that is looked for."""

    warehouse: Warehouse
    sample: Row
    version: StoredVersion

    @property
    def composition(self) -> Composition:
        return self.version.composition

    @property
    def moment(self) -> Moment:
        return self.version.moment

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        return self.warehouse.connection

    @property
    def scope(self) -> Row:
        return {
            "attribute": self.composition.attribute,
            "feature_space": self.composition.feature_space,
            "reserved_until": self.moment.reserved_until,
        }


def choose_version(
    connection: duckdb.DuckDBPyConnection, attribute: str, version: str | None
) -> StoredVersion | None:
    """Return a version, or the attribute's latest one; None where the attribute has none yet.

    Raises UnknownNameError for an unknown version, and for one of another attribute.
    """
    if version is None:
        return read_latest_version(connection, attribute)
    stored = read_version(connection, version)
    if stored.attribute != attribute:
        raise UnknownNameError(
            f"{version}: is a training set of {stored.attribute}, and the sample is one of {attribute}"
        )
    return stored


def explain_presence(warehouse: Warehouse, sample: Row, version: StoredVersion, *, is_in: bool) -> Presence:
    """Tell whether a version holds the sample of `explained_sample`, and if not, why.

    `sample` is its row of `why/sample` with its reservations. What cannot be composed (a `where` that fails)
    is told in `problem`.
    """
    told = Presence(version.version, version.state, version.moment.as_of, is_in)
    if is_in:
        return told
    try:
        return replace(told, reasons=tuple(_list_reasons(_Place(warehouse, sample, version))))
    except TurnrowError as error:
        return replace(told, problem=f"it cannot be told, since the version cannot be composed again: {error}")


def _list_reasons(place: _Place) -> list[Reason]:
    if place.sample["known_at"] > place.moment.as_of:
        return [_tell_late(place)]
    place.connection.execute(read_sql("why/stage_focus"), {"attribute": place.composition.attribute})
    alone = replace(place.composition, takes_all=True, caps={}, shares={}, rows_a_recording_at_most=0)
    row = _compose(place, alone, _FOCUS)
    if row is None or row["why"] == "no_label":
        reserved = _tell_reserved(place) if _list_reservations(place) else None
        return [_tell_unlabelled(place), *([reserved] if reserved else [])]
    if row["why"] is not None:
        return [_tell_why(place, row)]
    if not _is_wanted(place, row):
        return [_tell_unwanted(place)]
    return [_look_at_limits(place) or _tell_changed(place)]


def _compose(place: _Place, composition: Composition, focus: str | None) -> Row | None:
    """Compose the version and return what became of the sample; None where it was no candidate."""
    version = place.version
    compose_rows(
        place.warehouse, version.attribute_settings, composition, version.parent_version, place.moment, focus=focus
    )
    rows = fetch_rows(place.connection, "why/composed")
    return rows[0] if rows else None


def _is_wanted(place: _Place, row: Row) -> bool:
    """Tell whether the version itself would ask for the sample, were nothing in its way."""
    if row["is_wanted"] or place.composition.takes_all:
        return True
    listed = place.composition.listed
    return listed is not None and bool(
        place.connection.execute(read_sql("why/is_listed"), {"listed": listed}).fetchall()
    )


def _tell_late(place: _Place) -> Reason:
    known, as_of = place.sample["known_at"], place.moment.as_of
    words = f"it came in on {tell_moment(known)}, after the version's moment, {tell_moment(as_of)}"
    return Reason("pulled_after", words, {"known_at": known, "as_of": as_of})


def _tell_unlabelled(place: _Place) -> Reason:
    with show_as_of(place.warehouse, place.moment.as_of, _SAMPLE):
        (then,) = fetch_rows(place.connection, "why/label_then")
    because = then["disputed_because"] or then["ended_as"]
    if because is not None:
        return _add_present(place, Reason(str(because), _DISPUTES[str(because)], then))
    if then["revision_count"] and then["last_outcome"] in _FALLEN:
        return _add_present(place, Reason(str(then["last_outcome"]), _FALLEN[str(then["last_outcome"])], then))
    later = [row for row in place.sample["revisions"] if row["known_at"] > place.moment.as_of]
    if later:
        since, as_of = later[0]["known_at"], place.moment.as_of
        words = (
            f"it was settled after the version's moment: on {tell_moment(since)}, and that is {tell_moment(as_of)}"
        )
        return Reason("settled_after", words, {"known_at": since, "as_of": as_of})
    asked = "; a question about it was open" if then["open_fix_id"] else "; nothing had asked about it"
    return Reason("no_label", f"it had no label{asked}", then)


_DISPUTES = {
    "ambiguous": "its question ended as ambiguous: the answers did not agree, so it has no label to train on",
    "unusable": "its question ended as unusable: whoever looked could not use the sample",
    "labels disagree": "its labels disagree and none was decided later: it has no label until a second look",
}
_FALLEN = {
    "lot_failed": "the lot of its label failed its audit, so the label does not count",
    "withdrawn": "its label was withdrawn",
}


def _add_present(place: _Place, reason: Reason) -> Reason:
    """Add that it has a label by now, where the moment is a past one."""
    label = place.sample["label"]
    if place.sample["revision_id"] is None:
        return reason
    now = label if label is not None else place.sample["label_value"]
    return replace(reason, words=f"{reason.words} (then; by now it is {now})")


def _tell_why(place: _Place, row: Row) -> Reason:
    """Return the composition's own reason, with what it rests on."""
    why, note = str(row["why"]), row["note"]
    tell = {
        "reserved": lambda: _tell_reserved(place),
        "near_duplicate": lambda: _tell_near(place),
        "lot_open": lambda: _tell_lot(place, row),
        "no_features": lambda: _tell_features(place),
    }.get(why)
    if tell is not None:
        return tell()
    return Reason(why, _WORDS.get(why, "{note}").format(note=note or why), {"note": note})


_WORDS = {
    "restricted": "a [[restriction]] forbids to train on it: {note}",
    "left_out": "a [[leave_out]] of the settings says so: {note}",
    "watch_open": "the random watch of served traffic asks about it, or its label is an answer to that: it trains "
    "nothing until its week is closed",
    "other_label": "its label is another than the one in the imported list",
    "over_cap": "its reason brought more rows than its cap, and a hash of the sample decides which stay: {note}",
    "over_recording": "its recording brought more rows than it may, and a hash decides which stay: {note}",
    "over_origin_share": "labels of its origin are beyond their share, and a hash decides which stay: {note}",
}


def _list_reservations(place: _Place) -> list[Row]:
    until = place.moment.reserved_until
    return [row for row in place.sample["reservations"] if row["known_at"] <= until]


def _tell_reserved(place: _Place) -> Reason:
    rows = _list_reservations(place)
    group = place.sample["group_id"]
    if not rows:
        words = f"its group, {group}, is a hold-out member's by what was known of that one later"
        return Reason("reserved", words, {"group_id": group, "holdouts": []})
    told = ", ".join(f"{row['case_name']} since {tell_moment(row['known_at'])}" for row in rows)
    own = [str(row["case_name"]) for row in rows if row["is_member"]]
    member = (
        f"it is itself a member of {', '.join(own)}"
        if own
        else "it is no member itself, only its group is reserved"
    )
    words = f"its group, {group}, is kept for the hold-out of {told}; {member}"
    return Reason("reserved", words, {"group_id": group, "is_member": bool(own), "holdouts": rows})


def _tell_near(place: _Place) -> Reason:
    limit = place.composition.near_duplicate
    rows = fetch_rows(place.connection, "why/nearest_holdout", place.scope)
    if not rows:
        return Reason("near_duplicate", "it is nearly the same as a hold-out sample", {"limit": limit})
    near = rows[0]
    name = f"{near['recording_id']}/{near['object_id']} ({near['sample_id']})"
    words = (
        f"it is nearly the same as {name} of the hold-out of {near['case_name']}: "
        f"{near['norm_share']:.4f} of that one's norm away, and near_duplicate = {limit:g}"
    )
    return Reason("near_duplicate", words, {**near, "limit": limit})


def _tell_lot(place: _Place, row: Row) -> Reason:
    with show_as_of(place.warehouse, place.moment.as_of, _SAMPLE):
        lots = fetch_rows(place.connection, "why/lot", {"fix_id": row["label_fix_id"]})
    if not lots:
        words = "its label comes from a label fix that was in no lot yet: only passed lots train"
    elif lots[0]["verdict"] is None:
        words = f"the audit of its label's lot had not ended (lot {lots[0]['lot_id']})"
    else:
        words = f"its label's lot {lots[0]['verdict']} (lot {lots[0]['lot_id']})"
    return Reason("lot_open", words, {"fix_id": row["label_fix_id"], **(lots[0] if lots else {})})


def _tell_features(place: _Place) -> Reason:
    space = place.composition.feature_space
    later = [row["known_at"] for row in place.sample["arrivals"] if space in row["things"]]
    came = f"; they came on {tell_moment(min(later))}, after the version's moment" if later else ""
    return Reason("no_features", f"it had no {space} to learn from{came}", {"space": space})


def _tell_unwanted(place: _Place) -> Reason:
    parent = place.version.parent_version
    if place.composition.listed is not None:
        return Reason("never_wanted", "it has a label, but the imported set did not list it", {})
    words = (
        f"it has a label, but nothing asked for it: beside the rows of {parent} a version takes the members of "
        "failure cases and what was mined for them and settled"
        if parent
        else "it has a label, but no failure case asked for it"
    )
    return Reason("never_wanted", words, {"parent_version": parent})


def _look_at_limits(place: _Place) -> Reason | None:
    """Compose the whole version: caps and shares depend on all of its rows."""
    composition = place.composition
    if not (composition.caps or composition.shares or composition.rows_a_recording_at_most):
        return None
    row = _compose(place, composition, None)
    return _tell_why(place, row) if row is not None and row["why"] is not None else None


def _tell_changed(place: _Place) -> Reason:
    words = (
        "composed anew, the version would hold it: the warehouse is no longer what it was; "
        f"`turnrow verify {place.version.version}` compares the digests"
    )
    return Reason("warehouse_changed", words, {})
