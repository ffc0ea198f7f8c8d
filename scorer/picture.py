"""What is done to a picture's pixels before anything is looked for in them: size, turn, colour space."""

from __future__ import annotations

import io
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

_SRGB_ENOUGH = 2  # levels of 255: profiles that differ less from sRGB are sRGB under another name
_GREY_ENOUGH = 2  # levels of 255 between the channels


def block_means(picture: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    """Mean of each factor x factor block; the last pixels are repeated to fill blocks at the edge."""
    if factor == 1:
        return picture
    height, width = picture.shape[:2]
    down, right = -height % factor, -width % factor
    if down or right:
        picture = cv2.copyMakeBorder(picture, 0, down, 0, right, cv2.BORDER_REPLICATE).astype(np.uint8, copy=False)
    size = (picture.shape[1] // factor, picture.shape[0] // factor)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False))


def upright(picture: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Undo the camera's turn. Orientation values: CIPA DC-008-2019 (EXIF 2.32), tag 274."""
    if orientation in (5, 6, 7, 8):
        picture = cv2.transpose(picture).astype(np.uint8, copy=False)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return picture if flip is None else cv2.flip(picture, flip).astype(np.uint8, copy=False)


def is_grey(bgr: NDArray[np.uint8]) -> bool:
    """Whether no pixel of a sample has any colour."""
    sample = bgr[::16, ::16].astype(np.int16)
    return int((sample.max(axis=2) - sample.min(axis=2)).max()) <= _GREY_ENOUGH


def to_srgb(bgr: NDArray[np.uint8], profile: bytes | None, doubts: list[str]) -> NDArray[np.uint8]:
    """Convert from the colour space of an embedded ICC profile; one that cannot be read adds a doubt."""
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
    return np.asarray(cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR).astype(np.uint8, copy=False))


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
