"""Take the place where a photo was taken out of an EXIF block, in place: nothing moves, nothing else changes.

An EXIF block is a TIFF file of its own: a header and a chain of directories, whose entries hold a value or say where
it lies (TIFF 6.0, section 2; tags: CIPA DC-008-2019, EXIF 2.32). Entries that tell or may tell the place are removed,
and the bytes of their values become zeros. The other values stay where they are, so every pointer to them holds.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

GPS: Final = 0x8825
_SILENCED: Final = frozenset({GPS, 0x02BC, 0x83BB, 0x8649, 0x927C})
"""GPS directory, XMP, IPTC, Photoshop's block, and the maker's own note, of which nobody can tell what it says."""
_DIRECTORIES: Final = frozenset({GPS, 0x8769, 0xA005, 0x014A})
"""Entries that point to a directory: GPS, EXIF, interoperability, further pictures."""
_SIZES: Final = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
"""Bytes of one value of each type."""


class NotTiff(ValueError):
    """The block has no header of a TIFF file."""


@dataclass(frozen=True)
class _Entry:
    raw: bytes
    tag: int
    value_bytes: int
    pointer: int

    def outside(self) -> tuple[int, int] | None:
        """Where its value lies, if that is not in the entry itself."""
        return (self.pointer, self.pointer + self.value_bytes) if self.value_bytes > 4 else None


@dataclass(frozen=True)
class _Directory:
    at: int
    entries: tuple[_Entry, ...]
    following: int
    silent: bool


def take_place_out(block: bytes) -> bytes:
    """The EXIF block without the place, as long as it was.

    Raises
    ------
    NotTiff : it is no TIFF file, so what it says cannot be told.
    """
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(block[:4])
    if order is None or len(block) < 8:
        raise NotTiff
    directories = _directories(block, order)
    cleaned = bytearray(block)
    for start, end in _merged([part for each in directories for part in _silenced_parts(each)]):
        end = min(end, len(cleaned))
        cleaned[start:end] = bytes(max(end - start, 0))
    for each in directories:
        _rewrite(cleaned, each, order)
    return bytes(cleaned)


def _directories(block: bytes, order: str) -> list[_Directory]:
    """All directories that can be reached, each once, for pointers of a damaged block may lead round in circles."""
    waiting = [(struct.unpack_from(f"{order}I", block, 4)[0], False)]
    seen: set[int] = set()
    found = []
    while waiting:
        at, silent = waiting.pop()
        if at in seen or not 8 <= at <= len(block) - 2:
            continue
        seen.add(at)
        directory = _read(block, order, at, silent)
        found.append(directory)
        waiting += [
            (entry.pointer, silent or entry.tag in _SILENCED)
            for entry in directory.entries
            if entry.tag in _DIRECTORIES and entry.value_bytes <= 4
        ]
        waiting.append((directory.following, silent))
    return found


def _read(block: bytes, order: str, at: int, silent: bool) -> _Directory:
    told = struct.unpack_from(f"{order}H", block, at)[0]
    count = min(told, (len(block) - at - 2) // 12)
    entries = []
    for place in range(at + 2, at + 2 + 12 * count, 12):
        tag, type_, values, pointer = struct.unpack_from(f"{order}HHII", block, place)
        entries.append(_Entry(block[place : place + 12], tag, _SIZES.get(type_, 1) * values, pointer))
    end = at + 2 + 12 * count
    whole = count == told and end + 4 <= len(block)
    return _Directory(at, tuple(entries), struct.unpack_from(f"{order}I", block, end)[0] if whole else 0, silent)


def _silenced_parts(directory: _Directory) -> list[tuple[int, int]]:
    gone = [each for each in directory.entries if directory.silent or each.tag in _SILENCED]
    return [part for entry in gone if (part := entry.outside()) is not None]


def _rewrite(block: bytearray, directory: _Directory, order: str) -> None:
    """Close up the entries that stay, and fill what is left over with zeros."""
    stay = [] if directory.silent else [entry.raw for entry in directory.entries if entry.tag not in _SILENCED]
    if len(stay) == len(directory.entries) and not directory.silent:
        return
    following = struct.pack(f"{order}I", 0 if directory.silent else directory.following)
    room = min(2 + 12 * len(directory.entries) + 4, len(block) - directory.at)
    written = struct.pack(f"{order}H", len(stay)) + b"".join(stay) + following
    block[directory.at : directory.at + room] = written.ljust(room, b"\0")[:room]


def _merged(parts: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Parts that lie over each other as one, so that a hostile block cannot ask for the same zeros again and again."""
    merged: list[tuple[int, int]] = []
    for start, end in sorted(parts):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((start, end))
    return merged
