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
import io
import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from scorer.errors import PhotoError

LARGEST_FILE_BYTES = 60_000_000
LARGEST_PIXELS = 80_000_000
LARGEST_WORKING_SIDE = 2600
SMALLEST_SURE_SIDE = 600
SMALLEST_SIDE = 100
"""Pixels of the short side under which no mark could be seen at all."""

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".jpe", ".png", ".heic", ".heif", ".hif")
"""Endings of the files that may be tray photos; whether they are is decided by their content."""

_PICTURE_TAG_ORIENTATION, _PICTURE_TAG_DATE_TIME, _PICTURE_TAG_EXIF = 0x0112, 0x0132, 0x8769
_EXIF_TAG_DATE_TIME_ORIGINAL, _EXIF_TAG_FOCAL_35MM = 0x9003, 0xA405
_REDUCED = {
    1: cv2.IMREAD_COLOR,
    2: cv2.IMREAD_REDUCED_COLOR_2,
    4: cv2.IMREAD_REDUCED_COLOR_4,
    8: cv2.IMREAD_REDUCED_COLOR_8,
}
_SRGB_ENOUGH = 2  # levels of 255: profiles that differ less from sRGB are sRGB under another name


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
    focal_35mm : focal length in mm for a 36 mm x 24 mm frame of equal diagonal; None when it is not told.
    name : what messages and tables call the photo.
    doubts : sentences on what makes the photo less than sure.
    """

    bgr: NDArray[np.uint8]
    full_size: tuple[int, int]
    scale: float
    sha256: str
    taken_at: datetime | None = None
    focal_35mm: float | None = None
    name: str = "photo"
    doubts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _check_array(self.bgr, self.name)
        width, height = self.full_size
        wanted = (math.ceil(height / self.scale), math.ceil(width / self.scale))
        if self.bgr.shape[:2] != wanted:
            raise ValueError(
                f"bgr must be {wanted} for the full size {self.full_size}, got {self.bgr.shape[:2]}"
            )


@dataclass(frozen=True)
class _Header:
    """What a file says about itself before its pixels are decoded."""

    kind: str  # "JPEG", "PNG" or "HEIC"
    size: tuple[int, int]  # (width, height) as stored
    orientation: int
    taken_at: datetime | None
    focal_35mm: float | None
    profile: bytes | None


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
    _check_size((width, height), name)
    factor = _factor((width, height))
    return _finish(
        _reduce(picture, factor),
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
    header, decode = _open(data, name)
    factor = _factor(header.size)
    doubts: list[str] = []
    try:
        stored = decode(factor, doubts)
    except PhotoError:
        raise
    except Exception as error:  # whatever a damaged file makes a decoder raise
        raise _damaged(name) from error
    width, height = header.size
    if stored.shape[:2] != (math.ceil(height / factor), math.ceil(width / factor)):
        raise _damaged(name)
    picture = _to_srgb(stored, header.profile, doubts)
    return _finish(
        _upright(picture, header.orientation),
        full_size=(height, width) if header.orientation >= 5 else (width, height),
        factor=factor,
        sha256=hashlib.sha256(data).hexdigest(),
        name=name,
        taken_at=header.taken_at,
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
    focal_35mm: float | None = None,
    doubts: list[str] | None = None,
) -> Photo:
    if _is_grey(bgr):
        raise _grey(name)
    said = list(doubts or [])
    if max(full_size) < SMALLEST_SURE_SIDE:
        said.append(
            f"The photo is only {full_size[0]} x {full_size[1]} px, so small marks cannot be seen; "
            "send the phone's original photo."
        )
    return Photo(bgr, full_size, float(factor), sha256, taken_at, focal_35mm, name, tuple(said))


def _read(path: Path, name: str) -> bytes:
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
        raise PhotoError(
            f"{name} cannot be read ({reason}); check the disk and the file's rights."
        ) from error


_Decoder = Callable[[int, list[str]], NDArray[np.uint8]]


def _open(data: bytes, name: str) -> tuple[_Header, _Decoder]:
    """Read the header and choose the decoder; refuses what is not worth decoding."""
    if data[4:8] == b"ftyp":
        return _open_heic(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of large pictures; _check_size refuses them
            image = Image.open(io.BytesIO(data))
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name} has more than {LARGEST_PIXELS // 1_000_000} megapixels; send the phone's original photo."
        ) from error
    except Exception as error:  # whatever a hostile header makes a decoder raise
        raise PhotoError(
            f"{name} is not a picture that can be opened; "
            "send the phone's original photo as JPEG, PNG or HEIC."
        ) from error
    _check_size(image.size, name)
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


def _open_heic(data: bytes, name: str) -> tuple[_Header, _Decoder]:
    import pillow_heif  # costly to load, and most photos are JPEG

    try:
        heif = pillow_heif.open_heif(data, convert_hdr_to_8bit=True)
        size, mode, info = heif.size, heif.mode, heif.info
    except Exception as error:  # whatever a hostile header makes a decoder raise
        raise PhotoError(
            f"{name} is not a HEIC photo that can be opened; "
            "copy it from the phone again, or send it as JPEG."
        ) from error
    _check_size(size, name)
    _check_mode(mode, name)

    def load_exif() -> Image.Exif:
        exif = Image.Exif()
        exif.load(_as_bytes(info.get("exif")) or b"")
        return exif

    header = _header("HEIC", size, _exif_of(load_exif), _as_bytes(info.get("icc_profile")))

    def decode(factor: int, doubts: list[str]) -> NDArray[np.uint8]:
        return _reduce(_flatten(heif.to_pillow(), doubts), factor)

    # A property of the HEIC file turns the picture and the decoder applies it; EXIF must not turn it again.
    return _Header(header.kind, header.size, 1, header.taken_at, header.focal_35mm, header.profile), decode


def _header(kind: str, size: tuple[int, int], exif: Image.Exif, profile: bytes | None) -> _Header:
    try:
        details: dict[int, Any] = dict(exif.get_ifd(_PICTURE_TAG_EXIF))
    except Exception:  # a damaged EXIF block tells nothing; the picture may still be whole
        details = {}
    orientation = _exif_value(exif, _PICTURE_TAG_ORIENTATION)
    taken_at = _parse_time(details.get(_EXIF_TAG_DATE_TIME_ORIGINAL))
    return _Header(
        kind=kind,
        size=size,
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=taken_at or _parse_time(_exif_value(exif, _PICTURE_TAG_DATE_TIME)),
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


def _parse_focal(value: object) -> float | None:
    """Focal length in mm; None for 0 (EXIF's sign for unknown), and for lengths no lens has."""
    try:
        focal = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return focal if 5 <= focal <= 1000 else None


def _as_bytes(value: object) -> bytes | None:
    return value if isinstance(value, bytes) and value else None


def _check_size(size: tuple[int, int], name: str) -> None:
    width, height = size
    if width * height > LARGEST_PIXELS:
        raise PhotoError(
            f"{name} has {width * height / 1e6:.0f} megapixels, and at most "
            f"{LARGEST_PIXELS // 1_000_000} are scored; send the phone's original photo, not a stitched one."
        )
    if min(width, height) < SMALLEST_SIDE:
        raise PhotoError(
            f"{name} is only {width} x {height} px, too small to show a mark; "
            "send the phone's original photo."
        )


def _check_mode(mode: str, name: str) -> None:
    if mode == "CMYK":
        raise PhotoError(
            f"{name} is in CMYK (colours for a printing press); "
            "send the phone's original photo, or save it in sRGB."
        )
    if mode not in ("RGB", "RGBA", "RGBX", "RGBa", "P", "PA"):
        raise _grey(name)


def _check_array(array: NDArray[Any], name: str) -> NDArray[np.uint8]:
    if array.dtype != np.uint8 or array.ndim != 3 or array.shape[2] != 3:
        raise PhotoError(
            f"{name}: a picture must be a uint8 array of shape (height, width, 3) in BGR order, "
            f"got {array.dtype} of shape {array.shape}."
        )
    return array


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
            return data.find(b"\xff\xd9", at) > 0
        elif marker == 0x01 or 0xD0 <= marker <= 0xD8:  # markers that stand alone
            at += 2
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _decode_jpeg(data: bytes, factor: int, name: str) -> NDArray[np.uint8]:
    flags = _REDUCED[factor] | cv2.IMREAD_IGNORE_ORIENTATION
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if picture is None:
        raise _damaged(name)
    return picture.astype(np.uint8, copy=False)


def _decode_png(
    data: bytes, image: Image.Image, factor: int, doubts: list[str], name: str
) -> NDArray[np.uint8]:
    if b"IEND" not in data[-1024:] and b"IEND" not in data:
        raise _truncated(name)
    image.load()  # finds damage that OpenCV would pass over
    bits, colour_type = data[24], data[25]  # IHDR, W3C PNG specification (third edition), 11.2.1
    if bits == 16 and colour_type == 2:
        deep = cv2.imdecode(
            np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
        )
        if deep is None or deep.dtype != np.uint16 or deep.ndim != 3 or deep.shape[2] != 3:
            raise _damaged(name)
        return _reduce(cv2.convertScaleAbs(deep, alpha=255 / 65535).astype(np.uint8, copy=False), factor)
    return _reduce(_flatten(image, doubts), factor)


def _flatten(image: Image.Image, doubts: list[str]) -> NDArray[np.uint8]:
    """Full-size BGR of any colour mode; see-through parts become white."""
    if image.mode == "RGB" and "transparency" not in image.info:
        return cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR).astype(np.uint8, copy=False)
    rgba = image.convert("RGBA")
    if rgba.getchannel("A").getextrema() != (255, 255):
        doubts.append(
            "The photo was edited: see-through parts are taken as white; send the phone's original."
        )
        white = Image.new("RGBA", rgba.size, "white")
        rgba = Image.alpha_composite(white, rgba)
    return cv2.cvtColor(np.asarray(rgba), cv2.COLOR_RGBA2BGR).astype(np.uint8, copy=False)


def _factor(size: tuple[int, int]) -> int:
    """Full pixels per working pixel."""
    longest = max(size)
    return next(factor for factor in (1, 2, 4, 8) if longest <= LARGEST_WORKING_SIDE * factor or factor == 8)


def _reduce(picture: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Mean of each factor x factor block; the last pixels are repeated to fill blocks at the edge."""
    if factor == 1:
        return picture
    height, width = picture.shape[:2]
    down, right = -height % factor, -width % factor
    if down or right:
        picture = cv2.copyMakeBorder(picture, 0, down, 0, right, cv2.BORDER_REPLICATE).astype(
            np.uint8, copy=False
        )
    size = (picture.shape[1] // factor, picture.shape[0] // factor)
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def _upright(picture: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Undo the camera's turn. Orientation values: CIPA DC-008-2019 (EXIF 2.32), tag 274."""
    if orientation in (5, 6, 7, 8):
        picture = cv2.transpose(picture).astype(np.uint8, copy=False)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return picture if flip is None else cv2.flip(picture, flip).astype(np.uint8, copy=False)


def _is_grey(bgr: NDArray[np.uint8]) -> bool:
    sample = bgr[::16, ::16].astype(np.int16)
    return int((sample.max(axis=2) - sample.min(axis=2)).max()) <= _SRGB_ENOUGH


def _to_srgb(bgr: NDArray[np.uint8], profile: bytes | None, doubts: list[str]) -> NDArray[np.uint8]:
    if profile is None:
        return bgr
    try:
        transform = _srgb_transform(profile)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        doubts.append("The photo's colour profile cannot be read, so its colours were taken as sRGB.")
        return bgr
    if transform is None:
        return bgr
    image = Image.fromarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB))
    ImageCms.applyTransform(image, transform, inPlace=True)
    return cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR).astype(np.uint8, copy=False)


@lru_cache(maxsize=8)  # a batch comes from few phones
def _srgb_transform(profile: bytes) -> ImageCms.ImageCmsTransform | None:
    """Transform from the profile to sRGB; None when it would change no colour by more than 2 levels."""
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), "RGB", "RGB"
    )
    levels = np.linspace(0, 255, 6).astype(np.uint8)
    cube = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(36, 6, 3)
    image = Image.fromarray(cube)
    ImageCms.applyTransform(image, transform, inPlace=True)
    change = np.abs(np.asarray(image).astype(int) - cube).max()
    return transform if change > _SRGB_ENOUGH else None


def _too_heavy(size: int, name: str) -> PhotoError:
    return PhotoError(
        f"{name} has {size / 1e6:.0f} MB, and at most {LARGEST_FILE_BYTES // 1_000_000} MB are scored; "
        "send the phone's original photo."
    )


def _truncated(name: str) -> PhotoError:
    return PhotoError(f"{name} is cut short, its end is missing; copy it from the phone again.")


def _damaged(name: str) -> PhotoError:
    return PhotoError(f"{name} is damaged and cannot be decoded; copy it from the phone again.")


def _grey(name: str) -> PhotoError:
    return PhotoError(f"{name} has no colour, and marks are told from skin by colour; send a colour photo.")
