"""Read a loop folder's `turnrow.toml` and `cases/*.toml`; nothing else opens them."""

from pathlib import Path

from schemas.case_file import FailureCase, build_case
from schemas.check_settings import build_settings
from schemas.read_toml import Place, SettingsFileError, load_toml
from schemas.settings import Settings
from tasks.errors import SettingsError, spell_printable

SETTINGS_FILE = "turnrow.toml"
CASES_FOLDER = "cases"


def read_settings(loop: Path) -> Settings:
    """Return the settings of a loop folder.

    Raises SettingsError: one line with the file, the key, what is wrong and what was expected.
    """
    path = loop / SETTINGS_FILE
    if not path.exists():
        raise SettingsError(
            f"{path}: there is no such file; `turnrow init DIR` makes a loop folder, --at names it"
        )
    try:
        table, _ = load_toml(path)
        return build_settings(table, Place(path))
    except SettingsFileError as error:
        raise SettingsError(str(error)) from error


def read_case(path: Path, settings: Settings) -> FailureCase:
    """Return the failure case in one case file, which may stand anywhere.

    Raises SettingsError: one line with the file, the key, what is wrong and what was expected.
    """
    try:
        table, text = load_toml(path)
        return build_case(table, text, path, settings)
    except SettingsFileError as error:
        raise SettingsError(str(error)) from error


def read_cases(loop: Path, settings: Settings) -> tuple[list[FailureCase], list[SettingsError]]:
    """Return a loop folder's failure cases by name, and an error for every file that does not hold one.

    Two files with one name: the first by file name stays, the other is an error.
    """
    cases: dict[str, FailureCase] = {}
    errors: list[SettingsError] = []
    for path in _list_case_files(loop):
        try:
            if spell_printable(path.name) != path.name:
                raise SettingsError(f"{path}: its name is not UTF-8; rename it")
            case = read_case(path, settings)
            if case.case in cases:
                raise SettingsError(
                    f"{path}: case: {case.case} is the case of {cases[case.case].path.name} already"
                )
            cases[case.case] = case
        except SettingsError as error:
            errors.append(error)
    return [cases[name] for name in sorted(cases)], errors


def _list_case_files(loop: Path) -> list[Path]:
    """Return the case files in order of name; hidden ones are left-overs of editors."""
    return sorted(path for path in (loop / CASES_FOLDER).glob("*.toml") if not path.name.startswith("."))
