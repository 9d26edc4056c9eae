import os

import pytest

from tasks.errors import SettingsError
from tasks.resolve_secret import resolve_environment


def test_a_reference_becomes_what_the_environment_holds() -> None:
    path = os.environ["PATH"]
    assert resolve_environment("a ${PATH}, ${PATH}", "here") == f"a {path}, {path}"


@pytest.mark.parametrize("text", ["", "warehouse.duckdb", "$PATH", "100 $", "a } b {"])
def test_a_text_without_a_reference_stays(text: str) -> None:
    assert resolve_environment(text, "here") == text


def test_an_unset_variable_is_named_with_the_place_and_no_other_value() -> None:
    with pytest.raises(SettingsError) as raised:
        resolve_environment("${PATH}:${TURNROW_NOT_SET_ANYWHERE}", "turnrow.toml: notify.webhook")
    line = str(raised.value)
    assert line.startswith(
        "turnrow.toml: notify.webhook: the environment variable TURNROW_NOT_SET_ANYWHERE is not set"
    )
    assert os.environ["PATH"] not in line


@pytest.mark.parametrize("text", ["${}", "${A B}", "${1A}", "${OPEN", "${PATH:-x}"])
def test_a_broken_reference_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="names no variable"):
        resolve_environment(text, "here")
