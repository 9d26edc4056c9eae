"""Text for people stands in columns, and nothing in it can steer a terminal."""

from flows.lay_out_text import count_things, lay_out_table, make_harmless, show_time, show_value


def test_numbers_stand_to_the_right_and_texts_to_the_left() -> None:
    rows = [
        {"case": "crouched-picker", "members": 1200, "share": None},
        {"case": "dog", "members": 7, "share": 0.25},
    ]
    assert lay_out_table(rows, {"case": "case", "members": "members", "share": "share"}) == [
        "case             members  share",
        "crouched-picker    1,200      -",
        "dog                    7   0.25",
    ]


def test_wide_letters_take_two_columns() -> None:
    assert lay_out_table([{"a": "果樹", "b": "x"}, {"a": "tree", "b": "y"}], {"a": "a", "b": "b"}) == [
        "a     b",
        "果樹  x",
        "tree  y",
    ]


def test_control_characters_are_written_out() -> None:
    assert make_harmless("a\x1b[31m\nb\u202ec") == r"a\u001b[31m\nb\u202ec"


def test_values_are_shown_short() -> None:
    assert [show_value(value) for value in (None, True, 1234567, 0.123456, [], ["a", "b"])] == [
        "-",
        "yes",
        "1,234,567",
        "0.1235",
        "-",
        "a, b",
    ]
    assert show_time("2026-05-01T20:00:00.250000Z") == "2026-05-01 20:00:00 UTC"
    assert (count_things(1, "row"), count_things(2000, "fix", "fixes")) == ("1 row", "2,000 fixes")
