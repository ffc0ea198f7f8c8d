"""The bin tag: who picked the fruit, where it came from and when, read from the QR code on the tray.

A tag's code holds urlencoded text, ``crew=…&bin=…&picked=YYYY-MM-DDTHH:MM&method=…&side=…``, so that any
phone can read it too; ``tray``, ``block`` and ``cultivar`` may follow. A tag that cannot be trusted gives no field
rather than a wrong one, and says so in ``doubts``.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from datetime import datetime
from typing import Any
from urllib.parse import quote_plus, unquote_plus

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

LONGEST_FIELD = 60
"""Characters that a field may have; more would not fit the printed tag and is no name of a crew or a bin."""

TWO_TAGS = "two bin tags in view"
"""The doubt of a photo from which no one can say which bin it shows."""

_KEYS = ("crew", "bin", "picked", "method", "side", "tray", "block", "cultivar")
_LONGEST_TEXT = 4296  # the most characters that a QR code can hold, ISO/IEC 18004 (from memory)
_KEY = re.compile(r"[a-z][a-z0-9_-]*", re.ASCII | re.IGNORECASE)
_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?", re.ASCII)
_JOINERS = "\u200c\u200d"  # invisible, but they belong to the spelling of several South Asian scripts
_ENLARGE_UP_TO_PX = 2700  # above this, a code too small to read at full size is too far off for marks as well


@dataclass(frozen=True)
class Tag:
    """What a bin tag (or a manifest line) says.

    Parameters
    ----------
    crew, bin, method, side, tray, block, cultivar : text of at most `LONGEST_FIELD` characters, or None where
        nothing is said. Method is the picking method; side is the side of the fruit that lies up, or of the row, as
        the shed uses it; tray numbers the samples taken from one bin.
    picked_at : local time of picking, without a time zone, or None.
    taken_at : local time of the photo, where a manifest corrects the phone's clock; never on a printed tag.
    doubts : what is wrong with the tag, each in words that can be shown.

    Raises
    ------
    ValueError : a time carries a time zone.
    """

    crew: str | None = None
    bin: str | None = None
    picked_at: datetime | None = None
    method: str | None = None
    side: str | None = None
    tray: str | None = None
    block: str | None = None
    cultivar: str | None = None
    taken_at: datetime | None = None
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, time in (("picked_at", self.picked_at), ("taken_at", self.taken_at)):
            if time is not None and time.tzinfo is not None:
                raise ValueError(f"{name} is local time without a time zone, got {time.isoformat()}")

    @property
    def fields(self) -> tuple[str | datetime | None, ...]:
        """All fields without the doubts: two tags with equal fields are the same tag."""
        return tuple(getattr(self, field.name) for field in dataclass_fields(self) if field.name != "doubts")


def clean_field(text: str) -> str | None:
    """Text of one field without control characters and needless blanks; None when nothing is left.

    Control characters and marks that turn the writing direction go, for a field is shown in tables and pages
    and must not change what stands beside it. Accents are brought to one form (Unicode NFC), so that a crew
    written on two keyboards is one crew.
    """
    kept = (
        " " if character.isspace() or unicodedata.category(character) in ("Zl", "Zp") else character
        for character in unicodedata.normalize("NFC", text)
        if character in _JOINERS or character.isspace() or not unicodedata.category(character).startswith("C")
    )
    return unicodedata.normalize("NFC", " ".join("".join(kept).split())) or None


def parse_time(text: str) -> datetime | None:
    """Local time from ``YYYY-MM-DDTHH:MM`` (seconds allowed, a blank for the T); None for anything else.

    A date without a time of day, or a time with a zone, is not taken: either would need a guess.
    """
    if not _TIME.fullmatch(text.strip()):
        return None
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:  # such as 30 February
        return None


def parse_tag(text: str) -> Tag | None:
    """Bin tag from the text of a QR code.

    Parameters
    ----------
    text : what the code holds. Fields may come in any order; fields of other names are passed over.

    Returns
    -------
    The tag, or None for text that is not a bin tag: web addresses, numbers and the like, and text that names
    neither a crew nor a bin. A field that cannot be read is None and adds a doubt.
    """
    values = _split(text)
    if values is None or not any(values.get(key) for key in ("crew", "bin")):
        return None
    doubts: list[str] = []
    fields = {key: _one_field(key, values.get(key, []), doubts) for key in _KEYS}
    picked = fields["picked"]
    picked_at = parse_time(picked) if picked else None
    if picked and picked_at is None:
        doubts.append(f"picked is not a date and time: {picked}")
    said: dict[str, Any] = {key: fields[key] for key in _KEYS if key != "picked"}
    tag = Tag(picked_at=picked_at, doubts=tuple(doubts), **said)
    return tag if tag.crew or tag.bin or tag.doubts else None


def encode_tag(tag: Tag) -> str:
    """Text for the QR code of a tag: the inverse of `parse_tag` for a tag without doubts."""
    picked = tag.picked_at
    when = picked and picked.isoformat(timespec="seconds" if picked.second else "minutes")
    pairs = (
        ("crew", tag.crew),
        ("bin", tag.bin),
        ("picked", when),
        ("method", tag.method),
        ("side", tag.side),
        ("tray", tag.tray),
        ("block", tag.block),
        ("cultivar", tag.cultivar),
    )
    return "&".join(f"{key}={quote_plus(value, safe=':')}" for key, value in pairs if value)


def read_tag(image: NDArray[np.uint8]) -> Tag | None:
    """Read the bin tag that lies in view, at any rotation.

    The picture is read as it is first, which is enough for most photos; only where no tag is found do slower
    readings follow (sharpened, enlarged, smaller).

    Parameters
    ----------
    image : (H, W) grey or (H, W, 3) RGB uint8 array; not changed. The code needs about 3 px
        to a module.

    Returns
    -------
    The tag; None when no bin tag is in view (other QR codes are passed over); a tag without fields and with
    the doubt `TWO_TAGS` when different bin tags are in view, for no one can say which is meant.

    Raises
    ------
    ValueError : the array has another shape or type.
    """
    for codes in _readings(_grey(image)):
        tags = {tag.fields: tag for tag in map(parse_tag, codes) if tag is not None}
        if len(tags) > 1:
            return Tag(doubts=(TWO_TAGS,))
        if tags:
            return next(iter(tags.values()))
    return None


def _split(text: str) -> dict[str, list[str]] | None:
    """Raw values by key, or None when the text is not of the form key=value&key=value."""
    if not text or len(text) > _LONGEST_TEXT:
        return None
    values: dict[str, list[str]] = {}
    for part in text.strip().split("&"):
        key, equals, value = part.partition("=")
        if not part:
            continue
        if not equals or not _KEY.fullmatch(key):
            return None
        values.setdefault(key.lower(), []).append(value)
    return values


def _one_field(key: str, raw: list[str], doubts: list[str]) -> str | None:
    """Clean the value of one field; adds a doubt and gives None when it cannot be trusted."""
    found = {clean_field(unquote_plus(value)) for value in raw} - {None}
    if len(found) > 1:
        doubts.append(f"{key} is given twice")
        return None
    value = found.pop() if found else None
    if value is None:
        return None
    if "\N{REPLACEMENT CHARACTER}" in value:
        doubts.append(f"{key} has unreadable letters")
        return None
    if len(value) > LONGEST_FIELD:
        doubts.append(f"{key} is longer than {LONGEST_FIELD} characters and was cut")
        return clean_field(value[:LONGEST_FIELD])
    return value


def _grey(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    if image.dtype != np.uint8 or image.size == 0 or image.ndim not in (2, 3) or image.shape[2:] not in ((), (3,)):
        raise ValueError(f"image must be a uint8 (H, W) or (H, W, 3) array, got {image.dtype} {image.shape}")
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    return np.ascontiguousarray(grey, dtype=np.uint8)


def _readings(grey: NDArray[np.uint8]) -> Iterator[list[str]]:
    """Texts of the QR codes found, one list for each way of looking, quickest first."""
    yield _codes(grey)
    yield _codes(_sharpened(grey, 2.0))
    if max(grey.shape) <= _ENLARGE_UP_TO_PX:
        yield _codes(_sharpened(cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), 3.0))
    yield _codes(grey, shrink=True)


def _sharpened(grey: cv2.typing.MatLike, sigma_px: float) -> cv2.typing.MatLike:
    """Give a soft picture back the contrast of modules that are only a few pixels wide."""
    return cv2.addWeighted(grey, 2.5, cv2.GaussianBlur(grey, (0, 0), sigma_px), -1.5, 0.0)


def _codes(grey: cv2.typing.MatLike, *, shrink: bool = False) -> list[str]:
    found = zxingcpp.read_barcodes(
        grey,
        formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode),
        text_mode=zxingcpp.TextMode.Plain,
        try_rotate=False,  # QR codes are found at any rotation without it
        try_downscale=shrink,
        try_invert=False,
    )
    return [code.text for code in found]
