"""Pictures of checks: made anew from what was sent, small, and kept once by their content.

Nothing of the file that was sent is kept: its pixels are drawn into a new JPEG, so that no
place, camera, name or hidden part of it goes with it.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import IO, Final

from django.conf import settings
from django.utils.translation import gettext as _
from PIL import Image, ImageOps

from heapwright.yard.errors import FieldError
from heapwright.yard.models import Entry, Photo

SENT_MOST_BYTES: Final = 20_000_000
SENT_MOST_PIXELS: Final = 80_000_000
"""A larger picture would take more memory to unpack than a small computer has to spare."""

SIDE_MOST_PX: Final = 1600
QUALITY: Final = 82
FORMATS: Final = ("JPEG", "PNG", "WEBP")


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as it is kept: a JPEG, its digest (SHA-256) and size."""

    digest: str
    width_px: int
    height_px: int
    data: bytes = field(metadata={"sent": False}, compare=False, repr=False, default=b"")


def picture(sent: IO[bytes], *, size_bytes: int, field_name: str = "photo") -> Picture:
    """Return a picture made anew from a file that was sent.

    It stands upright as the camera meant it, at most 1600 pixels a side, without what the
    camera wrote beside it.

    Raises
    ------
    FieldError
        If the file is too large, or is no JPEG, PNG or WebP picture that can be read.
    """
    if size_bytes > SENT_MOST_BYTES:
        raise FieldError(
            _("this photo has %(size).0f MB; up to %(most).0f MB can be taken")
            % {"size": size_bytes / 1e6, "most": SENT_MOST_BYTES / 1e6},
            field=field_name,
        )
    try:
        with Image.open(sent, formats=FORMATS) as opened:
            if opened.width * opened.height > SENT_MOST_PIXELS:
                raise FieldError(
                    _("this photo has %(size).0f million pixels; up to %(most).0f can be taken")
                    % {
                        "size": opened.width * opened.height / 1e6,
                        "most": SENT_MOST_PIXELS / 1e6,
                    },
                    field=field_name,
                )
            opened.draft("RGB", (SIDE_MOST_PX, SIDE_MOST_PX))
            upright = ImageOps.exif_transpose(opened)
            drawn = _on_white(upright)
    except FieldError:
        raise
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        raise FieldError(
            _("this is no photo that can be read; send a JPEG, PNG or WebP picture"),
            field=field_name,
        ) from None
    drawn.thumbnail((SIDE_MOST_PX, SIDE_MOST_PX), Image.Resampling.LANCZOS)
    made = BytesIO()
    drawn.save(made, "JPEG", quality=QUALITY, optimize=True)
    data = made.getvalue()
    return Picture(hashlib.sha256(data).hexdigest(), drawn.width, drawn.height, data)


def _on_white(image: Image.Image) -> Image.Image:
    """Return the pixels alone, what is see-through on white."""
    full = image.convert("RGBA")
    drawn = Image.new("RGB", full.size, "white")
    drawn.paste(full, mask=full.getchannel("A"))
    return drawn


def keep(entry: Entry, picture: Picture, alt: str) -> Photo:
    """Keep a picture with its entry; the file is on the disk before the row is.

    A file without a row, as after a power cut, is harmless: the same picture sent again finds it.
    """
    path = path_of(picture.digest)
    if not path.exists():
        if hashlib.sha256(picture.data).hexdigest() != picture.digest:
            raise FieldError(_("the photo did not arrive whole; send it again"), field="photo")
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
            file.write(picture.data)
            file.flush()
            os.fsync(file.fileno())
        Path(file.name).replace(path)
    photo = Photo(
        entry=entry,
        digest=picture.digest,
        width_px=picture.width_px,
        height_px=picture.height_px,
        alt=alt,
    )
    photo.save()
    return photo


def path_of(digest: str) -> Path:
    """Return where the picture of this digest lies, in the folder of the site's records."""
    return Path(settings.MEDIA_ROOT) / "photos" / digest[:2] / f"{digest}.jpg"
