"""The settled samples most like some others: what the answer page shows beside the model's word.

Numpy stands at the top: only the reading of a batch imports this module.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.group_samples import view_groups
from tasks.stream_vectors import Matrix, normalise, stream_matrices
from tasks.warehouse import Warehouse, show_only

# How many labelled samples are looked at more closely for each one shown: some are reserved or of the same group.
_POOL = 64


@dataclass(frozen=True)
class Neighbour:
    """A settled sample's label and its likeness, a cosine."""

    label: str
    likeness: float


def find_neighbours(
    warehouse: Warehouse, attribute: AttributeSettings, at_most: int
) -> dict[str, tuple[Neighbour, ...]]:
    """Return for each sample of the temp table `neighbour_wanted` its nearest settled ones, nearest first.

    Only those of other groups that no hold-out has reserved. A sample without a vector in the attribute's space
    is not in the result.
    """
    bound = {"space": attribute.vector_space, "attribute": attribute.name}
    parts = list(stream_matrices(warehouse.connection, read_sql("answer/wanted_vectors"), bound))
    if not parts:
        return {}
    sample_ids = [str(name) for batch, _ in parts for name in batch.column("sample_id").to_pylist()]
    wanted = normalise(np.concatenate([matrix for _, matrix in parts]))
    ids, likeness = _find_likest(warehouse, wanted, bound)
    facts = _read_facts(warehouse, attribute, {*sample_ids, *ids.ravel().tolist()})
    return {
        name: _choose(facts, name, ids[row].tolist(), likeness[row].tolist(), at_most)
        for row, name in enumerate(sample_ids)
    }


def _find_likest(
    warehouse: Warehouse, wanted: Matrix, bound: Mapping[str, object]
) -> tuple[NDArray[np.object_], Matrix]:
    """Return ids and cosines (wanted, up to `_POOL`) of the likest labelled samples, best first."""
    ids = np.empty((len(wanted), 0), dtype=object)
    likeness = np.empty((len(wanted), 0), dtype=np.float32)
    for batch, matrix in stream_matrices(warehouse.connection, read_sql("answer/labelled_vectors"), bound):
        names = np.asarray(batch.column("sample_id").to_pylist(), dtype=object)
        ids = np.concatenate([ids, np.broadcast_to(names, (len(wanted), len(names)))], axis=1)
        likeness = np.concatenate([likeness, wanted @ normalise(matrix).T], axis=1)
        best = np.argsort(-likeness, axis=1, kind="stable")[:, :_POOL]
        ids = np.take_along_axis(ids, best, axis=1)
        likeness = np.take_along_axis(likeness, best, axis=1)
    return ids, likeness


def _read_facts(
    warehouse: Warehouse, attribute: AttributeSettings, sample_ids: set[str]
) -> dict[str, tuple[str, str | None]]:
    """Return sample -> its group, and its label where that may be shown."""
    connection = warehouse.connection
    connection.execute("create or replace temp table neighbour_focus (sample_id varchar)")
    connection.execute("insert into neighbour_focus select unnest($ids)", {"ids": sorted(sample_ids)})
    with show_only(warehouse, "neighbour_focus"):
        view_groups(connection, attribute)
        rows = connection.execute(read_sql("answer/neighbour_facts"), {"attribute": attribute.name}).fetchall()
    return {str(name): (str(group), label) for name, group, label in rows}


def _choose(
    facts: Mapping[str, tuple[str, str | None]], name: str, ids: list[str], likeness: list[float], at_most: int
) -> tuple[Neighbour, ...]:
    own_group = facts[name][0]
    found: dict[str, Neighbour] = {}
    for other, cosine in zip(ids, likeness, strict=True):
        group, label = facts.get(other, (own_group, None))
        if label is not None and group != own_group:
            found.setdefault(other, Neighbour(label, round(float(cosine), 3)))
    return tuple(found.values())[:at_most]
