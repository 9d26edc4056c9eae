"""`init`: a new loop folder, or one brought up to date; nothing that is there is replaced."""

from pathlib import Path

from schemas.sql_files import read_template
from tasks.errors import InputError
from tasks.locate_warehouse import find_location
from tasks.loop import Loop
from tasks.read_settings import read_settings
from tasks.record_definitions import record_definitions
from tasks.warehouse import open_warehouse

_FOLDERS = (
    "cases",
    "inbox/predictions",
    "inbox/labels",
    "inbox/answers",
    "training_sets",
    "models",
    "reports",
)


def make_folder(folder: Path) -> Loop:
    """Make a loop folder with a starting `turnrow.toml` and an empty warehouse, and return it as a loop.

    Raises InputError where `folder` is a file.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file; `turnrow init` wants a folder, new or existing")
    folder.mkdir(parents=True, exist_ok=True)
    settings_path = folder / "turnrow.toml"
    if not settings_path.exists():
        settings_path.write_text(read_template("turnrow.toml"), encoding="utf-8")
    loop = Loop(folder, read_settings(folder))
    make_loop(loop)
    return loop


def make_loop(loop: Loop) -> None:
    """Make the folders of a loop and its warehouse, migrated to this version, with its definitions.

    Raises InputError where a warehouse in a file is gone and what it made is still there: a new one would take
    its names.
    """
    _refuse_loss(loop)
    for name in _FOLDERS:
        (loop.folder / name).mkdir(parents=True, exist_ok=True)
    with open_warehouse(loop, write=True, create=True) as warehouse:
        warehouse.write(lambda known_at: record_definitions(warehouse.connection, loop, known_at))


def _refuse_loss(loop: Loop) -> None:
    location = find_location(loop)
    if location.kind == "lake_postgres" or Path(location.target).exists():
        return
    for folder in (loop.folder / "models", loop.folder / "training_sets"):
        found = sorted(path.name for path in folder.glob("[!.]*"))
        if found:
            raise InputError(
                f"{folder} holds {found[0]} of an earlier warehouse, which is not at {location.target}: bring "
                "that back, or move the folder away to begin anew"
            )
