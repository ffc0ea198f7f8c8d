"""Tell by its first bytes what a file is: a JPEG, PNG or HEIC photo, or a zip of photos."""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Kind(StrEnum):
    """What is taken in; the value is the ending that it is kept under."""

    JPEG = "jpg"
    PNG = "png"
    HEIC = "heic"
    ZIP = "zip"


PHOTO_KINDS: Final = (Kind.JPEG, Kind.PNG, Kind.HEIC)
BYTES_NEEDED: Final = 12
"""From so many bytes on, the kind can be told."""

_HEIC_BRANDS: Final = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs", b"mif1", b"msf1")
"""Major brands of HEIF files, ISO/IEC 23008-12, annex B (from memory)."""


def kind_of(start: bytes) -> Kind | None:
    """Kind of the file that begins with these bytes; None for anything that is not taken in.

    Signatures: JPEG, ITU-T T.81, table B.1; PNG, W3C PNG specification (third edition), 5.2; HEIF, ISO/IEC 14496-12,
    4.3 (from memory); zip, PKWARE APPNOTE 6.3.10, 4.3.7 and 4.3.16 (from memory).
    """
    if start.startswith(b"\xff\xd8\xff"):
        return Kind.JPEG
    if start.startswith(b"\x89PNG\r\n\x1a\n"):
        return Kind.PNG
    if start[4:8] == b"ftyp" and start[8:12] in _HEIC_BRANDS:
        return Kind.HEIC
    if start.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return Kind.ZIP
    return None
