"""Which rows of a file are a recording's: by its name, or by the ids of its samples and questions."""

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tasks.check_tombstones import hash_name
from tasks.find_mentions import Mention
from tasks.guard_cells import read_guarded

# Columns in which people write in their own words: a name is cut out of other rows' too.
FREE_COLUMNS = ("note", "notes", "comment", "remark", "reason", "because", "error", "source_uri")


@dataclass(frozen=True)
class RowMatch:
    """What a file's rows are compared with; `hashes` are keyed hashes of ids that the warehouse has forgotten."""

    recording_id: str
    object_id: str | None
    mention: Mention
    sample_ids: frozenset[str] = frozenset()
    fix_ids: frozenset[str] = frozenset()
    key: bytes | None = None
    hashes: frozenset[str] = frozenset()

    @property
    def tests(self) -> dict[str, Callable[[str], bool]]:
        """By column what tells a value of the thing's own; `object_id` goes with `recording_id`."""
        return {
            "recording_id": self.is_recording,
            "object_id": self.is_object,
            "sample_id": self.is_sample,
            "fix_id": self.is_fix,
        }

    def is_recording(self, value: str) -> bool:
        """Tell whether a text is the recording's name."""
        return _is_same(value, self.recording_id)

    def is_object(self, value: str) -> bool:
        """Tell whether a text is the object's name; any, where the whole recording is meant."""
        return self.object_id is None or _is_same(value, self.object_id)

    def is_sample(self, value: str) -> bool:
        """Tell whether a text is one of its sample_ids."""
        return value in self.sample_ids or self._is_hashed("sample", value)

    def is_fix(self, value: str) -> bool:
        """Tell whether a text is one of its fix_ids."""
        bare = value.strip()
        return bare in self.fix_ids or self._is_hashed("fix", bare)

    def _is_hashed(self, kind: str, value: str) -> bool:
        return bool(self.hashes) and self.key is not None and hash_name(self.key, kind, value) in self.hashes

    def matches(self, fields: Mapping[str, object]) -> bool:
        """Tell whether a row, by column, is the thing's."""
        texts = {name: str(value) for name in self.tests if (value := fields.get(name)) is not None}
        is_named = "recording_id" in texts and self.is_recording(texts["recording_id"])
        if is_named and (self.object_id is None or self.is_object(texts.get("object_id", ""))):
            return True
        return any(self.tests[name](texts[name]) for name in ("sample_id", "fix_id") if name in texts)


def _is_same(value: str, name: str) -> bool:
    """Compare as the warehouse does, also where a spreadsheet's cell was guarded."""
    return name in (unicodedata.normalize("NFC", value), unicodedata.normalize("NFC", read_guarded(value)))
