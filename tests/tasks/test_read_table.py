"""Exchange files are read as they stand there, or refused by name with what to do about it."""

import json
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tasks.errors import InputError
from tasks.read_table import load_table


def load(path: Path, content: str | bytes, **names: Any) -> tuple[list[str], list[tuple[Any, ...]]]:
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    with duckdb.connect() as connection:
        load_table(connection, path, "loaded", **names)
        cursor = connection.execute("select * from loaded")
        return [str(column[0]) for column in cursor.description or []], cursor.fetchall()


@pytest.mark.parametrize(
    ("content", "rows"),
    [
        ("a,b\n1,x\n2,y\n", [("1", "x"), ("2", "y")]),
        ("a,b\n1,x", [("1", "x")]),
        ("\ufeffa,b\r\n1,x\r\n\r\n2,\r\n", [("1", "x"), ("2", None)]),
        ('"a","b"\n"1,5","say ""so""\nplease"\n', [("1,5", 'say "so"\nplease')]),
        ("a;b\n1,5;x\n", [("1,5", "x")]),
        ("a\tb\n001\t1e3\n", [("001", "1e3")]),
        ("a,b\n", []),
        ("a,b\n2026-05-01T12:00:00+02:00,true\n", [("2026-05-01T12:00:00+02:00", "true")]),
    ],
)
def test_a_csv_file_is_text_as_it_stands(tmp_path: Path, content: str, rows: list[tuple[str, ...]]) -> None:
    assert load(tmp_path / "t.csv", content) == (["a", "b"], rows)


def test_json_lines_are_text_as_they_stand_and_nested_values_as_they_are(tmp_path: Path) -> None:
    """Ids that look like UUIDs, times with an offset, and columns of mixed types keep their spelling."""
    lines = [
        {"id": "0123456789abcdef0123456789abcdef", "at": "2026-05-01T12:00:00+02:00", "v": 1.5, "f": [1.0, 2.5]},
        {"id": "00000000000000000000000000000012", "v": "unsure", "late": "x"},
        {"id": "550e8400-e29b-41d4-a716-446655440000", "v": True, "f": [3.0]},
    ]
    content = "".join(json.dumps(line) + "\n" for line in lines)
    assert load(tmp_path / "t.jsonl", content) == (
        ["id", "at", "v", "f", "late"],
        [
            ("0123456789abcdef0123456789abcdef", "2026-05-01T12:00:00+02:00", "1.5", [1.0, 2.5], None),
            ("00000000000000000000000000000012", None, "unsure", None, "x"),
            ("550e8400-e29b-41d4-a716-446655440000", None, "true", [3.0], None),
        ],
    )


def test_a_key_that_comes_late_is_not_lost(tmp_path: Path) -> None:
    content = '{"a": "1"}\n' * 30_000 + '{"a": "2", "b": "x"}\n'
    names, rows = load(tmp_path / "t.jsonl", content)
    assert (names, rows[0], rows[-1]) == (["a", "b"], ("1", None), ("2", "x"))


def test_absent_optional_columns_are_null_and_needed_ones_are_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    assert load(path, "a\n1\n", needed=["a"], optional=["note"]) == (["a", "note"], [("1", None)])
    with pytest.raises(InputError, match=r"t\.csv: lacks the column b, c; it has a$"):
        load(path, "a\n1\n", needed=["a", "b", "c"])


@pytest.mark.parametrize(
    ("name", "content", "why"),
    [
        ("t.csv", "", "is empty"),
        ("t.jsonl", "", "is empty"),
        ("t.parquet", b"", "is empty"),
        ("t.csv", "a,b\n1,x\n2\n", "Line: 3"),
        ("t.csv", "a,b\n1,x,y\n", "Line: 2"),
        ("t.csv", 'a,b\n1,"x\n', "quote"),
        ("t.csv", "a,a\n1,2\n", "name each column once"),
        ("t.csv", "a,\n1,2\n", "name each column once"),
        ("t.csv", b"a,b\n1,\xff\xfe\n", "(?i)utf-8"),
        ("t.csv", "a,b\n1,x\n".encode("utf-16"), "cannot be read as csv"),
        ("t.jsonl", '{"a": 1}\n{"a": ', "cannot be read as jsonl"),
        ("t.jsonl", '[{"a": 1}]\n', "t.jsonl"),
        ("t.parquet", b"PAR1 and no more", "cannot be read as parquet"),
        ("t.xlsx", "x", "the suffix says the format"),
        ("t.CSV", "x", "the suffix says the format"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line_by_name(
    tmp_path: Path, name: str, content: str | bytes, why: str
) -> None:
    with pytest.raises(InputError, match=why) as caught:
        load(tmp_path / name, content, needed=["a"])
    assert str(tmp_path / name) in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with duckdb.connect() as connection, pytest.raises(InputError, match=r"no\.csv: there is no such file"):
        load_table(connection, tmp_path / "no.csv", "loaded")
