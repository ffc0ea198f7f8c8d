"""A PNG without the place where it was taken: its EXIF chunk is cleaned, its texts are left out.

Chunks: W3C PNG specification (third edition), 5.3 and 11.3. XMP and the EXIF of older programs stand in texts.
"""

from __future__ import annotations

import struct
import zlib
from typing import Final

from scorer.arrivals.exif_block import NotTiff, take_place_out
from scorer.arrivals.not_whole import NotWhole

_SIGNATURE_BYTES: Final = 8
_NEEDED: Final = frozenset(
    (
        b"IHDR",
        b"PLTE",
        b"IDAT",
        b"IEND",
        b"tRNS",
        b"gAMA",
        b"cHRM",
        b"sRGB",
        b"iCCP",
        b"cICP",
        b"sBIT",
        b"pHYs",
        b"bKGD",
    )
)
_EXIF, _END = b"eXIf", b"IEND"


def png_without_place(data: bytes) -> bytes:
    """The bytes of the PNG without the place.

    Raises
    ------
    NotWhole : its chunks cannot be told from each other.
    """
    written = [data[:_SIGNATURE_BYTES]]
    at = _SIGNATURE_BYTES
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind, end = data[at + 4 : at + 8], at + 12 + size
        if end > len(data):
            break
        if kind in _NEEDED:
            written.append(data[at:end])
        elif kind == _EXIF:
            written.append(_cleaned(data[at + 8 : end - 4]))
        if kind == _END:
            return b"".join(written)
        at = end
    raise NotWhole


def _cleaned(exif: bytes) -> bytes:
    try:
        body = take_place_out(exif)
    except NotTiff:
        return b""
    return struct.pack(">I", len(body)) + _EXIF + body + struct.pack(">I", zlib.crc32(_EXIF + body))
