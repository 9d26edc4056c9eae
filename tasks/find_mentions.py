"""Where a text names a recording (or an object of one), in whichever spelling, and the text without its name."""

import html
import json
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from urllib.parse import quote

CUT = "_erased_"  # also fit for the name of a file
_LONG_WORD = 8


@dataclass(frozen=True)
class Mention:
    """The names that a text must hold, all of them, to name the thing; the last one is what is cut out of it.

    A name counts as a whole: `run-1` is not in `run-17`. One that could be any word or number (letters alone and
    shorter than eight, or digits alone) counts only where it is the whole text, or stands in quotes.
    """

    names: tuple[str, ...]

    @cached_property
    def spellings(self) -> list[str]:
        """The first name as it may stand in text, JSON, HTML or an address: to look for it quickly."""
        return _spell(self.names[0])

    @cached_property
    def _patterns(self) -> list[re.Pattern[str]]:
        return [_make_pattern(name) for name in self.names]

    def is_in(self, text: str) -> bool:
        """Tell whether a text names the thing."""
        return all(pattern.search(text) for pattern in self._patterns)

    def cut(self, text: str) -> str:
        """Return the text with the name replaced; as it was, if it does not name the thing."""
        return self._patterns[-1].sub(CUT, text) if self.is_in(text) else text

    def may_be_in(self, text: str) -> bool:
        """Tell cheaply whether a text could name the thing."""
        return any(spelling in text for spelling in self.spellings)


def make_mention(recording_id: str, object_id: str | None) -> Mention:
    """Return what names a recording, or an object of it: an object's name alone says nothing."""
    return Mention((recording_id,) if object_id is None else (recording_id, object_id))


def _make_pattern(name: str) -> re.Pattern[str]:
    either = "|".join(re.escape(spelling) for spelling in _spell(name))
    if _is_telling(name):
        return re.compile(rf"(?<![^\W_])(?:{either})(?![^\W_])")
    return re.compile(rf'\A(?:{either})\Z|(?<=")(?:{either})(?=")')


def _is_telling(name: str) -> bool:
    has_letter = any(letter.isalpha() for letter in name)
    return has_letter and (len(name) >= _LONG_WORD or any(letter.isdigit() for letter in name))


def _spell(name: str) -> list[str]:
    """Return the spellings of a name, the longest first: composed and decomposed, and as formats escape it."""
    found = [form for kind in ("NFC", "NFD") for form in _escape(unicodedata.normalize(kind, name))]
    return sorted(set(found), key=lambda text: (-len(text), text))


def _escape(name: str) -> Iterable[str]:
    yield name
    yield json.dumps(name)[1:-1]
    yield json.dumps(name, ensure_ascii=False)[1:-1]
    yield html.escape(name)
    yield quote(name)
    yield quote(name, safe="")
    yield name.replace('"', '""')
