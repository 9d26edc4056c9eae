"""What belongs together stays together once a hold-out was reserved by it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from schemas.case_file import FailureCase
from tasks.assemble_training_set import assemble_training_set
from tasks.draw_holdout import HoldoutTarget, draw_holdout
from tasks.errors import ExpressionError, SettingsError
from tasks.loop import Loop
from tasks.read_settings import read_settings

_SETTINGS = '[attribute.obstacle]\nlabels = ["person", "crate"]\n'


def _regroup(loop: Loop) -> Loop:
    (loop.folder / "turnrow.toml").write_text(_SETTINGS + 'group_by = "unit_id"\n')
    return Loop(loop.folder, read_settings(loop.folder), loop.clock)


def test_group_by_cannot_change_once_a_group_is_reserved(
    make_file_loop: Callable[..., Loop],
    write_labels: Callable[..., list[str]],
    tmp_path: Path,
) -> None:
    loop = make_file_loop(_SETTINGS)
    write_labels(loop, [{"recording_id": "r1"}, {"recording_id": "r2"}])
    free = _regroup(loop)
    with pytest.raises(Exception, match="has a label and features"):
        assemble_training_set(free, "obstacle")

    listed = tmp_path / "listed.jsonl"
    (loop.folder / "turnrow.toml").write_text(_SETTINGS)
    sample = write_labels(loop, [{"recording_id": "r3"}])[0]
    listed.write_text(f'{{"sample_id": "{sample}"}}\n')
    draw_holdout(loop, HoldoutTarget(loop.settings.attribute["obstacle"], None), listed=listed)
    with pytest.raises(SettingsError, match="is unit_id, but hold-outs are reserved by recording_id"):
        assemble_training_set(_regroup(loop), "obstacle")


def test_a_group_by_that_fails_on_a_sample_is_blamed_by_file_and_key(
    make_file_loop: Callable[..., Loop], write_labels: Callable[..., list[str]]
) -> None:
    loop = make_file_loop(_SETTINGS + 'group_by = "cast(recording_id as integer)"\n')
    write_labels(loop, [{"recording_id": "row-7"}])
    with pytest.raises(ExpressionError, match=r"obstacle\.group_by: fails on a stored sample"):
        draw_holdout(loop, HoldoutTarget(loop.settings.attribute["obstacle"], None))


def test_a_scope_that_fails_on_a_sample_is_blamed_by_file_and_key(
    make_file_loop: Callable[..., Loop],
    write_predictions: Callable[..., list[str]],
    write_case: Callable[..., FailureCase],
) -> None:
    loop = make_file_loop(_SETTINGS)
    write_predictions(loop, [{"recording_id": "row-7"}])
    case = write_case(loop, "odd", "true", tail='[scope]\nwhere = "cast(recording_id as integer) > 1"\n')
    with pytest.raises(ExpressionError, match=r"odd\.toml, scope\.where: fails on a stored sample"):
        draw_holdout(loop, HoldoutTarget(loop.settings.attribute["obstacle"], case))
