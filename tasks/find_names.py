"""From a name that somebody typed to the attribute or failure case it means."""

from collections.abc import Sequence

from schemas.case_file import FailureCase
from schemas.read_toml import name_nearest
from schemas.settings import AttributeSettings
from tasks.errors import SettingsError, UnknownNameError
from tasks.loop import Loop

_OVERALL = "overall:"


def find_attribute(loop: Loop, name: str) -> AttributeSettings:
    """Return the settings of an attribute. Raises UnknownNameError with the nearest known one."""
    attributes = loop.settings.attribute
    if name not in attributes:
        raise UnknownNameError(f"no attribute {name} in turnrow.toml; {name_nearest(name, attributes)}")
    return attributes[name]


def find_case(cases: Sequence[FailureCase], errors: Sequence[SettingsError], name: str) -> FailureCase:
    """Return the failure case of that name among those that were read.

    Raises UnknownNameError with the nearest known one; where case files could not be read, it quotes the
    first, since the case may stand there.
    """
    for case in cases:
        if case.case == name:
            return case
    hint = name_nearest(name, [case.case for case in cases]) if cases else "there is no failure case yet"
    unread = f"; {len(errors)} case files could not be read, first {errors[0]}" if errors else ""
    raise UnknownNameError(f"no failure case {name} in cases/; {hint}{unread}")


def read_overall_name(name: str) -> str | None:
    """Return the attribute that `overall:ATTRIBUTE` names, or None where `name` is no such text."""
    return name.removeprefix(_OVERALL) if name.startswith(_OVERALL) else None
