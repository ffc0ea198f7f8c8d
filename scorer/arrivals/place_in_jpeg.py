"""A JPEG without the place where it was taken: the picture's own bytes are copied, its notes are left behind.

Markers: ITU-T T.81 (1992), table B.1. EXIF segment: CIPA DC-008-2019, 4.7.2. Kept are the parts that a decoder needs,
the colour profile and the EXIF block without the place. XMP, the maker's segments, comments, and what follows the end
of the picture are left out: phones hang a second picture or a short film there, which tell the place once more.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from scorer.arrivals.exif_block import NotTiff, take_place_out
from scorer.arrivals.not_whole import NotWhole

_EXIF: Final = b"Exif\0\0"
_KEPT_NOTES: Final = ((0xE0, b"JFIF\0"), (0xE1, _EXIF), (0xE2, b"ICC_PROFILE\0"), (0xEE, b"Adobe"))
_SCAN, _END, _COMMENT = 0xDA, 0xD9, 0xFE
_IN_SCANS: Final = re.compile(rb"\xff([^\x00\xd0-\xd7\xff])")  # 0xFF00 is stuffed, 0xFFD0 to D7 restart a scan
_BETWEEN_SCANS: Final = frozenset({0xC4, 0xCC, 0xDB, 0xDC, 0xDD, _SCAN})


def jpeg_without_place(data: bytes) -> bytes:
    """The bytes of the JPEG without the place.

    Raises
    ------
    NotWhole : its parts cannot be told from each other.
    """
    head, scan_at = _head(data)
    kept = [(marker, body) for marker, body in head if _is_kept(marker, body)]
    exif = _cleaned(b"".join(body[len(_EXIF) :] for marker, body in kept if _is_exif(marker, body)))
    written = [b"\xff\xd8"]
    for marker, body in kept:
        if _is_exif(marker, body):  # a long block goes over several segments
            size = len(body) - len(_EXIF)
            part, exif = exif[:size], exif[size:]
            if not part:
                continue
            body = _EXIF + part
        written.append(_segment(marker, body))
    written.append(data[scan_at : _end_of_picture(data, scan_at)])
    return b"".join(written)


def _head(data: bytes) -> tuple[list[tuple[int, bytes]], int]:
    """Segments before the first scan, and where that begins."""
    segments: list[tuple[int, bytes]] = []
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker == _SCAN:
            return segments, at
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        if size < 2 or marker == _END:
            break
        segments.append((marker, data[at + 4 : at + 2 + size]))
        at += 2 + size
    raise NotWhole


def _end_of_picture(data: bytes, scan_at: int) -> int:
    for at, marker in _markers(data, scan_at):
        if marker == _END:
            return at + 2
    raise NotWhole


def _markers(data: bytes, at: int) -> Iterator[tuple[int, int]]:
    while found := _IN_SCANS.search(data, at):
        at, marker = found.start(), found[1][0]
        yield at, marker
        at += 2
        if marker in _BETWEEN_SCANS:
            at += int.from_bytes(data[at : at + 2], "big")


def _is_kept(marker: int, body: bytes) -> bool:
    is_note = 0xE0 <= marker <= 0xEF or marker == _COMMENT
    return not is_note or any(marker == kept and body.startswith(start) for kept, start in _KEPT_NOTES)


def _is_exif(marker: int, body: bytes) -> bool:
    return marker == 0xE1 and body.startswith(_EXIF)


def _cleaned(exif: bytes) -> bytes:
    try:
        return take_place_out(exif)
    except NotTiff:
        return b""


def _segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(body) + 2).to_bytes(2, "big") + body
