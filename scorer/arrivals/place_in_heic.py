"""A HEIC photo without the place where it was taken: its notes are overwritten where they stand, so nothing moves.

Boxes: ISO/IEC 14496-12, 4.2, 8.11.3 (where items lie) and 8.11.6 (what they are); EXIF item: ISO/IEC 23008-12, annex A
(all from memory; the tests hold the result against libheif).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from scorer.arrivals.exif_block import NotTiff, take_place_out
from scorer.arrivals.not_whole import NotWhole

_PICTURE_BOXES: Final = frozenset({b"ftyp", b"meta", b"mdat"})
_EMPTY_XMP: Final = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"/>'
_IN_FILE, _IN_META = 0, 1  # where an item's bytes lie


@dataclass(frozen=True)
class _Box:
    kind: bytes
    at: int
    body: int
    end: int


def heic_without_place(data: bytes) -> bytes:
    """The bytes of the HEIC without the place, no more than they were.

    Raises
    ------
    NotWhole : its boxes cannot be told from each other, or a note lies where it cannot be overwritten.
    """
    boxes, end = _top_boxes(data)
    meta = next((box for box in boxes if box.kind == b"meta"), None)
    if meta is None:
        raise NotWhole
    cleaned = bytearray(data[:end])
    for box in boxes:
        if box.kind not in _PICTURE_BOXES:  # such as the film that goes with a photo
            cleaned[box.at + 4 : box.at + 8] = b"free"
            cleaned[box.body : box.end] = bytes(box.end - box.body)
    try:
        for is_exif, parts in _notes(data, meta):
            _overwrite(cleaned, is_exif, parts)
    except (struct.error, IndexError) as error:
        raise NotWhole from error
    return bytes(cleaned)


def _top_boxes(data: bytes) -> tuple[list[_Box], int]:
    """Boxes of the file, and where the last one ends; what some phones write behind them is no box."""
    boxes = list(_boxes(data, 0, len(data)))
    return boxes, boxes[-1].end if boxes else 0


def _boxes(data: bytes, at: int, end: int) -> Iterator[_Box]:
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1 and at + 16 <= end:
            size, body = struct.unpack_from(">Q", data, body)[0], at + 16
        elif size == 0:
            size = end - at
        if size < body - at or at + size > end:
            return
        yield _Box(kind, at, body, at + size)
        at += size


def _notes(data: bytes, meta: _Box) -> Iterator[tuple[bool, list[tuple[int, int]]]]:
    """Whether it is EXIF, and where its parts lie, of each item that holds notes."""
    inside = {box.kind: box for box in _boxes(data, meta.body + 4, meta.end)}
    if not {b"iinf", b"iloc"} <= set(inside):
        raise NotWhole
    notes = dict(_items_with_notes(data, inside[b"iinf"]))
    if not notes:
        return
    idat = inside.get(b"idat")
    placed = dict(_locations(data, inside[b"iloc"], idat.body if idat else None, set(notes)))
    for item, is_exif in notes.items():
        if item not in placed or any(not 0 < start < end <= len(data) for start, end in placed[item]):
            raise NotWhole
        yield is_exif, placed[item]


def _items_with_notes(data: bytes, iinf: _Box) -> Iterator[tuple[int, bool]]:
    """Numbers of the items that are notes, and whether each is EXIF."""
    count_bytes = 2 if data[iinf.body] == 0 else 4
    for box in _boxes(data, iinf.body + 4 + count_bytes, iinf.end):
        version = data[box.body]
        if box.kind != b"infe" or version < 2:
            raise NotWhole
        item, _, kind = struct.unpack_from(">HH4s" if version == 2 else ">IH4s", data, box.body + 4)
        if kind in (b"Exif", b"mime", b"uri "):
            yield item, kind == b"Exif"


def _locations(
    data: bytes, iloc: _Box, idat_body: int | None, wanted: set[int]
) -> Iterator[tuple[int, list[tuple[int, int]]]]:
    """Start and end, in the file, of the parts of the items that are wanted."""
    version = data[iloc.body]
    reader = _Reader(data, iloc.body + 4, iloc.end)
    sizes = reader.number(2)
    offset_bytes, length_bytes, base_bytes = sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15
    index_bytes = sizes & 15 if version else 0
    for _ in range(reader.number(2 if version < 2 else 4)):
        item = reader.number(2 if version < 2 else 4)
        method = reader.number(2) & 15 if version else _IN_FILE
        elsewhere, base = reader.number(2), reader.number(base_bytes)
        start = {_IN_FILE: 0, _IN_META: idat_body}.get(method)
        parts = []
        for _ in range(reader.number(2)):
            reader.number(index_bytes)
            offset, length = reader.number(offset_bytes), reader.number(length_bytes)
            parts.append((base + offset, length))
        if item not in wanted:
            continue
        if start is None or elsewhere:
            raise NotWhole
        yield item, [(start + offset, start + offset + length) for offset, length in parts]


class _Reader:
    """Reads whole numbers, one after the other, up to an end."""

    def __init__(self, data: bytes, at: int, end: int) -> None:
        self._data, self._at, self._end = data, at, end

    def number(self, size: int) -> int:
        """The next number of so many bytes; 0 of none."""
        if self._at + size > self._end:
            raise NotWhole
        self._at += size
        return int.from_bytes(self._data[self._at - size : self._at], "big")


def _overwrite(data: bytearray, is_exif: bool, parts: list[tuple[int, int]]) -> None:
    note = b"".join(bytes(data[start:end]) for start, end in parts)
    written = _clean_exif(note) if is_exif else _clean_other(note)
    for start, end in parts:
        data[start:end], written = written[: end - start], written[end - start :]


def _clean_exif(note: bytes) -> bytes:
    """The EXIF item begins with the number of bytes before the TIFF header."""
    begins = 4 + int.from_bytes(note[:4], "big")
    try:
        return note[:4] + bytes(max(min(begins, len(note)) - 4, 0)) + take_place_out(note[begins:])
    except NotTiff:
        return bytes(len(note))


def _clean_other(note: bytes) -> bytes:
    return _EMPTY_XMP.ljust(len(note)) if len(note) >= len(_EMPTY_XMP) else b" " * len(note)
