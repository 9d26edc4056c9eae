"""An exported folder after rows were taken out of it: its sums, sizes and description made anew."""

import json
from pathlib import Path

from tasks.hash_artefact import hash_content
from tasks.list_sums import SUMS, read_sums, write_sums
from tasks.rewrite_files import put_in_place

_NOTICE = (
    "Rows of recordings that were erased since have been taken out of this folder; figures here that count rows "
    "are those from before."
)


def renew_sums(folder: Path) -> list[str]:
    """Bring the folder's descriptions and SHA256SUMS up to what its files are now; return the files that changed.

    The sums noted so far tell which files changed: so it can be done again where it was stopped half-way. JSON
    descriptions that state a file's old sum get the new one, and its size. Raises InputError for a broken list.
    """
    listed = read_sums(folder / SUMS)
    changed = _find_changed(folder, listed)
    if not changed:
        return []
    for path in sorted(folder.rglob("*.json")):
        _renew_description(path, changed)
    for path in sorted(folder.rglob("*.md")):
        _add_notice(path)
    present = {name: hash_content(folder / name) for name in listed if (folder / name).is_file()}
    part = folder / f".{SUMS}.part"
    write_sums(part, present)
    put_in_place(part, folder / SUMS)
    return sorted(name for name, digest in listed.items() if present.get(name) != digest)


def _find_changed(folder: Path, listed: dict[str, str]) -> dict[str, tuple[str, int]]:
    """Return by old sum the new sum and the size in bytes of each file that is no longer what it was."""
    found: dict[str, tuple[str, int]] = {}
    for name, old in listed.items():
        path = folder / name
        if path.is_file() and (new := hash_content(path)) != old:
            found[old] = (new, path.stat().st_size)
    return found


def _add_notice(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    if _NOTICE not in text:
        part = path.with_name(f".{path.name}.part")
        part.write_text(f"{text.rstrip()}\n\n{_NOTICE}\n", encoding="utf-8")
        put_in_place(part, path)


def _renew_description(path: Path, changed: dict[str, tuple[str, int]]) -> None:
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return
    renewed = _renew(value, changed)
    if renewed != value:
        part = path.with_name(f".{path.name}.part")
        part.write_text(json.dumps(renewed, ensure_ascii=False, indent=2) + "\n", encoding="utf-8")
        put_in_place(part, path)


def _renew(value: object, changed: dict[str, tuple[str, int]]) -> object:
    if isinstance(value, list):
        return [_renew(item, changed) for item in value]
    if not isinstance(value, dict):
        return value
    renewed = {name: _renew(item, changed) for name, item in value.items()}
    old = str(value.get("sha256"))
    if old in changed:
        renewed["sha256"], size = changed[old]
        if "contentSize" in value:
            renewed["contentSize"] = f"{size} B"
    return renewed
