"""Settings that are known and typed, and that this version does not act on yet."""

from collections.abc import Iterator

from schemas.settings import Settings

# Table of turnrow.toml; each is checked when it is read, and nothing more.
_WITHOUT_EFFECT = ("notify", "retention")


def list_without_effect(settings: Settings) -> Iterator[str]:
    """Yield the tables of turnrow.toml that are set and have no effect yet."""
    unset = Settings()
    for name in _WITHOUT_EFFECT:
        now, default = getattr(settings, name), getattr(unset, name)
        if now != default:
            yield name
