"""What this version cannot do yet is said, never done by halves."""

from collections.abc import Callable

from tasks.check_setup import check_setup
from tasks.loop import Loop

_SETTINGS = '[attribute.obstacle]\nlabels = ["person", "crate"]\n'


def test_check_setup_names_settings_without_effect(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop(_SETTINGS + "[retention]\ndays = 30\n")
    said = [finding for finding in check_setup(loop, [], []) if "no effect" in finding.what]
    assert [finding.where for finding in said] == ["turnrow.toml, retention"]
