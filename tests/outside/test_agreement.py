"""Agreement beyond chance, against published values and by hand."""

import csv

import numpy as np
import pytest

from tasks.statistics import cohen_kappa, fleiss_kappa, krippendorff_alpha

# Fleiss JL (1971) Psychological Bulletin 76:378-382, Table 1: 30 patients, 6 psychiatrists each; a row a patient:
# depression, personality disorder, schizophrenia, neurosis, other.
FLEISS_PATIENTS = """
00060 03003 01401 00006 03030 20400 00402 20310 20040 00006 10050 11040 03300 10050 02031
00501 30012 51000 02040 10203 00006 01050 02013 20040 10041 05010 40002 02040 10500 00006
"""

# Krippendorff K (2011) Computing Krippendorff's Alpha-Reliability, Annenberg School for Communication departmental
# paper 43, the example with missing data (from memory): 4 observers, a column a unit.
KRIPPENDORFF_OBSERVERS = """
1,2,3,3,2,1,4,1,2,,,
1,2,3,3,2,2,4,1,2,5,,3
,3,3,3,2,3,4,2,2,5,1,
1,2,3,3,2,4,4,1,2,5,1,
"""


def read_fleiss() -> list[list[int]]:
    return [[int(digit) for digit in row] for row in FLEISS_PATIENTS.split()]


def read_krippendorff() -> list[list[str | None]]:
    return [[value or None for value in row] for row in csv.reader(KRIPPENDORFF_OBSERVERS.split())]


def test_kappa_of_two_judges() -> None:
    """Cohen J (1960) Educational and Psychological Measurement 20:37-46: kappa .492 of 200 by two judges."""
    table = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])
    rows, columns = np.nonzero(table)
    first, second = (np.repeat(codes, table[rows, columns]) for codes in (rows, columns))
    assert len(first) == 200
    assert cohen_kappa(first, second) == pytest.approx(0.4915, abs=5e-5)
    assert cohen_kappa(second, first) == pytest.approx(0.4915, abs=5e-5)
    names = ["schizophrenia", "neurosis", "other"]
    assert cohen_kappa([names[code] for code in first], [names[code] for code in second]) == pytest.approx(
        (0.7 - 0.41) / (1 - 0.41)
    )


def test_kappa_at_its_ends() -> None:
    assert cohen_kappa(["a", "b", "a"], ["a", "b", "a"]) == 1
    assert cohen_kappa(["a", "b"], ["b", "a"]) == -1
    assert cohen_kappa(["a", "a", "b", "b"], ["a", "b", "a", "b"]) == pytest.approx(0)
    assert cohen_kappa(["a", "a", "a"], ["a", "a", 1]) == pytest.approx(0), "one person who never varies: chance"


def test_kappa_of_many_raters() -> None:
    """Fleiss 1971: kappa .430; the sums of the five diagnoses are those of the table."""
    counts = read_fleiss()
    assert np.sum(counts, axis=0).tolist() == [26, 26, 30, 55, 43]
    assert fleiss_kappa(counts) == pytest.approx(0.4302445, abs=5e-5)
    assert fleiss_kappa(np.array(counts)[:, ::-1]) == pytest.approx(0.4302445, abs=5e-5)


def test_kappa_of_many_raters_at_its_ends() -> None:
    assert fleiss_kappa([[3, 0], [0, 3]]) == pytest.approx(1)
    assert fleiss_kappa([[1, 1], [1, 1]]) == pytest.approx(-1)
    assert fleiss_kappa([[2, 0, 0], [0, 2, 0], [0, 2, 0]]) == pytest.approx(1), "a category nobody used"


def test_alpha_with_missing_ratings() -> None:
    """Krippendorff 2011: nominal alpha .743; the twelfth unit has one rating only and drops out."""
    ratings = read_krippendorff()
    assert krippendorff_alpha(ratings) == pytest.approx(0.743, abs=6e-4)
    assert krippendorff_alpha([row[:-1] for row in ratings]) == pytest.approx(
        krippendorff_alpha(ratings), abs=1e-12
    )
    as_numbers = np.array([[float(value) if value else np.nan for value in row] for row in ratings])
    assert krippendorff_alpha(as_numbers) == pytest.approx(krippendorff_alpha(ratings), abs=1e-12)
    assert krippendorff_alpha(ratings[::-1]) == pytest.approx(krippendorff_alpha(ratings), abs=1e-12)


def test_alpha_by_hand() -> None:
    """Two raters, four items, one difference: of 8 ratings 3 are b; observed 2/8, expected 2 x 5 x 3 / (8 x 7)."""
    assert krippendorff_alpha(["aaab", "abab"]) == pytest.approx(1 - (2 / 8) / (30 / 56))
    assert krippendorff_alpha(["ab", "ab"]) == 1


def test_alpha_nears_the_kappa_of_many_raters_as_items_grow() -> None:
    """Both correct for chance by the pooled shares; they differ by a term of one over the number of ratings."""
    counts = read_fleiss() * 50
    ratings = [[code for code, count in enumerate(row) for _ in range(count)] for row in counts]
    assert krippendorff_alpha(list(zip(*ratings, strict=True))) == pytest.approx(fleiss_kappa(counts), abs=1e-4)


def test_raters_who_guess_agree_as_chance_does() -> None:
    rng = np.random.default_rng(2)
    ratings = rng.integers(0, 3, (4, 5000))
    assert cohen_kappa(ratings[0], ratings[1]) == pytest.approx(0, abs=0.04)
    assert krippendorff_alpha(ratings) == pytest.approx(0, abs=0.02)
    counts = np.stack([(ratings == code).sum(axis=0) for code in range(3)], axis=1)
    assert fleiss_kappa(counts) == pytest.approx(0, abs=0.02)
