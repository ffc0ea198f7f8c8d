"""Open a tray photo: a file from a phone becomes one upright 8-bit sRGB picture, or a refusal in words.

Scored are JPEG, PNG and HEIC/HEIF in colour. What is decided about the awkward ones:

* Larger than 60 MB or 80 megapixels: refused from the header, before anything is decoded.
* Truncated, empty, not a picture, animated, CMYK, grey: refused. Brown is told from green by colour.
* 16 bits per channel: scaled to 8 bits. See-through parts: laid on white, with a doubt.
* A colour profile other than sRGB (Display P3 on many phones): the working picture is converted to sRGB.
* Long side under 600 px: scored, with a doubt.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scorer.errors import PhotoError
from scorer.picture import block_means, is_grey, to_srgb, upright
from scorer.picture_file import check_size, damaged, no_colour, open_picture

LARGEST_FILE_BYTES = 60_000_000
LARGEST_WORKING_SIDE = 2600
SMALLEST_SURE_SIDE = 600

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".jpe", ".png", ".heic", ".heif", ".hif")
"""Endings of the files that may be tray photos; whether they are is decided by their content."""
RAW_SUFFIXES = (
    ".dng",
    ".cr2",
    ".cr3",
    ".nef",
    ".nrw",
    ".arw",
    ".orf",
    ".rw2",
    ".raf",
    ".pef",
    ".srw",
    ".raw",
)
"""Endings of a camera's unfinished pictures, which depend on the maker; they are refused."""


@dataclass(frozen=True)
class Photo:
    """An upright tray photo at working size.

    Attributes
    ----------
    bgr : (H, W, 3) uint8 array, sRGB in OpenCV's channel order; working pixels.
    full_size : (width, height) of the upright photo in full pixels.
    scale : full pixels per working pixel: 1.0, 2.0, 4.0 or 8.0. H and W are the full size over it, rounded
        up.
    sha256 : hex digest of the file's bytes, or of the array's.
    taken_at : the camera's own clock when the photo was taken, without a time zone; None when it is not told.
    clock_ahead : of that clock against UTC; None when it is not told.
    focal_35mm : focal length in mm for a 36 mm x 24 mm frame of equal diagonal; None when it is not told.
    name : what messages and tables call the photo.
    doubts : sentences on what makes the photo less than sure.
    """

    bgr: NDArray[np.uint8]
    full_size: tuple[int, int]
    scale: float
    sha256: str
    taken_at: datetime | None = None
    clock_ahead: timedelta | None = None
    focal_35mm: float | None = None
    name: str = "photo"
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _check_array(self.bgr, self.name)
        width, height = self.full_size
        wanted = (math.ceil(height / self.scale), math.ceil(width / self.scale))
        if self.bgr.shape[:2] != wanted:
            raise ValueError(f"bgr must be {wanted} for the full size {self.full_size}, got {self.bgr.shape[:2]}")


def open_photo(source: str | Path | bytes | NDArray[Any], *, name: str | None = None) -> Photo:
    """Open a tray photo at working size, upright and in sRGB.

    Large JPEGs are decoded straight at 1/2, 1/4 or 1/8 size, as far as brings the long side to 2600 px,
    which costs a fraction of a full decode.

    Parameters
    ----------
    source : path of a file, the bytes of a file, or a picture as an (H, W, 3) uint8 array in BGR order, sRGB,
        upright. An array is not changed, and not copied if it is small enough to work on.
    name : what messages and tables call the photo; the file's name when left out.

    Raises
    ------
    PhotoError : the photo cannot be scored; the message says why and what to do.
    """
    if isinstance(source, np.ndarray):
        return _from_array(source, name or "picture")
    if isinstance(source, bytes):
        return _from_bytes(source, name or "photo")
    path = Path(source)
    return _from_bytes(_read(path, name or path.name), name or path.name)


def _from_array(array: NDArray[Any], name: str) -> Photo:
    picture = _check_array(array, name)
    height, width = picture.shape[:2]
    check_size((width, height), name)
    factor = _factor((width, height))
    return _finish(
        block_means(picture, factor),
        full_size=(width, height),
        factor=factor,
        sha256=hashlib.sha256(np.ascontiguousarray(picture).data).hexdigest(),
        name=name,
    )


def _from_bytes(data: bytes, name: str) -> Photo:
    if not data:
        raise PhotoError(f"{name} is empty (0 bytes); copy it from the phone again.")
    if len(data) > LARGEST_FILE_BYTES:
        raise _too_heavy(len(data), name)
    header, decode = open_picture(data, name)
    factor = _factor(header.size)
    doubts: list[str] = []
    try:
        stored = decode(factor, doubts)
    except PhotoError:
        raise
    except Exception as error:  # whatever a damaged file makes a decoder raise
        raise damaged(name) from error
    width, height = header.size
    if stored.shape[:2] != (math.ceil(height / factor), math.ceil(width / factor)):
        raise damaged(name)
    picture = to_srgb(stored, header.profile, doubts)
    return _finish(
        upright(picture, header.orientation),
        full_size=(height, width) if header.orientation >= 5 else (width, height),
        factor=factor,
        sha256=hashlib.sha256(data).hexdigest(),
        name=name,
        taken_at=header.taken_at,
        clock_ahead=header.clock_ahead,
        focal_35mm=header.focal_35mm,
        doubts=doubts,
    )


def _finish(
    bgr: NDArray[np.uint8],
    *,
    full_size: tuple[int, int],
    factor: int,
    sha256: str,
    name: str,
    taken_at: datetime | None = None,
    clock_ahead: timedelta | None = None,
    focal_35mm: float | None = None,
    doubts: list[str] | None = None,
) -> Photo:
    if is_grey(bgr):
        raise no_colour(name)
    said = list(doubts or [])
    if max(full_size) < SMALLEST_SURE_SIDE:
        said.append(
            f"The photo is only {full_size[0]} x {full_size[1]} px, so small marks cannot be seen; "
            "send the phone's original photo."
        )
    return Photo(bgr, full_size, float(factor), sha256, taken_at, clock_ahead, focal_35mm, name, tuple(said))


def _read(path: Path, name: str) -> bytes:
    if path.suffix.lower() in RAW_SUFFIXES:
        raise PhotoError(f"{name} is a raw picture, which is not scored; send the photo as JPEG, PNG or HEIC.")
    try:
        if not path.exists():
            raise PhotoError(f"{name} does not exist; check the path {path}.")
        if not path.is_file():
            raise PhotoError(f"{name} is not a file; give a photo's path.")
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise _too_heavy(size, name)
        return path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PhotoError(f"{name} cannot be read ({reason}); check the disk and the file's rights.") from error


def _check_array(array: NDArray[Any], name: str) -> NDArray[np.uint8]:
    if array.dtype != np.uint8 or array.ndim != 3 or array.shape[2] != 3:
        raise PhotoError(
            f"{name}: a picture must be a uint8 array of shape (height, width, 3) in BGR order, "
            f"got {array.dtype} of shape {array.shape}."
        )
    return array


def _too_heavy(size: int, name: str) -> PhotoError:
    return PhotoError(
        f"{name} has {size / 1e6:.0f} MB, and at most {LARGEST_FILE_BYTES // 1_000_000} MB are scored; "
        "send the phone's original photo."
    )


def _factor(size: tuple[int, int]) -> int:
    """Full pixels per working pixel."""
    longest = max(size)
    return next(factor for factor in (1, 2, 4, 8) if longest <= LARGEST_WORKING_SIDE * factor or factor == 8)
