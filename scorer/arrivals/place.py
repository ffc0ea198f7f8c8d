"""Take out of a photo's file where it was taken, before it is kept; its pixels and what scoring reads stay.

A file of which this cannot be done for sure is refused as a whole: a photo is kept without its place or not at all.
"""

from __future__ import annotations

import io
import warnings
from typing import Any, Final

from PIL import Image

from scorer.arrivals.exif_block import GPS
from scorer.arrivals.file_kind import Kind, kind_of
from scorer.arrivals.not_whole import NotWhole
from scorer.arrivals.place_in_heic import heic_without_place
from scorer.arrivals.place_in_jpeg import jpeg_without_place
from scorer.arrivals.place_in_png import png_without_place
from scorer.errors import ArrivalError
from scorer.picture_file import open_picture

_CLEANERS: Final = {Kind.JPEG: jpeg_without_place, Kind.PNG: png_without_place, Kind.HEIC: heic_without_place}


def without_place(data: bytes, name: str) -> bytes:
    """The bytes of a photo without the place where it was taken.

    Parameters
    ----------
    data : of a JPEG, PNG or HEIC.
    name : what messages call the photo.

    Raises
    ------
    PhotoError : it is no photo that can be opened.
    ArrivalError : the place cannot be taken out for sure.
    """
    kind = kind_of(data)
    if kind not in _CLEANERS:
        raise _refusal(name)
    before, _ = open_picture(data, name)
    try:
        cleaned = _CLEANERS[kind](data)
    except NotWhole as error:
        raise _refusal(name) from error
    after, _ = open_picture(cleaned, name)
    if after != before or tells_place(cleaned):
        raise _refusal(name)
    return cleaned


def tells_place(data: bytes) -> bool:
    """Whether a photo's EXIF block, as Pillow and libheif read it, tells where it was taken, or cannot be read."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of what it passes over in a damaged block
            return bool(_exif(data).get_ifd(GPS))
    except Exception:  # whatever a damaged block makes a reader raise
        return True


def _exif(data: bytes) -> Image.Exif:
    if kind_of(data) is not Kind.HEIC:
        return Image.open(io.BytesIO(data)).getexif()
    import pillow_heif  # costly to load, and most photos are JPEG

    info: dict[str, Any] = pillow_heif.open_heif(data).info
    exif = Image.Exif()
    exif.load(info.get("exif") or b"")
    return exif


def _refusal(name: str) -> ArrivalError:
    return ArrivalError(
        f"{name} is built so that the place where it was taken cannot be taken out of it, so it is not kept; "
        "switch the camera's location off, take the photo again as JPEG and hand that in."
    )
