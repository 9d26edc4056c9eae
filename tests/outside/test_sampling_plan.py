"""Acceptance sampling: every cell of the published tables, points of the curves, and lots drawn at random.

MIL-STD-105E (10 May 1989, public domain), Tables I, II-A and II-B: single sampling, AQL 0.065 to 10, the same
plans as ISO 2859-1:1999. `mil_std_105e.csv` is this test's own copy of Tables II-A and II-B with the arrows
followed, confirmed cell by cell from several public copies; the page image of the standard itself was not read.
"""

import csv
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, hypergeom

from schemas.sampling_files import read_code_letters, read_plans
from tasks.statistics import acceptance_probability, sampling_plan

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
LETTERS = "ABCDEFGHJKLMNPQR"
AQLS = (0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)

# MIL-STD-105E, Table I: lot sizes from, to (none on the last row), and the letters of LEVELS.
TABLE_I = [
    (2, 8, "AAAAAAB"),
    (9, 15, "AAAAABC"),
    (16, 25, "AABBBCD"),
    (26, 50, "ABBCCDE"),
    (51, 90, "BBCCCEF"),
    (91, 150, "BBCDDFG"),
    (151, 280, "BCDEEGH"),
    (281, 500, "BCDEFHJ"),
    (501, 1200, "CCEFGJK"),
    (1201, 3200, "CDEGHKL"),
    (3201, 10_000, "CDFGJLM"),
    (10_001, 35_000, "CDFHKMN"),
    (35_001, 150_000, "DEGJLNP"),
    (150_001, 500_000, "DEGJMPQ"),
    (500_001, 10_000_000, "DEHKNQR"),
]

# The lot and the level that lead to each letter, from lots as large as it has.
LOTS = {letters[place]: (to, LEVELS[place]) for _, to, letters in TABLE_I for place in range(7)}

SAMPLE_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
ACCEPTS = {"normal": (1, 2, 3, 5, 7, 10, 14, 21), "tightened": (1, 2, 3, 5, 8, 12, 18)}


@cache
def read_cells() -> dict[tuple[str, str, float], tuple[int, int, int]]:
    with Path(__file__).with_name("mil_std_105e.csv").open(encoding="utf-8", newline="") as lines:
        return {
            (row["inspection"], row["letter"], float(row["aql"])): (
                int(row["sample_size"]),
                int(row["accept"]),
                int(row["reject"]),
            )
            for row in csv.DictReader(lines)
        }


def list_cells(inspection: str) -> Iterator[tuple[str, float]]:
    return ((letter, aql) for letter in LETTERS for aql in AQLS)


def follow_arrows(row: int, column: int, inspection: str) -> tuple[int, int, int]:
    """The plan of a cell by the rule that both tables follow: along a diagonal, the acceptance number is the same.

    Counted in AQLs past the diagonal of acceptance number 0: before it and two past it an arrow down, one past it
    an arrow up (normal) or down (tightened), then the numbers of ACCEPTS, and beyond these arrows up. The one
    exception is letter A at AQL 10: nothing is above it, so its arrow points down.
    """
    if (row, column) == (0, 11):
        return follow_arrows(1, column, inspection)
    past = row + column - (10 if inspection == "normal" else 11)
    accepts = ACCEPTS[inspection]
    if past == 0:
        return SAMPLE_SIZES[row], 0, 1
    if 3 <= past < 3 + len(accepts):
        return SAMPLE_SIZES[row], accepts[past - 3], accepts[past - 3] + 1
    is_up = past >= 3 or (past == 1 and inspection == "normal")
    return follow_arrows(row - 1 if is_up else row + 1, column, inspection)


def test_every_letter_of_the_first_table() -> None:
    """Table I: 15 ranges of lot size by 7 levels, at both ends of each range."""
    packaged = read_code_letters()
    assert [lot_from for lot_from, _ in packaged] == [lot_from for lot_from, _, _ in TABLE_I]
    assert ["".join(row[level] for level in LEVELS) for _, row in packaged] == [row for _, _, row in TABLE_I]
    for lot_from, lot_to, letters in TABLE_I:
        for level, letter in zip(LEVELS, letters, strict=True):
            size, accept, reject = read_cells()["normal", letter, 1.0]
            for lot in (lot_from, lot_to):
                assert sampling_plan(lot, 1.0, level) == (min(size, lot), accept, reject)


@pytest.mark.parametrize("inspection", ["normal", "tightened"])
def test_every_plan_of_the_second_table(inspection: str) -> None:
    """Tables II-A and II-B: 16 letters by 12 AQLs; a sample that is not smaller than the lot is the whole lot."""
    assert set(LOTS) == set(LETTERS)
    assert len(list(list_cells(inspection))) == 192
    for letter, aql in list_cells(inspection):
        size, accept, reject = read_cells()[inspection, letter, aql]
        assert read_plans(inspection)[letter][aql] == (size, accept)
        lot, level = LOTS[letter]
        assert sampling_plan(lot, aql, level, inspection) == (min(size, lot), accept, reject)


@pytest.mark.parametrize("inspection", ["normal", "tightened"])
def test_tables_follow_their_diagonals(inspection: str) -> None:
    """The rule gives every cell of this test's copy again: a slip of one digit in it would show."""
    for row, letter in enumerate(LETTERS):
        for column, aql in enumerate(AQLS):
            assert read_cells()[inspection, letter, aql] == follow_arrows(row, column, inspection), (letter, aql)


@pytest.mark.parametrize(
    ("lot", "aql", "level", "inspection", "plan"),
    [
        (2000, 1.0, "II", "normal", (125, 3, 4)),
        (2000, 1.0, "II", "tightened", (125, 2, 3)),
        (2000, 0.25, "II", "tightened", (315, 1, 2)),
        (1000, 2.5, "II", "normal", (80, 5, 6)),
        (1000, 2.5, "II", "tightened", (80, 3, 4)),
        (100, 1.0, "II", "normal", (13, 0, 1)),
        (100_000, 4.0, "II", "normal", (315, 21, 22)),
        (200, 0.65, "II", "normal", (20, 0, 1)),
        (300, 0.65, "II", "normal", (80, 1, 2)),
    ],
)
def test_named_plans(lot: int, aql: float, level: str, inspection: str, plan: tuple[int, int, int]) -> None:
    """Examples of MIL-STD-105E, Tables II-A and II-B: K/1.0, J/2.5, F/1.0 (arrow up), N/4.0, G/0.65, H/0.65."""
    found = sampling_plan(lot, aql, level, inspection)
    assert found == plan
    assert (found.sample_size, found.accept, found.reject) == plan


def test_small_lots_are_looked_at_whole() -> None:
    """MIL-STD-105E, Tables II: where the sample equals or exceeds the lot, 100 percent inspection."""
    assert sampling_plan(8, 0.65) == (8, 0, 1)
    assert sampling_plan(2, 10) == (2, 1, 2)
    assert sampling_plan(13, 1.0) == (13, 0, 1)
    assert sampling_plan(14, 1.0) == (13, 0, 1)


def test_tightened_lets_no_more_through_than_normal() -> None:
    """At the AQL itself, for every lot size, level and AQL of which a sample is drawn."""
    shares = [
        tuple(
            binom.cdf(plan.accept, plan.sample_size, aql / 100)
            for plan in (sampling_plan(lot, aql, level, kind) for kind in ("normal", "tightened"))
        )
        for _, lot, _ in TABLE_I[5:]
        for level in LEVELS
        for aql in AQLS
    ]
    assert all(tightened <= normal + 1e-12 for normal, tightened in shares)
    assert min(normal for normal, _ in shares) > 0.85, "a lot at its AQL mostly passes"


@pytest.mark.parametrize(
    ("defect_share", "chance"), [(0.005, 0.996252), (0.01, 0.962551), (0.02, 0.75867), (0.05, 0.123785)]
)
def test_points_of_the_curve(defect_share: float, chance: float) -> None:
    """The operating characteristic of 125/3 (letter K, AQL 1.0), binomial: recomputed from its formula."""
    plan = sampling_plan(2000, 1.0)
    assert acceptance_probability(plan.sample_size, plan.accept, defect_share) == pytest.approx(chance, abs=1e-6)


@pytest.mark.parametrize(
    ("chance", "percent"),
    [
        (0.99, 0.659),
        (0.95, 1.093),
        (0.90, 1.396),
        (0.75, 2.028),
        (0.50, 2.938),
        (0.25, 4.088),
        (0.10, 5.345),
        (0.05, 6.203),
        (0.01, 8.036),
    ],
)
def test_curve_of_letter_k_as_printed(chance: float, percent: float) -> None:
    """MIL-STD-105E, Table X-K, 125/3 (rounded there: 1.09, 2.94, 5.35; from memory), by Poisson's formula.

    A sample a thousand times as large from a thousand times as few wrong ones is Poisson's case, and at 125 the
    binomial curve differs from the printed one by less than a point.
    """
    assert acceptance_probability(125_000, 3, percent / 100_000) == pytest.approx(chance, abs=3e-4)
    assert acceptance_probability(125, 3, percent / 100) == pytest.approx(chance, abs=0.01)


def test_curve_of_a_lot_counts_its_wrong_items() -> None:
    """By hand: 2 of 10 wrong, 3 drawn, none of them wrong: 8/10 x 7/9 x 6/8; a whole lot tells everything."""
    assert acceptance_probability(3, 0, 0.2, lot_size=10) == pytest.approx(8 / 10 * 7 / 9 * 6 / 8)
    assert acceptance_probability(10, 2, 0.2, lot_size=10) == 1
    assert acceptance_probability(10, 1, 0.2, lot_size=10) == 0
    chances = [acceptance_probability(125, 3, wrong / 2000, lot_size=2000) for wrong in range(0, 2001, 20)]
    assert chances[0] == 1
    assert chances[-1] == 0
    assert chances == sorted(chances, reverse=True)
    endless = acceptance_probability(125, 3, 0.02)
    assert acceptance_probability(125, 3, 0.02, lot_size=10_000_000) == pytest.approx(endless, abs=1e-4)


def audit_lots(lot_size: int, wrong_count: int, lot_count: int, seed: int) -> int:
    """How many of invented lots pass: the labels of each are shuffled, and the first of them looked at."""
    rng = np.random.default_rng(seed)
    plan = sampling_plan(lot_size, 1.0)
    is_wrong = np.arange(lot_size) < wrong_count
    samples = (rng.permutation(is_wrong)[: plan.sample_size] for _ in range(lot_count))
    found = [int(sample.sum()) for sample in samples]
    return sum(wrong < plan.reject for wrong in found)


@pytest.mark.parametrize(("defect_share", "published"), [(0.08, 0.0101), (0.002, 0.9999), (0.02, 0.7576)])
def test_two_thousand_lots_pass_at_the_rate_of_the_curve(defect_share: float, published: float) -> None:
    """AQL 1.0, lots of 2,000: 125/3. Of lots with 8 % wrong about 1 % pass, with 0.2 % wrong nearly all.

    MIL-STD-105E, Table X-K: 1 % pass at 8.04 % wrong and 99 % at 0.66 % (rounded there, from memory). Within
    four standard errors of the published curve (of an endless series, so a finite lot's is a little steeper) and
    of the exact curve of a lot of 2,000 (scipy).
    """
    lot_count, lot_size = 2000, 2000
    wrong_count = round(defect_share * lot_size)
    share = audit_lots(lot_size, wrong_count, lot_count, seed=11) / lot_count
    exact = hypergeom.cdf(3, lot_size, wrong_count, 125)
    assert acceptance_probability(125, 3, defect_share, lot_size=lot_size) == pytest.approx(exact, abs=1e-12)
    for chance, slack in ((exact, 0.0), (published, 0.01)):
        error = (max(chance * (1 - chance), 1e-4) / lot_count) ** 0.5
        assert share == pytest.approx(chance, abs=4 * error + slack)


def test_bad_lots_are_refused_and_good_ones_pass() -> None:
    assert audit_lots(2000, 160, 2000, seed=5) < 40
    assert audit_lots(2000, 4, 2000, seed=5) == 2000, (
        "four wrong in the lot, and all four in the sample: 1 in 66,000"
    )
