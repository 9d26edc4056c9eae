"""Settings that are known and typed, and that this version does not act on yet."""

from collections.abc import Iterator

from schemas.settings import Settings
from tasks.errors import SettingsError

# Table or key of turnrow.toml; each is checked when it is read, and nothing more.
_WITHOUT_EFFECT = ("watch", "notify", "retention", "schedule")


def refuse_restrictions(settings: Settings) -> None:
    """Raise SettingsError where data are restricted: rather do nothing than what somebody forbade."""
    if settings.restriction:
        raise SettingsError(
            "turnrow.toml, restriction: this version cannot keep data out of the queue or of training by a "
            "restriction yet, so it does neither while one stands; take the data out before they are pulled"
        )


def list_without_effect(settings: Settings) -> Iterator[str]:
    """Yield the tables of turnrow.toml that are set and have no effect yet."""
    unset = Settings()
    for name in _WITHOUT_EFFECT:
        now, default = getattr(settings, name), getattr(unset, name)
        if name == "schedule":  # round_after_fixes is in use
            now = (now.nightly, now.round, now.timezone)
            default = (default.nightly, default.round, default.timezone)
        if now != default:
            yield name
