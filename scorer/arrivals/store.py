"""The photo store: photos, their masks and pictures to look at, each found by the SHA-256 of the photo as it arrived.

::

    <folder>/ab/<sha256>.jpg          the photo without the place where it was taken; or .png, .heic
                <sha256>.fruit.png    which pixels are which fruit: uint16, numbers as in the tables
                <sha256>.marks.png    the same for marks
                <sha256>.model.txt    SHA-256 of the model whose numbers are in both masks, where that was noted
                <sha256>.320.jpg      a picture to look at, upright, with this long side; made once
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from sqlalchemy.engine import URL

from scorer.arrivals.file_kind import PHOTO_KINDS, kind_of
from scorer.arrivals.place import without_place
from scorer.arrivals.whole_files import write_bytes
from scorer.errors import ArrivalError, OutputError
from scorer.photo import open_photo
from scorer.picture import to_srgb, upright
from scorer.picture_file import damaged, open_picture
from scorer.records.beside import place_beside
from scorer.results import PICTURE_QUALITY, reason_of, remove_file

PICTURE_SIDES_PX: Final = (320, 800, 1600)
"""Long sides of the pictures that are kept; a page asks for no others, so nobody can fill the disk with sizes."""
MASK_KINDS: Final = ("fruit", "marks")
_MODEL: Final = "model.txt"
_SHA256: Final = re.compile(r"[0-9a-f]{64}", re.ASCII)

Box = tuple[int, int, int, int]
"""Left, top, right, bottom in full pixels of the upright photo, as in the masks; right and bottom are outside."""


@dataclass(frozen=True)
class PhotoStore:
    """Photos and what belongs to them, in a folder.

    Parameters
    ----------
    folder : made when the first photo is kept.
    """

    folder: Path

    def photo_path(self, sha256: str) -> Path | None:
        """Where a photo lies; None where it is not kept here.

        Raises
        ------
        ArrivalError : this is no SHA-256; so also all methods below.
        """
        paths = (self._path(sha256, str(kind)) for kind in PHOTO_KINDS)
        return next((path for path in paths if path.exists()), None)

    def keep(self, path: Path, sha256: str, masks: Mapping[str, bytes], model_sha256: str = "") -> None:
        """Move a photo in, without the place where it was taken, after its masks; what is there already is replaced.

        A photo in the store is whole and has its masks; broken off at any instant, the photo is still where it was.

        Parameters
        ----------
        path : the photo as it arrived; removed once it is kept.
        masks : PNG files by their kind, ``fruit`` and ``marks``.
        model_sha256 : the model whose score the masks are of; "" where that is not known.

        Raises
        ------
        PhotoError : it is no photo that can be opened.
        ArrivalError : the place cannot be taken out of it.
        OutputError : the store cannot be written.
        """
        wrong = set(masks) - set(MASK_KINDS)
        if wrong:
            raise ValueError(f"masks are of {MASK_KINDS}, got {sorted(wrong)}")
        photo = without_place(path.read_bytes(), path.name)
        kept = self._path(sha256, str(kind_of(photo)))
        try:
            kept.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(f"{kept.parent} cannot be made ({reason_of(error)}); check the disk.") from error
        if masks:
            self._write_masks(sha256, masks, model_sha256)
        write_bytes(kept, photo)
        path.unlink()

    def replace_masks(self, sha256: str, masks: Mapping[str, bytes], model_sha256: str) -> None:
        """Put other masks in the place of those of a photo that is kept here; kinds that are not given are removed.

        Raises
        ------
        OutputError : the store cannot be written.
        """
        remove_file(self._path(sha256, _MODEL))  # first: whatever happens, the note stands for none but whole masks
        for kind in set(MASK_KINDS) - set(masks):
            remove_file(self._path(sha256, f"{kind}.png"))
        self._write_masks(sha256, masks, model_sha256)

    def model_of_masks(self, sha256: str) -> str | None:
        """SHA-256 of the model whose marks and fruit the masks number; None where there are none or nobody noted it."""
        try:
            return self._path(sha256, _MODEL).read_text(encoding="ascii")
        except FileNotFoundError:
            return None

    def fruit_mask(self, sha256: str) -> NDArray[np.uint16] | None:
        """(H, W) uint16 in full pixels of the upright photo, 0 or the fruit's number; None where there is none."""
        return self._mask(sha256, "fruit")

    def mark_mask(self, sha256: str) -> NDArray[np.uint16] | None:
        """(H, W) uint16 in full pixels of the upright photo, 0 or the mark's number; None where there is none."""
        return self._mask(sha256, "marks")

    def picture(self, sha256: str, long_side_px: int) -> bytes | None:
        """Upright JPEG of a photo to look at, made once; None where the photo is not kept here.

        Parameters
        ----------
        long_side_px : one of PICTURE_SIDES_PX; a smaller photo is not made larger.

        Raises
        ------
        ArrivalError : pictures of this size are not made.
        OutputError : the store cannot be written.
        """
        if long_side_px not in PICTURE_SIDES_PX:
            sizes = ", ".join(map(str, PICTURE_SIDES_PX))
            raise ArrivalError(f"Pictures with a long side of {long_side_px} px are not made; ask for one of {sizes}.")
        place = self._path(sha256, f"{long_side_px}.jpg")
        if place.exists():
            return place.read_bytes()
        photo = self.photo_path(sha256)
        if photo is None:
            return None
        picture = _as_jpeg(open_photo(photo).bgr, long_side_px)
        write_bytes(place, picture)
        return picture

    def crop(self, sha256: str, box_px: Box, long_side_px: int) -> bytes:
        """JPEG of a part of a photo, as sharp as the photo has it; not kept.

        Parameters
        ----------
        box_px : the part; what of it lies outside the photo is left out.
        long_side_px : at most; a smaller part is not made larger.

        Raises
        ------
        ArrivalError : the photo is not kept here, or the part lies outside it.
        """
        photo = self.photo_path(sha256)
        if photo is None:
            raise ArrivalError(f"The photo {sha256[:12]} is not in the store; hand it in again.")
        data = photo.read_bytes()
        left, top, right, bottom = _inside(box_px, _upright_size(data, photo.name))
        if left >= right or top >= bottom:
            raise ArrivalError(f"The part {box_px} lies outside the photo {sha256[:12]}; choose one inside it.")
        long_side_px = max(long_side_px, 1)
        factor = _factor(max(right - left, bottom - top), long_side_px)
        whole = _upright(data, factor, photo.name)
        part = whole[top // factor : -(-bottom // factor), left // factor : -(-right // factor)]
        return _as_jpeg(part, long_side_px)

    def _write_masks(self, sha256: str, masks: Mapping[str, bytes], model_sha256: str) -> None:
        """Masks with the note of whose they are, which is there only while all of them are."""
        note = self._path(sha256, _MODEL)
        remove_file(note)
        for kind, data in masks.items():
            write_bytes(self._path(sha256, f"{kind}.png"), data)
        if masks and model_sha256:
            write_bytes(note, model_sha256.encode("ascii"))

    def _mask(self, sha256: str, kind: str) -> NDArray[np.uint16] | None:
        try:
            data = self._path(sha256, f"{kind}.png").read_bytes()
        except FileNotFoundError:
            return None
        mask = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        return None if mask is None else mask.astype(np.uint16, copy=False)

    def _path(self, sha256: str, ending: str) -> Path:
        if not _SHA256.fullmatch(sha256):
            raise ArrivalError("A photo is asked for by the 64 hex digits of its SHA-256; this is none.")
        return self.folder / sha256[:2] / f"{sha256}.{ending}"


def store_beside(records_url: URL | str) -> PhotoStore:
    """The photo store of the records at this address.

    Raises
    ------
    RecordsError : the records have no place of their own.
    """
    return PhotoStore(place_beside(records_url, "photos"))


def _factor(wanted_px: int, long_side_px: int) -> int:
    """Full pixels per decoded pixel: as large as leaves the part its size."""
    return next((factor for factor in (8, 4, 2) if wanted_px >= factor * long_side_px), 1)


def _upright_size(data: bytes, name: str) -> tuple[int, int]:
    """Width and height of the upright photo in full pixels."""
    header, _ = open_picture(data, name)
    width, height = header.size
    return (height, width) if header.orientation >= 5 else (width, height)


def _inside(box_px: Box, size: tuple[int, int]) -> Box:
    (left, top, right, bottom), (width, height) = box_px, size
    return max(left, 0), max(top, 0), min(right, width), min(bottom, height)


def _upright(data: bytes, factor: int, name: str) -> NDArray[np.uint8]:
    header, decode = open_picture(data, name)
    try:
        return upright(to_srgb(decode(factor, []), header.profile, []), header.orientation)
    except Exception as error:  # whatever a damaged file makes a decoder raise
        raise damaged(name) from error


def _as_jpeg(bgr: NDArray[np.uint8], long_side_px: int) -> bytes:
    height, width = bgr.shape[:2]
    scale = long_side_px / max(height, width)
    if scale < 1:
        size = (max(round(width * scale), 1), max(round(height * scale), 1))
        bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, PICTURE_QUALITY])
    if not done:
        raise ValueError(f"a picture of shape {bgr.shape} cannot be written as JPEG")
    return data.tobytes()
