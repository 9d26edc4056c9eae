"""Keep the best of a stream, then choose among them greedily, so that near-copies do not eat the budget."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tasks.stream_vectors import Matrix, normalise

Scores = NDArray[np.float32]
Tracks = NDArray[np.uint64]
Counts = NDArray[np.int64]


class BestRows:
    """The `keep` best rows of a stream by score, of a track no more than it has room for; memory stays bounded."""

    def __init__(self, keep: int) -> None:
        self.keep = keep
        self.ids = np.empty(0, dtype=object)
        self.scores: Scores = np.empty(0, dtype=np.float32)
        self.tracks: Tracks = np.empty(0, dtype=np.uint64)
        self.room: Counts = np.empty(0, dtype=np.int64)
        self._vectors: Matrix | None = None

    @property
    def vectors(self) -> Matrix:
        """Vectors (rows, length) in the order of `ids`."""
        return self._vectors if self._vectors is not None else np.empty((0, 0), dtype=np.float32)

    def add(self, ids: Sequence[str], scores: Scores, vectors: Matrix, tracks: Tracks, room: Counts) -> None:
        """Take in a batch; among equal scores the smaller id stays. `room` is each row's track's."""
        names = np.asarray(ids, dtype=object)
        order = self._order(names, scores, tracks, room)
        names = np.concatenate([self.ids, names[order]])
        scores = np.concatenate([self.scores, scores[order]])
        tracks = np.concatenate([self.tracks, tracks[order]])
        room = np.concatenate([self.room, room[order]])
        joined = vectors[order] if self._vectors is None else np.concatenate([self._vectors, vectors[order]])
        best = self._order(names, scores, tracks, room)
        self.ids, self.scores, self._vectors = names[best], scores[best], joined[best]
        self.tracks, self.room = tracks[best], room[best]

    def _order(self, ids: NDArray[np.object_], scores: Scores, tracks: Tracks, room: Counts) -> NDArray[np.intp]:
        order = np.lexsort((ids.astype(str), -scores))
        return order[place_in_tracks(tracks[order]) < room[order]][: self.keep]


def place_in_tracks(tracks: Tracks) -> Counts:
    """Return of each row how many rows before it are of its track."""
    by_track = np.argsort(tracks, kind="stable")
    ordered = tracks[by_track]
    is_first = np.ones(len(tracks), dtype=bool)
    is_first[1:] = ordered[1:] != ordered[:-1]
    numbers = np.arange(len(tracks))
    first = np.maximum.accumulate(np.where(is_first, numbers, 0))
    places = np.empty(len(tracks), dtype=np.int64)
    places[by_track] = numbers - first
    return places


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
