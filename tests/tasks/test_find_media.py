"""Only PNG and JPEG files inside `[media] roots` are ever shown, whatever a log says of them."""

import os
import socket
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import pytest

from schemas.settings import MediaSettings
from tasks.errors import InputError, SettingsError
from tasks.find_media import find_media, find_roots, read_picture
from tasks.loop import Loop

# Signatures: W3C PNG specification (third edition), 5.2; ITU-T T.81, B.1.1.3: SOI is FF D8, a marker FF follows.
_HEADER = struct.pack(">I", 13) + b"IHDR" + struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
PNG = b"\x89PNG\r\n\x1a\n" + _HEADER + struct.pack(">I", zlib.crc32(_HEADER[4:]))
JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(20)


@pytest.fixture
def orchard(file_loop: Loop) -> Loop:
    """A loop that shows pictures from `media`, with a folder beside it that holds what must stay unseen."""
    for name in ("media/deep", "media-private"):
        (file_loop.folder / name).mkdir(parents=True)
    (file_loop.folder / "media" / "deep" / "1.png").write_bytes(PNG)
    (file_loop.folder / "media-private" / "2.png").write_bytes(PNG)
    return replace(file_loop, settings=replace(file_loop.settings, media=MediaSettings(roots=("media",))))


def find(loop: Loop, uri: str) -> tuple[bytes, str]:
    roots = find_roots(loop)
    picture = read_picture(find_media(loop, uri, roots), roots)
    return picture.content, picture.media_type


def test_a_path_in_the_loop_in_a_root_an_absolute_one_and_a_file_address_name_the_same_picture(
    orchard: Loop,
) -> None:
    absolute = (orchard.folder / "media" / "deep" / "1.png").absolute()
    for uri in ("media/deep/1.png", "deep/1.png", "deep/../deep/1.png", str(absolute), absolute.as_uri()):
        assert find(orchard, uri) == (PNG, "image/png"), uri


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (JPEG, "image/jpeg"),
        (PNG, "image/png"),
        (b"GIF89a" + bytes(20), None),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", None),
        (b"<!doctype html><script>1</script>", None),
        (b"\n" + PNG, None),
        (PNG[:7], None),
        (b"", None),
    ],
)
def test_the_bytes_say_what_a_file_is_and_its_suffix_nothing(
    orchard: Loop, content: bytes, told: str | None
) -> None:
    (orchard.folder / "media" / "x.png").write_bytes(content)
    if told:
        assert find(orchard, "x.png") == (content, told)
        return
    with pytest.raises(InputError, match="neither PNG nor JPEG by its bytes"):
        find(orchard, "x.png")


def test_what_lies_outside_the_roots_is_refused_by_every_way_there(orchard: Loop) -> None:
    outside = (orchard.folder / "media-private" / "2.png").absolute()
    (orchard.folder / "media" / "link.png").symlink_to(outside)
    (orchard.folder / "media" / "door").symlink_to(outside.parent)
    ways = (
        "media-private/2.png",
        "../media-private/2.png",
        "media/../media-private/2.png",
        "link.png",
        "door/2.png",
    )
    for uri in (*ways, str(outside), outside.as_uri(), outside.as_uri().replace("private", "%70rivate")):
        with pytest.raises(InputError, match="outside"):
            find(orchard, uri)


def test_a_link_that_stays_inside_is_followed_and_a_root_may_be_a_link_itself(orchard: Loop) -> None:
    (orchard.folder / "media" / "again.png").symlink_to("deep/1.png")
    (orchard.folder / "shown").symlink_to("media")
    linked = replace(orchard, settings=replace(orchard.settings, media=MediaSettings(roots=("shown",))))
    assert find(orchard, "again.png") == find(linked, "again.png") == (PNG, "image/png")


def test_a_picture_that_is_replaced_after_it_was_found_is_looked_at_again(orchard: Loop) -> None:
    roots, path = find_roots(orchard), orchard.folder / "media" / "deep" / "1.png"
    found = find_media(orchard, "deep/1.png", roots)
    path.unlink()
    path.symlink_to((orchard.folder / "media-private" / "2.png").absolute())
    with pytest.raises(InputError, match="outside"):
        read_picture(found, roots)


def test_no_address_is_fetched(orchard: Loop) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        for scheme in ("http", "https", "ftp", "s3"):
            with pytest.raises(InputError, match="none is fetched"):
                find(orchard, f"{scheme}://127.0.0.1:{port}/media/deep/1.png")
        with pytest.raises(InputError, match="none is fetched"):
            find(orchard, f"file://127.0.0.1:{port}/media/deep/1.png")
        server.settimeout(0.2)
        with pytest.raises(TimeoutError):
            server.accept()


def test_what_is_no_plain_file_is_refused_and_a_pipe_keeps_nobody_waiting(orchard: Loop) -> None:
    os.mkfifo(orchard.folder / "media" / "pipe.png")
    for uri, why in (("pipe.png", "is no file"), ("deep", "is no file"), ("none.png", "is not there")):
        with pytest.raises(InputError, match=why):
            find(orchard, uri)
    for uri in ("a\0b.png", "", "  "):
        with pytest.raises(InputError, match="names no file"):
            find(orchard, uri)


def test_without_roots_nothing_is_shown_and_the_text_says_where_to_name_one(
    file_loop: Loop, tmp_path: Path
) -> None:
    (tmp_path / "1.png").write_bytes(PNG)
    with pytest.raises(InputError, match=r"no \[media\] roots; name the folder"):
        find(file_loop, str(tmp_path / "1.png"))


def test_a_root_from_the_environment_that_is_not_set_is_named(file_loop: Loop) -> None:
    roots = ("${TURNROW_TEST_NO_SUCH_ROOT}",)
    loop = replace(file_loop, settings=replace(file_loop.settings, media=MediaSettings(roots=roots)))
    with pytest.raises(SettingsError, match="TURNROW_TEST_NO_SUCH_ROOT"):
        find_roots(loop)
