"""A CSV file is no program to a spreadsheet, and every text comes back from it as it went in."""

import csv
import random
from pathlib import Path

import duckdb
import pytest

from tasks.guard_cells import read_guarded, spell_guarded
from tasks.read_rows import load_rows
from tasks.write_table import write_table

# OWASP, "CSV Injection": a cell may not begin with one of these; the null character is OWASP ASVS 5.0, 1.2.10's.
RISKY = ["=", "+", "-", "@", "\t", "\r", "\n", "\x00", "\uff1d", "\uff0b", "\uff0d", "\uff20"]
ATTACKS = [
    "=1+1",
    '=HYPERLINK("http://orchard.example/"&A1,"look")',
    "=cmd|' /C calc'!A0",
    "+1-2",
    "-2+3",
    "@SUM(1,2)",
    "\t=1",
    "\r=1",
    " =1",
    "  @x",
]
HARMLESS = ["person", "a-b", "3 = 3", "-1.5", "+2", "1e-3", "-1.5E+3", "'tis", "''", "'", '{"a":1}', "", "0=1"]


def write_and_read(texts: list[str], folder: Path) -> tuple[list[str], list[str | None]]:
    """Return the cells of the CSV file that the texts are written to, and what is read from it."""
    path = folder / "t.csv"
    with duckdb.connect() as connection:
        connection.execute("create table t (place integer, text varchar)")
        connection.executemany("insert into t values (?, ?)", list(enumerate(texts)))
        write_table(connection, "select * from t order by place", {}, path, is_guarded=True)
        content = path.read_bytes()
        load_rows(connection, path, content, "back", needed=["text"], optional=[])
        assert connection.execute("select * from back where fault is not null").fetchall() == []
        back = [row[0] for row in connection.execute("select text from back order by row_number").fetchall()]
    with path.open(encoding="utf-8", newline="") as handle:
        cells = [row["text"] for row in csv.DictReader(handle)]
    return cells, back


def test_no_cell_begins_with_a_sign_that_starts_a_formula(tmp_path: Path) -> None:
    texts = [*ATTACKS, *(f"{sign}x" for sign in RISKY), *(f"'{text}" for text in ATTACKS)]
    cells, back = write_and_read(texts, tmp_path)
    assert [cell for cell in cells if not cell.startswith("'")] == []
    assert back == texts


def test_what_is_no_formula_is_written_as_it_is(tmp_path: Path) -> None:
    cells, back = write_and_read(HARMLESS, tmp_path)
    assert (cells, back) == (HARMLESS, HARMLESS)


def test_every_text_comes_back_as_it_went(tmp_path: Path) -> None:
    """Thousands of short texts of the letters that matter, quotes, separators and line breaks among them."""
    draw = random.Random(5)
    letters = ["'", "''", '"', ",", ";", " ", "\n", "\r\n", "1", ".", "x", "\u00a0", "ä", "🍎", "\\", *RISKY]
    texts = ["".join(draw.choices(letters, k=draw.randint(0, 5))) for _ in range(4000)]
    _, back = write_and_read(texts, tmp_path)
    assert [(went, came) for went, came in zip(texts, back, strict=True) if went != came] == []


@pytest.mark.parametrize("text", ["''=1", "' '=1", "'=1", "=1", "''", "'a"])
def test_reading_undoes_one_guard_alone(text: str) -> None:
    row = duckdb.execute(f"select {spell_guarded('x')} from (select $text as x)", {"text": text}).fetchone()
    assert row is not None
    assert read_guarded(row[0]) == text


def test_numbers_ids_and_json_are_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    with duckdb.connect() as connection:
        query = (
            "select 'ffee0011' as id, -2.5 as number, ['-', '+'] as labels, "
            "cast('{\"=a\": \"=b\"}' as json) as context, '=1' as name"
        )
        write_table(connection, query, {}, path, is_guarded=True)
        guarded = path.read_text(encoding="utf-8").splitlines()[1]
        write_table(connection, query, {}, path)
        plain = path.read_text(encoding="utf-8").splitlines()[1]
    assert plain.endswith(",=1")
    assert guarded == plain.replace(",=1", ",'=1")
