"""Checks of the user's own, and the settings of the built-in ones: what they may say, what a broken one does."""

from pathlib import Path
from typing import Any

import pytest

from schemas.expectations import BUILT_IN_CHECKS
from tasks.check_setup import check_setup
from tasks.errors import SettingsError, TurnrowError
from tasks.read_settings import read_cases, read_settings


def make_base(field: Any) -> list[Any]:
    return [row for kind in ("person", "crate", "foliage") for row in field.sights(kind, 4, "base")]


def own_check(where: str, name: str = "no_lamps", requirement: str = "must") -> str:
    text = f'\n[[check]]\nname = "{name}"\nattribute = "obstacle"\nrequirement = "{requirement}"\n'
    return f'{text}where = "{where}"\n'


def test_a_check_of_ones_own_may_not_have_the_name_of_a_built_in_one(tmp_path: Path, field: Any) -> None:
    for name in BUILT_IN_CHECKS:
        (tmp_path / "turnrow.toml").write_text(field.settings + own_check("true", name), encoding="utf-8")
        with pytest.raises(SettingsError, match=rf"check\[{name}\]\.name: is the name of a built-in check"):
            read_settings(tmp_path)


def test_only_a_built_in_check_can_be_made_a_must(tmp_path: Path, field: Any) -> None:
    text = field.settings + '\n[checks]\nmust = ["complete_linage"]\n'
    (tmp_path / "turnrow.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"checks\.must: no built-in check .complete_linage.*complete_lineage"):
        read_settings(tmp_path)


def test_a_should_that_was_made_a_must_stops_the_version(orchard: Any, field: Any) -> None:
    orchard.pull(field.label(make_base(field)))
    assert orchard.assemble().state == "passed"
    orchard.configure(field.settings + '\n[checks]\nmust = ["enough_rows_a_class"]\n')
    failed = orchard.assemble()
    (check,) = [one for one in failed.checks if one.check_name == "enough_rows_a_class"]
    assert (failed.state, check.requirement, check.passed) == ("failed", "must", False)


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("lihgt = 'lamp'", "check.no_lamps.where"),
        ("observed_at > now()", "check.no_lamps.where"),
        ("label", "check.no_lamps.where"),
        ("cast((context->>'light') as integer) > 3", "check 'no_lamps' could not run, so it counts as not passed"),
    ],
)
def test_a_broken_check_stops_by_name_and_stores_nothing(orchard: Any, field: Any, where: str, words: str) -> None:
    orchard.configure(field.settings + own_check(where))
    orchard.pull(field.label(make_base(field)))
    with pytest.raises(TurnrowError, match=words) as caught:
        orchard.assemble()
    assert "\n" not in str(caught.value)
    assert orchard.number("select count(*) from training_set") == 0


def test_check_setup_looks_at_checks_of_ones_own(orchard: Any, field: Any) -> None:
    def look(where: str) -> list[tuple[str, str, str]]:
        orchard.configure(field.settings + own_check(where))
        found = check_setup(orchard.loop, *read_cases(orchard.loop.folder, orchard.loop.settings))
        here = "turnrow.toml, check.no_lamps.where"
        return [(one.level, one.where, one.what) for one in found if one.where == here]

    assert look("(context->>'light') = 'lamp' and origin = 'machine' and weight > 1") == []
    ((level, _, what),) = look("recordng_id = 'x'")
    assert (level, "did you mean recording_id" in what) == ("wrong", True)
    ((level, _, what),) = look("label = 'persn'")
    assert (level, "no label of obstacle" in what) == ("warning", True)


def test_the_settings_of_the_checks_have_types_ranges_and_a_known_spelling(tmp_path: Path, field: Any) -> None:
    for text, words in [
        ("machine_share_at_most = 1.1", "machine_share_at_most"),
        ("rows_a_case_at_least = -1", "rows_a_case_at_least"),
        ("growth_at_most = 0.5", "growth_at_most"),
        ("look_for_suspects = 1", "look_for_suspects"),
        ("machine_shares_at_most = 0.1", "machine_share_at_most"),
    ]:
        (tmp_path / "turnrow.toml").write_text(f"{field.settings}\n[checks]\n{text}\n", encoding="utf-8")
        with pytest.raises(SettingsError, match=words):
            read_settings(tmp_path)
