"""Pictures of samples as data URIs, small enough for a page that must be whole by itself.

What `find_media` refuses is refused here, with its reason.
"""

import base64
import io
from collections.abc import Mapping
from dataclasses import replace

from tasks.errors import InputError, SettingsError
from tasks.find_media import Picture, find_media, find_roots, read_picture
from tasks.loop import Loop
from tasks.report_facts import ChangedSamples

PICTURE_AT_MOST = 200_000  # bytes
_SIDES = (640, 480, 320, 200)  # what a larger picture is shrunk to, until it is small enough


def embed_pictures(loop: Loop, changed: ChangedSamples, media: Mapping[str, str]) -> ChangedSamples:
    """Return the samples with their pictures where these may be shown, and else with the reason."""
    try:
        roots = find_roots(loop)
    except SettingsError as error:
        problem = str(error)
        return replace(changed, shown=tuple(replace(one, picture_problem=problem) for one in changed.shown))
    shown = []
    for sample in changed.shown:
        uri = media.get(sample.sample_id)
        if uri is None:
            shown.append(sample)
            continue
        try:
            picture = shrink_picture(read_picture(find_media(loop, uri, roots), roots))
            shown.append(replace(sample, has_picture=True, _picture=_spell_uri(picture)))
        except InputError as error:
            shown.append(replace(sample, picture_problem=str(error)))
    return replace(changed, shown=tuple(shown))


def shrink_picture(picture: Picture) -> Picture:
    """Return a picture of at most 200 kB; a larger one becomes a smaller JPEG, without its metadata.

    Raises InputError for one that cannot be read.
    """
    if len(picture.content) <= PICTURE_AT_MOST:
        return picture
    from PIL import Image

    try:
        with Image.open(io.BytesIO(picture.content), formats=("PNG", "JPEG")) as opened:
            drawn = opened.convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(
            f"a picture of {len(picture.content):,} bytes cannot be made smaller ({error})"
        ) from error
    for side in _SIDES:
        drawn.thumbnail((side, side))
        written = io.BytesIO()
        drawn.save(written, "JPEG", quality=80)
        if written.tell() <= PICTURE_AT_MOST:
            break
    return Picture(written.getvalue(), "image/jpeg")


def _spell_uri(picture: Picture) -> str:
    return f"data:{picture.media_type};base64,{base64.b64encode(picture.content).decode('ascii')}"
