"""Keep the best of a stream, then choose among them greedily, so that near-copies do not eat the budget."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tasks.stream_vectors import Matrix, normalise

Scores = NDArray[np.float32]


class BestRows:
    """The `keep` best rows of a stream by score, with their vectors; memory stays bounded."""

    def __init__(self, keep: int) -> None:
        self.keep = keep
        self.ids = np.empty(0, dtype=object)
        self.scores: Scores = np.empty(0, dtype=np.float32)
        self._vectors: Matrix | None = None

    @property
    def vectors(self) -> Matrix:
        """Vectors (rows, length) in the order of `ids`."""
        return self._vectors if self._vectors is not None else np.empty((0, 0), dtype=np.float32)

    def add(self, ids: Sequence[str], scores: Scores, vectors: Matrix) -> None:
        """Take in a batch; among equal scores the smaller id stays."""
        order = np.lexsort((np.asarray(ids, dtype=str), -scores))[: self.keep]
        taken = np.asarray(ids, dtype=object)[order]
        merged = np.concatenate([self.ids, taken])
        merged_scores = np.concatenate([self.scores, scores[order]])
        joined = vectors[order] if self._vectors is None else np.concatenate([self._vectors, vectors[order]])
        best = np.lexsort((merged.astype(str), -merged_scores))[: self.keep]
        self.ids, self.scores, self._vectors = merged[best], merged_scores[best], joined[best]


def choose_spread(scores: Scores, vectors: Matrix, count: int, spread: float) -> list[int]:
    """Return up to `count` row numbers: each time the best score less `spread` times its nearest choice.

    `scores` (rows), `vectors` (rows, length); nearness is the cosine to the nearest row chosen already.
    """
    unit = normalise(vectors)
    left = scores.astype(np.float64).copy()
    nearest = np.zeros(len(scores))
    chosen: list[int] = []
    while len(chosen) < min(count, len(scores)):
        pick = int(np.argmax(left - spread * nearest))
        chosen.append(pick)
        left[pick] = -np.inf
        nearest = np.maximum(nearest, unit @ unit[pick])
    return chosen
