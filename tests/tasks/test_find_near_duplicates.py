"""Near-duplicates are exactly the rows that a plain loop in float64 finds. All vectors are invented."""

from collections.abc import Sequence

import duckdb
import numpy as np
import pytest
from numpy.typing import NDArray

from tasks.find_near_duplicates import COMPOSED, find_held_near_rows, find_near_duplicates

Vectors = NDArray[np.float32]
PLACE = {"attribute": "a", "feature_space": "s", "reserved_until": "2026-01-02 00:00:00+00"}
LIMIT = 0.05


def search(held: Vectors, rows: Vectors, *, other_side: bool = False) -> list[int]:
    """Return the numbers of the rows that the product finds, or of the held vectors that a row is near."""
    stamp = "timestamptz '2026-01-01 00:00:00+00'"
    with duckdb.connect() as connection:
        connection.execute("attach ':memory:' as wh; use wh")
        connection.execute(
            f"create table holdout as select 'h' as holdout_id, 'a' as attribute, {stamp} as known_at"
        )
        connection.execute(
            "create table sample_vector (sample_id varchar, space varchar, vector float[], known_at timestamptz)"
        )
        for name, vectors in (("h", held), ("r", rows)):
            connection.execute(
                f"insert into sample_vector select '{name}' || i, 's', v, {stamp} "
                "from (select unnest(range(len($vectors))) as i, unnest($vectors::float[][]) as v)",
                {"vectors": vectors.tolist()},
            )
        connection.execute(
            "create table holdout_member as select 'h' as holdout_id, sample_id from sample_vector "
            "where sample_id[1] = 'h'"
        )
        connection.execute(
            "create temp table composed_row as select sample_id, null as why from sample_vector "
            "where sample_id[1] = 'r'"
        )
        find = find_held_near_rows if other_side else find_near_duplicates
        return sorted(int(name[1:]) for name in find(connection, PLACE, LIMIT, COMPOSED))


def search_plainly(held: Vectors, rows: Vectors, *, other_side: bool = False) -> list[int]:
    found = set()
    for number, row in enumerate(rows.astype(np.float64)):
        for place, one in enumerate(held.astype(np.float64)):
            if np.linalg.norm(row - one) < LIMIT * np.linalg.norm(one):
                found.add(place if other_side else number)
    return sorted(found)


def make_copies(held: Vectors, noise: Sequence[float], seed: int) -> Vectors:
    """Copies of the held vectors, each moved by one of these shares of its norm in a random direction."""
    rng = np.random.default_rng(seed)
    moved = []
    for number, one in enumerate(held):
        step = rng.normal(size=len(one))
        moved.append(one + noise[number % len(noise)] * np.linalg.norm(one) * step / np.linalg.norm(step))
    return np.array(moved, dtype=np.float32)


@pytest.mark.parametrize("spread", ["even", "one line", "one norm", "far from zero", "one point", "many scales"])
@pytest.mark.parametrize("length", [1, 3, 64])
def test_what_is_found_is_what_a_plain_loop_finds(spread: str, length: int) -> None:
    rng = np.random.default_rng(length)
    points = rng.normal(size=(60, length))
    if spread == "one line":
        points = rng.normal(size=(60, 1)) * np.ones(length)
    elif spread == "one norm":
        points /= np.linalg.norm(points, axis=1, keepdims=True)
    elif spread == "far from zero":
        points += 1000
    elif spread == "one point":
        points = np.ones((60, length))
    elif spread == "many scales":
        points *= 10.0 ** rng.integers(-12, 12, size=(60, 1))
    held = points.astype(np.float32)
    noise = (0.0, 0.02, 0.0499, 0.04999, 0.05001, 0.0501, 0.06, 0.3)
    strangers = rng.normal(size=(40, length)).astype(np.float32)
    rows = np.concatenate([make_copies(held, noise, 7), -held, strangers])
    found = search(held, rows)
    assert found == search_plainly(held, rows)
    assert set(range(0, 60, 8)) <= set(found), "an exact copy is always near"
    assert search(held, rows, other_side=True) == search_plainly(held, rows, other_side=True)
    assert search(held, rows[60:], other_side=True) == search_plainly(held, rows[60:], other_side=True)


def test_broken_vectors_hide_nobody() -> None:
    """Among vectors that are not finite, zero, or so large that their squares overflow, a copy is still found."""
    rng = np.random.default_rng(5)
    sound = rng.normal(size=(10, 8)).astype(np.float32)
    broken = np.zeros((5, 8), dtype=np.float32)
    broken[1, 3], broken[2, 0], broken[3], broken[4] = np.nan, np.inf, 1e30, -np.inf
    held, rows = np.concatenate([broken, sound]), np.concatenate([broken, make_copies(sound, (0.01,), 1)])
    found = search(held, rows)
    assert found == [3, *range(5, 15)], "the large one is its own copy, and so are the ten"
    assert search(held, rows, other_side=True) == found


def test_zero_is_near_nothing() -> None:
    zero = np.zeros((1, 4), dtype=np.float32)
    assert search(zero, zero) == search(zero, zero, other_side=True) == []


def test_vectors_of_another_length_are_not_compared() -> None:
    assert search(np.ones((2, 4), dtype=np.float32), np.ones((2, 5), dtype=np.float32)) == []
