"""What this version cannot do yet is said, never done by halves."""

from collections.abc import Callable

import pytest

from tasks.assemble_training_set import assemble_training_set
from tasks.check_setup import check_setup
from tasks.errors import SettingsError
from tasks.loop import Loop
from tasks.queue_fixes import queue_doubted

_SETTINGS = '[attribute.obstacle]\nlabels = ["person", "crate"]\n'
_RESTRICTED = _SETTINGS + '[[restriction]]\nwhere = "unit_id = \'u1\'"\nnever = ["train"]\n'


def test_nothing_is_queued_or_trained_on_while_a_restriction_stands(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop(_RESTRICTED)
    with pytest.raises(SettingsError, match="restriction: this version cannot"):
        assemble_training_set(loop, "obstacle")
    with pytest.raises(SettingsError, match="restriction: this version cannot"):
        queue_doubted(loop)


def test_check_setup_names_settings_without_effect(make_file_loop: Callable[..., Loop]) -> None:
    loop = make_file_loop(_SETTINGS + "[notify]\ncommand = 'tell'\n")
    said = [finding for finding in check_setup(loop, [], []) if "no effect" in finding.what]
    assert [finding.where for finding in said] == ["turnrow.toml, notify"]
