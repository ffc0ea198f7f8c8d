"""Read a picture file: what its header tells, then its pixels as the camera stored them.

The header is read first and by itself, so that a file that is too large or of the wrong sort is refused
before anything is decoded.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from scorer.decoder_noise import DecoderNoise
from scorer.errors import PhotoError
from scorer.picture import block_means

LARGEST_PIXELS = 80_000_000
SMALLEST_SIDE = 100
"""Pixels of the short side under which no mark could be seen at all."""

_PICTURE_TAG_ORIENTATION, _PICTURE_TAG_DATE_TIME, _PICTURE_TAG_EXIF = 0x0112, 0x0132, 0x8769
_EXIF_TAG_DATE_TIME_ORIGINAL, _EXIF_TAG_OFFSET_ORIGINAL, _EXIF_TAG_FOCAL_35MM = 0x9003, 0x9011, 0xA405
_REDUCED = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}


@dataclass(frozen=True)
class PictureHeader:
    """What a file says about itself before its pixels are decoded."""

    kind: str  # "JPEG", "PNG" or "HEIC"
    size: tuple[int, int]  # (width, height) as stored
    orientation: int
    taken_at: datetime | None
    clock_ahead: timedelta | None  # of the phone's clock against UTC, where the file tells
    focal_35mm: float | None
    profile: bytes | None


Decoder = Callable[[int, list[str]], NDArray[np.uint8]]


def open_picture(data: bytes, name: str) -> tuple[PictureHeader, Decoder]:
    """Read the header and choose the decoder; refuses what is not worth decoding."""
    if data[4:8] == b"ftyp":
        return _open_heic(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of large pictures; check_size refuses them
            image = Image.open(io.BytesIO(data))
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name} has more than {LARGEST_PIXELS // 1_000_000} megapixels; send the phone's original photo."
        ) from error
    except Exception as error:  # whatever a hostile header makes a decoder raise
        raise PhotoError(
            f"{name} is not a picture that can be opened; send the phone's original photo as JPEG, PNG or HEIC."
        ) from error
    check_size(image.size, name)
    # MPO is a JPEG that is followed by a second view.
    kind = {"JPEG": "JPEG", "MPO": "JPEG", "PNG": "PNG"}.get(image.format or "")
    if kind is None:
        raise PhotoError(
            f"{name} is a {image.format} picture, which is not scored; "
            "send the phone's original photo as JPEG, PNG or HEIC."
        )
    if kind == "PNG" and getattr(image, "n_frames", 1) > 1:
        raise PhotoError(f"{name} is an animation; send a single photo.")
    _check_mode(image.mode, name)
    exif = _exif_of(image.getexif)
    header = _header(kind, image.size, exif, _as_bytes(image.info.get("icc_profile")))
    if kind == "JPEG":
        if not _jpeg_is_whole(data):
            raise _truncated(name)
        return header, lambda factor, _: _decode_jpeg(data, factor, name)
    return header, lambda factor, doubts: _decode_png(data, image, factor, doubts, name)


def _open_heic(data: bytes, name: str) -> tuple[PictureHeader, Decoder]:
    import pillow_heif  # costly to load, and most photos are JPEG

    try:
        heif = pillow_heif.open_heif(data, convert_hdr_to_8bit=True)
        size, mode, info = heif.size, heif.mode, heif.info
    except Exception as error:  # whatever a hostile header makes a decoder raise
        raise PhotoError(
            f"{name} is not a HEIC photo that can be opened; copy it from the phone again, or send it as JPEG."
        ) from error
    check_size(size, name)
    _check_mode(mode, name)

    def load_exif() -> Image.Exif:
        exif = Image.Exif()
        exif.load(_as_bytes(info.get("exif")) or b"")
        return exif

    header = _header("HEIC", size, _exif_of(load_exif), _as_bytes(info.get("icc_profile")))

    def decode(factor: int, doubts: list[str]) -> NDArray[np.uint8]:
        return block_means(_flatten(heif.to_pillow(), doubts), factor)

    # A property of the HEIC file turns the picture and the decoder applies it; EXIF must not turn it again.
    return replace(header, orientation=1), decode


def _header(kind: str, size: tuple[int, int], exif: Image.Exif, profile: bytes | None) -> PictureHeader:
    try:
        details: dict[int, Any] = dict(exif.get_ifd(_PICTURE_TAG_EXIF))
    except Exception:  # a damaged EXIF block tells nothing; the picture may still be whole
        details = {}
    orientation = _exif_value(exif, _PICTURE_TAG_ORIENTATION)
    taken_at = _parse_time(details.get(_EXIF_TAG_DATE_TIME_ORIGINAL))
    return PictureHeader(
        kind=kind,
        size=size,
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=taken_at or _parse_time(_exif_value(exif, _PICTURE_TAG_DATE_TIME)),
        clock_ahead=_parse_offset(details.get(_EXIF_TAG_OFFSET_ORIGINAL)) if taken_at else None,
        focal_35mm=_parse_focal(details.get(_EXIF_TAG_FOCAL_35MM)),
        profile=profile,
    )


def _exif_of(load: Callable[[], Image.Exif]) -> Image.Exif:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of damaged EXIF, which is treated as missing
            return load()
    except Exception:  # a damaged EXIF block tells nothing; the picture may still be whole
        return Image.Exif()


def _exif_value(exif: Image.Exif, tag: int) -> object:
    try:
        return exif.get(tag)
    except Exception:  # Pillow parses the value only when it is asked for
        return None


def _parse_time(value: object) -> datetime | None:
    """Time of the EXIF form ``2026:03:14 09:26:53``; None for anything else, and for years no phone saw."""
    text = value.decode("ascii", "ignore") if isinstance(value, bytes) else value
    if not isinstance(text, str):
        return None
    try:
        time = datetime.strptime(text.strip("\0 ")[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    return time if 1990 <= time.year <= 2100 else None


def _parse_offset(value: object) -> timedelta | None:
    """Offset from UTC of the EXIF form ``+09:30``; None for anything else, and for offsets no place on earth has."""
    text = value.decode("ascii", "ignore") if isinstance(value, bytes) else value
    found = re.fullmatch(r"([+-])(\d\d):([0-5]\d)", text.strip("\0 ")) if isinstance(text, str) else None
    if found is None:
        return None
    offset = timedelta(hours=int(found[2]), minutes=int(found[3]))
    return (offset if found[1] == "+" else -offset) if offset <= timedelta(hours=14) else None


def _parse_focal(value: object) -> float | None:
    """Focal length in mm; None for 0 (EXIF's sign for unknown), and for lengths no lens has."""
    try:
        focal = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return focal if 5 <= focal <= 1000 else None


def _as_bytes(value: object) -> bytes | None:
    return value if isinstance(value, bytes) and value else None


def check_size(size: tuple[int, int], name: str) -> None:
    """Refuse pictures too large to decode safely or too small to show a mark."""
    width, height = size
    if width * height > LARGEST_PIXELS:
        raise PhotoError(
            f"{name} has {width * height / 1e6:.0f} megapixels, and at most "
            f"{LARGEST_PIXELS // 1_000_000} are scored; send the phone's original photo, not a stitched one."
        )
    if min(width, height) < SMALLEST_SIDE:
        raise PhotoError(
            f"{name} is only {width} x {height} px, too small to show a mark; send the phone's original photo."
        )


def _check_mode(mode: str, name: str) -> None:
    if mode == "CMYK":
        raise PhotoError(
            f"{name} is in CMYK (colours for a printing press); send the phone's original photo, or save it in sRGB."
        )
    if mode not in ("RGB", "RGBA", "RGBX", "RGBa", "P", "PA"):
        raise no_colour(name)


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether an end-of-image marker follows the start of scan; decoders fill what is missing with grey.

    Markers: ITU-T T.81 (1992), table B.1. Inside a scan 0xFF is always stuffed, so 0xFFD9 there is
    the end.
    """
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return False
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
        elif marker == 0xDA:
            return data.rfind(b"\xff\xd9", at) > 0  # from behind, where it mostly is
        elif marker == 0x01 or 0xD0 <= marker <= 0xD8:  # markers that stand alone
            at += 2
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _decode_jpeg(data: bytes, factor: int, name: str) -> NDArray[np.uint8]:
    flags = _REDUCED[factor] | cv2.IMREAD_IGNORE_ORIENTATION
    with DecoderNoise() as noise:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if picture is None or noise.tells_damage:
        raise damaged(name)
    return np.asarray(picture.astype(np.uint8, copy=False))


def _decode_png(data: bytes, image: Image.Image, factor: int, doubts: list[str], name: str) -> NDArray[np.uint8]:
    if b"IEND" not in data[-1024:] and b"IEND" not in data:
        raise _truncated(name)
    image.load()  # finds damage that OpenCV would pass over
    bits, colour_type = data[24], data[25]  # IHDR, W3C PNG specification (third edition), 11.2.1
    if bits == 16 and colour_type == 2:
        deep = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
        if deep is None or deep.dtype != np.uint16 or deep.ndim != 3 or deep.shape[2] != 3:
            raise damaged(name)
        return block_means(cv2.convertScaleAbs(deep, alpha=255 / 65535).astype(np.uint8, copy=False), factor)
    return block_means(_flatten(image, doubts), factor)


def _flatten(image: Image.Image, doubts: list[str]) -> NDArray[np.uint8]:
    """Full-size BGR of any colour mode; see-through parts become white."""
    if image.mode == "RGB" and "transparency" not in image.info:
        return np.asarray(cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR).astype(np.uint8, copy=False))
    rgba = image.convert("RGBA")
    if rgba.getchannel("A").getextrema() != (255, 255):
        doubts.append("The photo was edited: see-through parts are taken as white; send the phone's original.")
        white = Image.new("RGBA", rgba.size, "white")
        rgba = Image.alpha_composite(white, rgba)
    return np.asarray(cv2.cvtColor(np.asarray(rgba), cv2.COLOR_RGBA2BGR).astype(np.uint8, copy=False))


def _truncated(name: str) -> PhotoError:
    return PhotoError(f"{name} is cut short, its end is missing; copy it from the phone again.")


def damaged(name: str) -> PhotoError:
    """Word the refusal of a file whose pixels are not all there."""
    return PhotoError(f"{name} is damaged and cannot be decoded; copy it from the phone again.")


def no_colour(name: str) -> PhotoError:
    """Word the refusal of a grey picture."""
    return PhotoError(f"{name} has no colour, and marks are told from skin by colour; send a colour photo.")
