import hashlib
import subprocess
from pathlib import Path

import pytest

from tasks.errors import InputError
from tasks.hash_artefact import hash_folder


def test_an_artefacts_hash_is_what_a_shell_computes(tmp_path: Path) -> None:
    model = tmp_path / "model"
    (model / "layers").mkdir(parents=True)
    (model / "empty").mkdir()
    for name, content in {"b.bin": b"\x00\x01", "layers/1": b"one", "layers.txt": b"", "Ä": b"x"}.items():
        (model / name).write_bytes(content)
    command = r"find * -type f | LC_ALL=C sort | xargs -d '\n' sha256sum | sha256sum"
    shell = subprocess.run(["sh", "-c", command], cwd=model, capture_output=True, text=True, check=True)
    assert hash_folder(model) == shell.stdout.split()[0]
    assert hash_folder(model / "b.bin") == hashlib.sha256(b"\x00\x01").hexdigest()


def test_an_artefacts_hash_tells_names_and_contents_apart(tmp_path: Path) -> None:
    contents: list[dict[str, bytes]] = [
        {"a": b"bc"},
        {"ab": b"c"},
        {"a": b"b", "c": b""},
        {"a": b"", "b": b"c"},
    ]
    found = set()
    for place, files in enumerate(contents):
        folder = tmp_path / str(place)
        folder.mkdir()
        for name, content in files.items():
            (folder / name).write_bytes(content)
        found.add(hash_folder(folder))
    assert len(found) == len(contents)


def test_what_cannot_be_hashed_is_refused(tmp_path: Path) -> None:
    (tmp_path / "model").mkdir()
    for path, told in ((tmp_path / "model", "empty folder"), (tmp_path / "none", "no such model artefact")):
        with pytest.raises(InputError, match=told):
            hash_folder(path)
    (tmp_path / "model" / "link").symlink_to("/etc/hostname")
    with pytest.raises(InputError, match="must not hold links"):
        hash_folder(tmp_path / "model")
