"""`sign-off`: a named person's decision on a candidate; only an accepted one becomes the incumbent."""

import os
import pwd
import socket
from dataclasses import dataclass, field, replace
from datetime import datetime

import duckdb

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.errors import InputError, UnknownNameError
from tasks.know_models import KnownModel, find_artefact
from tasks.loop import Loop
from tasks.match_cases import insert_state
from tasks.read_settings import read_cases
from tasks.record_run import record_run
from tasks.store_verdict import hash_gate, read_verdict
from tasks.warehouse import open_warehouse

CAUTIONS = (
    "Turnrow is no safety case and certifies nothing.",
    "A better score on a hold-out is not evidence of safe operation, and recall here is not detection recall.",
    "Keep the independent protective functions; put a model into service only by qualified people under the "
    "standards and codes that apply where the machine runs.",
    "Recordings of people are personal data.",
)


@dataclass(frozen=True)
class SignOffSummary:
    """A decision as it stands; `verdict` and `reason` are the gate's, None where it never judged the model.

    `cases`: what accepting it made of failure cases, `cured` or `reopened`.
    """

    model_version: str
    decision: str
    against_verdict: bool
    verdict: str | None
    reason: str | None
    cases: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class _Candidate:
    model: KnownModel
    role: str
    attribute: str
    verdict: str | None
    reason: str | None
    has_rival: bool
    is_stale: bool = False

    @property
    def is_advised(self) -> bool:
        """Whether accepting follows the gate: it passed, or had a first model and nothing against it."""
        if self.is_stale:
            return False
        return self.verdict == "passed" or (self.verdict == "undecided" and not self.has_rival)


def sign_off(
    loop: Loop, model_version: str, *, signed_by: str, decision: str, note: str | None = None
) -> SignOffSummary:
    """Record a decision, `accept` or `refuse`; the same decision again, with nothing since, adds nothing.

    Raises InputError for a control, for a person who may not sign, and for accepting against the verdict
    without a note; TrainerError for an artefact whose hash differs; UnknownNameError for an unknown model.
    """
    started_at = loop.clock()
    with open_warehouse(loop, write=True) as warehouse:
        connection = warehouse.connection
        found = _find_candidate(connection, model_version)
        attribute = loop.settings.attribute.get(found.attribute)
        if attribute is None:
            raise UnknownNameError(
                f"{model_version}: its attribute {found.attribute} is not in turnrow.toml any more"
            )
        check_signer(attribute, signed_by)
        if decision == "accept":
            found = replace(found, is_stale=_is_stale(connection, loop, attribute, found))
        against = decision == "accept" and not found.is_advised
        _check_decision(found, against, note)
        if decision == "accept":
            find_artefact(loop, found.model)
        summary = SignOffSummary(model_version, decision, against, found.verdict, found.reason)
        if _is_latest(connection, found, decision, signed_by, note):
            return summary

        def insert(known_at: datetime) -> SignOffSummary:
            insert_sign_off(
                connection,
                model_version,
                found.attribute,
                decision,
                signed_by,
                note,
                known_at,
                against=against,
            )
            cases = _change_cases(connection, model_version, signed_by, known_at) if decision == "accept" else {}
            record_run(
                connection,
                "sign-off",
                started_at=started_at,
                ended_at=loop.clock(),
                parameters={"model": model_version, "decision": decision},
            )
            return replace(summary, cases=cases)

        return warehouse.write(insert)


def check_signer(attribute: AttributeSettings, signed_by: str) -> None:
    """Raise InputError where a person is not named, or not among the attribute's `signers`."""
    if not signed_by.strip():
        raise InputError("--by: a decision has a person's name")
    if attribute.signers and signed_by not in attribute.signers:
        raise InputError(
            f"--by {signed_by}: may not sign for {attribute.name}; its signers are {', '.join(attribute.signers)}"
        )


def _find_candidate(connection: duckdb.DuckDBPyConnection, model_version: str) -> _Candidate:
    row = connection.execute(read_sql("evaluate/read_candidate"), {"model_version": model_version}).fetchone()
    if row is None:
        raise UnknownNameError(f"{model_version}: no such model; `turnrow status` names the latest candidates")
    return _Candidate(KnownModel(*row[:6]), *row[6:])


def _is_stale(
    connection: duckdb.DuckDBPyConnection, loop: Loop, attribute: AttributeSettings, found: _Candidate
) -> bool:
    """Tell whether `retrain` would judge the candidate anew: its verdict rests on what has changed since."""
    if found.verdict is None:
        return False
    judged_by = hash_gate(loop, attribute, read_cases(loop.folder, loop.settings)[0])
    return read_verdict(connection, attribute.name, found.model.model_version, judged_by) is None


def _check_decision(found: _Candidate, against: bool, note: str | None) -> None:
    name = found.model.model_version
    if found.role == "control":
        raise InputError(f"{name}: is a control; it is there to be compared with, not to be put into service")
    if against and not (note or "").strip():
        if found.is_stale:
            raise InputError(
                f"{name}: its verdict, {found.verdict}, is out of date: since then a hold-out was frozen, another "
                "model accepted, or the gate's or a case's settings changed; run `turnrow retrain` again, or give "
                "the reason with --note"
            )
        verdict = found.verdict or "never judged"
        raise InputError(f"{name}: the verdict is {verdict}; accepting against it needs --note with the reason")


def _is_latest(
    connection: duckdb.DuckDBPyConnection, found: _Candidate, decision: str, signed_by: str, note: str | None
) -> bool:
    row = connection.execute(
        "select model_version, decision, signed_by, note from sign_off where attribute = $attribute "
        "order by known_at desc limit 1",
        {"attribute": found.attribute},
    ).fetchone()
    return row == (found.model.model_version, decision, signed_by, note)


def insert_sign_off(
    connection: duckdb.DuckDBPyConnection,
    model_version: str,
    attribute: str,
    decision: str,
    signed_by: str,
    note: str | None,
    known_at: datetime,
    *,
    against: bool,
) -> None:
    """Insert one row of `sign_off`, with whose process this is and where; part of the caller's transaction."""
    connection.execute(
        "insert into sign_off values "
        "($model_version, $attribute, $decision, $against, $signed_by, $note, $known_at, $account, $host)",
        {
            "model_version": model_version,
            "attribute": attribute,
            "decision": decision,
            "against": against,
            "signed_by": signed_by,
            "note": note,
            "known_at": known_at,
            "account": name_account(),
            "host": socket.gethostname(),
        },
    )


def name_account() -> str:
    """Return the operating system's name for whose process this is; its number where it has no name."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


def _change_cases(
    connection: duckdb.DuckDBPyConnection, model_version: str, signed_by: str, known_at: datetime
) -> dict[str, str]:
    """Cure what the accepted model cures, and reopen what it is no cure of; return the new states."""
    which = {"candidate": model_version}
    cured = connection.execute(read_sql("evaluate/cured_cases"), which).fetchall()
    reopened = connection.execute(read_sql("evaluate/reopened_cases"), which | {"now": known_at}).fetchall()
    because = f"its targets passed in {model_version}, which was accepted"
    new = [(str(case_name), "cured", because) for (case_name,) in cured]
    new += [(str(case_name), "reopened", str(why)) for case_name, why in reopened]
    for case_name, state, why in new:
        insert_state(connection, case_name, state, why, signed_by, known_at)
    return {case_name: state for case_name, state, _ in new}
