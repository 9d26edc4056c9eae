"""Fill `${NAME}` in a setting from the environment, at the moment it is used and never before."""

import os
import re

from tasks.errors import SettingsError

_REFERENCE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")


def resolve_environment(text: str, origin: str) -> str:
    """Return `text` with every `${NAME}` replaced by the value of that environment variable, as it is.

    `origin` says where the text stands, as in `turnrow.toml: warehouse.location`. The result is a secret:
    not to be printed, stored or passed to a trainer. Raises SettingsError if a variable is unset, or if a
    `${` is no reference.
    """
    _refuse_broken(text, origin)
    return _REFERENCE.sub(lambda found: _look_up(found[1], origin), text)


def _look_up(name: str, origin: str) -> str:
    value = os.environ.get(name)
    if value is None:
        raise SettingsError(
            f"{origin}: the environment variable {name} is not set; set it, or write the value itself"
        )
    return value


def _refuse_broken(text: str, origin: str) -> None:
    if "${" in _REFERENCE.sub("", text):
        raise SettingsError(
            f"{origin}: has a ${{ that names no variable; expected ${{NAME}} of letters, digits and _"
        )
