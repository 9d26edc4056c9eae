"""What a report starts from: the model, the gate's latest verdict on it with every criterion, and who signed."""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from schemas.case_file import FailureCase, override_gate
from schemas.read_toml import name_nearest
from schemas.settings import AttributeSettings
from tasks.errors import InputError, NotYetError, UnknownNameError
from tasks.fetch_rows import Row, fetch_rows
from tasks.loop import Loop
from tasks.report_facts import JudgedCriterion, Verdict
from tasks.store_verdict import hash_gate, read_verdict
from tasks.warehouse import Warehouse

_AS_STORED = (
    "criterion",
    "baseline",
    "holdout",
    "estimate",
    "low",
    "high",
    "margin",
    "p_value",
    "verdict",
    "reason",
)


@dataclass(frozen=True)
class Judgement:
    """A model, and what was said of it; `verdict` is None where the gate never judged it.

    `roles`: candidate, control, incumbent -> model_version or None. `incumbent`: a row of `report/read_model`.
    """

    model: Row
    attribute: AttributeSettings
    verdict: Verdict | None
    criteria: tuple[JudgedCriterion, ...]
    roles: dict[str, str | None]
    incumbent: Row | None
    sign_offs: list[Row]

    @property
    def name(self) -> str:
        """The model's name."""
        return str(self.model["model_version"])

    @property
    def is_accepted(self) -> bool:
        """Whether a person has ever accepted it."""
        return any(row["decision"] in ("accept", "import") for row in self.sign_offs)


def read_judgement(warehouse: Warehouse, cases: Sequence[FailureCase], name: str | None) -> Judgement:
    """Return what is known of a model, by default of the candidate that was judged last.

    Raises NotYetError where no candidate was judged, UnknownNameError for a model that is not there or whose
    attribute is not in the settings any more, InputError for a control.
    """
    connection, loop = warehouse.connection, warehouse.loop
    model = _find_model(connection, name or _name_latest(connection))
    attribute = _find_attribute(loop, model)
    rows = fetch_rows(connection, "report/criteria", {"model": model["model_version"]}, moments=("known_at",))
    is_same_gate = bool(rows) and rows[-1]["judged_by"] == hash_gate(loop, attribute, cases)
    criteria = tuple(_make_criterion(row, _find_level(loop, cases, row, is_same_gate)) for row in rows[:-1])
    baselines = {criterion.role: criterion.baseline for criterion in criteria}
    incumbent = baselines.get("incumbent") or model["parent_version"]
    return Judgement(
        model=model,
        attribute=attribute,
        verdict=_read_verdict(warehouse, attribute, cases, model, rows),
        criteria=criteria,
        roles={
            "candidate": str(model["model_version"]),
            "control": baselines.get("control"),
            "incumbent": incumbent,
        },
        incumbent=read_model_row(connection, incumbent) if incumbent else None,
        sign_offs=fetch_rows(
            connection, "report/sign_offs", {"model": model["model_version"]}, moments=("known_at",)
        ),
    )


def _name_latest(connection: duckdb.DuckDBPyConnection) -> str:
    latest = fetch_rows(connection, "report/latest_judged")
    if not latest:
        raise NotYetError("no candidate has been judged yet; `turnrow round ATTRIBUTE` trains and judges one")
    return str(latest[0]["model_version"])


def read_model_row(connection: duckdb.DuckDBPyConnection, name: str) -> Row | None:
    """Return a model with its training set, if the warehouse knows it."""
    found = fetch_rows(connection, "report/read_model", {"model": name}, moments=("known_at", "as_of"))
    return found[0] if found else None


def _find_model(connection: duckdb.DuckDBPyConnection, name: str) -> Row:
    model = read_model_row(connection, name)
    if model is None:
        known = [str(row["model_version"]) for row in fetch_rows(connection, "report/model_names")]
        hint = name_nearest(name, known) if known else "the warehouse knows none yet"
        raise UnknownNameError(f"{name}: no such model; {hint}")
    if model["role"] == "control":
        compared = fetch_rows(connection, "report/judged_against", {"model": name})
        of = f"; ask for that of {compared[0]['candidate']}, which was compared with it" if compared else ""
        raise InputError(f"{name}: is a control, and has no report of its own{of}")
    return model


def _find_attribute(loop: Loop, model: Row) -> AttributeSettings:
    attribute = loop.settings.attribute.get(str(model["attribute"]))
    if attribute is None:
        raise UnknownNameError(
            f"{model['model_version']}: its attribute {model['attribute']} is not in turnrow.toml any more; a "
            "report needs to know how its samples are grouped"
        )
    return attribute


def _read_verdict(
    warehouse: Warehouse, attribute: AttributeSettings, cases: Sequence[FailureCase], model: Row, rows: list[Row]
) -> Verdict | None:
    if not rows:
        return None
    last = rows[-1]
    judged_by = hash_gate(warehouse.loop, attribute, cases)
    held = read_verdict(warehouse.connection, attribute.name, str(model["model_version"]), judged_by)
    return Verdict(last["verdict"], last["reason"], last["known_at"], is_stale=held is None)


def _make_criterion(row: Row, level: float | None) -> JudgedCriterion:
    return JudgedCriterion(role=row["baseline_role"], level=level, **{name: row[name] for name in _AS_STORED})


def _find_level(loop: Loop, cases: Sequence[FailureCase], row: Row, is_same_gate: bool) -> float | None:
    """Return the confidence of a criterion's interval as the gate has it: 1 - 2 alpha of guards, else 1 - alpha.

    None where the gate's settings are others by now.
    """
    if not is_same_gate or row["low"] is None:
        return None
    kind, _, about = str(row["criterion"]).partition(":")
    if kind == "guard":
        about = about.removeprefix("false_alarms:") if about.startswith("false_alarms:") else ""
    own = next((case for case in cases if case.case == about), None)
    gate = override_gate(loop.settings.gate, own.gate) if own else loop.settings.gate
    return 1 - 2 * gate.alpha if kind == "guard" else 1 - gate.alpha
