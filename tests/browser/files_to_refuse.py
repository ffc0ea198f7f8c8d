"""Files that are no honest photos, and honest ones under names that are none, made from nothing or from a sample."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from pathlib import Path

import cv2
import numpy as np
import zxingcpp
from PIL import Image, ImageDraw


def small_jpeg(grey: int = 127) -> bytes:
    """A JPEG that opens and is too small to be scored, so that a word on it comes at once."""
    done, data = cv2.imencode(".jpg", np.full((48, 64, 3), grey, np.uint8))
    assert done
    return data.tobytes()


def picture_bomb(width: int = 60_000, height: int = 60_000) -> bytes:
    """A PNG of a few bytes whose header promises 10 GB of pixels; chunks by W3C PNG, 5.3 and 11.2."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = ((b"IHDR", header), (b"IDAT", zlib.compress(bytes(1000))), (b"IEND", b""))
    chunks = (
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in parts
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def climbing_zip() -> bytes:
    """A zip whose entries would climb out of any folder, one of them a photo."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("../../climbed.jpg", small_jpeg(6))
        archive.writestr("../../../climbed.sh", "rm -r /")
    return whole.getvalue()


def without_tag(photo: Path) -> bytes:
    """A sample photo whose tag is painted over, with all else that it tells of itself."""
    with Image.open(photo) as picture:
        exif = picture.getexif()
        picture.load()
    (code,) = zxingcpp.read_barcodes(np.asarray(picture))
    corners = code.position
    points = (corners.top_left, corners.top_right, corners.bottom_right, corners.bottom_left)
    ImageDraw.Draw(picture).polygon([(corner.x, corner.y) for corner in points], fill=(128, 128, 128))
    whole = io.BytesIO()
    picture.save(whole, "JPEG", quality=92, exif=exif)
    return whole.getvalue()
