"""What the models made of the hold-outs, as arrays that the gate judges."""

from dataclasses import dataclass, field

import duckdb
import numpy as np
from numpy.typing import NDArray

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.leave_out_copies import stage_seen
from tasks.read_slices import SliceValues, read_slice_values

# At the very tolerance a number is right, also where its last binary digit says otherwise; all SQL does the same.
_WITHIN = 1 + 1e-9

ROLES = ("candidate", "control", "incumbent")
Flags = NDArray[np.bool_]
Texts = NDArray[np.object_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Outcomes:
    """Labelled, unseen members of one hold-out (or several pooled); one entry a sample in every array.

    `predicted` and `correct` have a key a role: `candidate`, and `control` and `incumbent` where there are
    such models. `weights` are inverse inclusion probabilities, or None where they are all alike. `confidence` is
    what a model said of its answer, `error` of numbers how far above the truth it is; both by role, not a number
    where there is none. `slices` has each sample's value by slice expression.
    """

    holdout_id: str
    samples: Texts
    groups: Texts
    truth: Texts
    predicted: dict[str, Texts]
    correct: dict[str, Flags]
    weights: Floats | None
    confidence: dict[str, Floats] = field(default_factory=dict)
    error: dict[str, Floats] = field(default_factory=dict)
    slices: dict[str, Texts] = field(default_factory=dict)

    def choose(self, mask: Flags) -> "Outcomes":
        """Return the entries where `mask` is true."""
        return Outcomes(
            self.holdout_id,
            self.samples[mask],
            self.groups[mask],
            self.truth[mask],
            {role: values[mask] for role, values in self.predicted.items()},
            {role: values[mask] for role, values in self.correct.items()},
            None if self.weights is None else self.weights[mask],
            {role: values[mask] for role, values in self.confidence.items()},
            {role: values[mask] for role, values in self.error.items()},
            {expression: values[mask] for expression, values in self.slices.items()},
        )

    def answered_by(self, role: str) -> "Outcomes":
        """Return the entries that a model answered; one known only by its logs may lack some."""
        return self.choose(self.has_answer(role))

    def has_answer(self, role: str) -> Flags:
        """Tell which entries a model answered."""
        return np.array([answer is not None for answer in self.predicted[role]], dtype=bool)

    def __len__(self) -> int:
        return len(self.samples)


def take_weights(outcomes: Outcomes) -> Floats:
    """Return the draw's weights; ones where they are all alike."""
    return np.ones(len(outcomes)) if outcomes.weights is None else outcomes.weights


def read_outcomes(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings, models: dict[str, str | None]
) -> dict[str, Outcomes]:
    """Return case name (or `overall:ATTRIBUTE`) -> outcomes of its frozen hold-out.

    `models` maps each role to a model_version, or None; their answers stand in the temp table
    `new_prediction`.
    """
    stage_seen(connection, attribute)
    frame = connection.execute(
        read_sql("evaluate/outcomes"),
        {"attribute": attribute.name, **{role: models.get(role) for role in ROLES}},
    ).fetchnumpy()
    columns = {name: _as_objects(values) for name, values in frame.items()}
    names = columns["case_name"]
    roles = [role for role in ROLES if models.get(role) is not None]
    slices = read_slice_values(connection, attribute)
    return {
        str(name): _select(columns, names == name, roles, attribute, slices)
        for name in sorted(set(names.tolist()))
    }


def _as_objects(values: object) -> Texts:
    if isinstance(values, np.ma.MaskedArray):
        filled: Texts = values.data.astype(object)
        filled[np.ma.getmaskarray(values)] = None
        return filled
    return np.asarray(values, dtype=object)


def _select(
    columns: dict[str, Texts], mask: Flags, roles: list[str], attribute: AttributeSettings, slices: SliceValues
) -> Outcomes:
    chosen = {name: values[mask] for name, values in columns.items()}
    keys = list(zip(chosen["holdout_id"].tolist(), chosen["sample_id"].tolist(), strict=True))
    return Outcomes(
        str(chosen["holdout_id"][0]),
        chosen["sample_id"],
        chosen["group_id"],
        chosen["truth"],
        {role: _answers(chosen, role, attribute) for role in roles},
        {role: _judge(chosen, role, attribute) for role in roles},
        _weigh(chosen["inclusion_probability"]),
        {role: _as_floats(chosen[f"{role}_confidence"]) for role in roles},
        {role: _subtract(chosen, role) for role in roles} if attribute.kind == "number" else {},
        {
            expression: np.array([values.get(key) for key in keys], dtype=object)
            for expression, values in slices.items()
        },
    )


def _as_floats(values: Texts) -> Floats:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _subtract(chosen: dict[str, Texts], role: str) -> Floats:
    return _as_floats(chosen[f"{role}_value"]) - _as_floats(chosen["truth_value"])


def _answers(chosen: dict[str, Texts], role: str, attribute: AttributeSettings) -> Texts:
    return chosen[role] if attribute.kind == "class" else chosen[f"{role}_value"]


def _judge(chosen: dict[str, Texts], role: str, attribute: AttributeSettings) -> Flags:
    if attribute.kind == "class":
        return np.asarray(chosen[role] == chosen["truth"], dtype=bool)
    return np.asarray(np.abs(_subtract(chosen, role)) <= (attribute.tolerance or 0.0) * _WITHIN, dtype=bool)


def _weigh(probabilities: Texts) -> NDArray[np.float64] | None:
    if any(p is None for p in probabilities):
        return None
    weights = 1.0 / probabilities.astype(float)
    return None if np.allclose(weights, weights[0]) else weights
