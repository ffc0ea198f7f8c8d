"""The finished tray, its truth as a plain dictionary, and how both are written to files."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from scorer.camera import Camera
from scorer.simulate.scene import FlatThing, Scene
from scorer.simulate.solids import LaidFruit

Floats = NDArray[np.floating[Any]]

UInt8 = NDArray[np.uint8]
UInt16 = NDArray[np.uint16]

_ORIENTATION, _DATE_TIME, _EXIF_BLOCK, _DATE_TIME_ORIGINAL, _FOCAL_35MM = (
    0x0112,
    0x0132,
    0x8769,
    0x9003,
    0xA405,
)
# How the upright picture is turned to become the stored one, for each EXIF orientation that phones write.
_STORED_TURN = {1: None, 3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}


@dataclass(frozen=True)
class PhotoFile:
    """What the photo's file tells: focal length (None: not told), clock, orientation, JPEG quality."""

    focal_35mm: int | None
    taken_at: datetime
    orientation: int
    jpeg_quality: int


@dataclass(frozen=True)
class SimulatedTray:
    """One drawn tray photo and everything that is true about it.

    Attributes
    ----------
    bgr : (H, W, 3) uint8, the upright photo before JPEG.
    fruit_mask : (H, W) uint16, 0 for none, else the fruit's number.
    mark_mask : (H, W) uint16, 0 for none, else the mark's id.
    truth : keys as written to the truth file, plain Python values.
    exif : what the photo's file will tell.
    """

    bgr: UInt8
    fruit_mask: UInt16
    mark_mask: UInt16
    truth: dict[str, Any]
    exif: PhotoFile


def draw_photo_file(rng: np.random.Generator, focal_35mm: float, taken_at: datetime, tells_focal: bool) -> PhotoFile:
    """Draw how the photo is stored."""
    return PhotoFile(
        round(focal_35mm) if tells_focal else None,
        taken_at,
        int(rng.choice([1, 3, 6, 8], p=[0.5, 0.1, 0.3, 0.1])),
        int(rng.integers(80, 96)),
    )


def seen_area_mm2(number: int, fruit: LaidFruit, camera: Camera, fruit_mask: UInt16) -> float:
    """Return the true skin area that the camera sees: facets turned to it and not behind another fruit."""
    centres, vectors = fruit.shape.facets()
    eye = fruit.to_fruit(camera.origin_mm[None])[0]
    towards = np.sum(vectors * (eye - centres), axis=1) > 0
    area = np.linalg.norm(vectors[towards], axis=1)
    pixel = np.round(camera.project(fruit.to_world(centres[towards]))).astype(int)
    height, width = fruit_mask.shape
    inside = (pixel[:, 0] >= 0) & (pixel[:, 0] < width) & (pixel[:, 1] >= 0) & (pixel[:, 1] < height)
    label = fruit_mask[np.clip(pixel[:, 1], 0, height - 1), np.clip(pixel[:, 0], 0, width - 1)]
    # At the fruit's own outline the pixel may already be floor; only another fruit hides a facet.
    return float(np.sum(area, where=inside & ((label == number) | (label == 0))))


def _rounded(values: Floats, digits: int = 3) -> Any:
    return np.round(np.asarray(values, float), digits).tolist()


def _flat_truth(thing: FlatThing | None) -> dict[str, Any] | None:
    if thing is None:
        return None
    return {"center": _rounded(thing.centre_mm), "angle_deg": round(thing.angle_deg % 360, 4)}


def scene_truth(scene: Scene) -> dict[str, Any]:
    """Return the part of the truth that camera, card and tag make up."""
    camera = scene.camera
    return {
        "f35": scene.focal_35mm,
        "focal_px": round(camera.focal_px, 4),
        "tilt_deg": round(camera.tilt_deg, 4),
        "camera_height_mm": round(camera.height_mm, 3),
        "camera_origin": _rounded(camera.origin_mm),
        "world_to_camera": _rounded(camera.rotation, 9),
        "card": _flat_truth(scene.card),
        "image_size": list(scene.size_px),
    }


def write_tray(tray: SimulatedTray, folder: Path, stem: str) -> None:
    """Write the photo and its truth.

    Parameters
    ----------
    tray : what is written.
    folder : gets ``photos/<stem>.jpg`` and ``truth/<stem>.json``, ``.fruit.png`` and ``.marks.png``
        (16 bits per pixel, on the upright grid).
    stem : name of the tray without ending.
    """
    photos, truths = folder / "photos", folder / "truth"
    for each in (photos, truths):
        each.mkdir(parents=True, exist_ok=True)
    turn = _STORED_TURN[tray.exif.orientation]
    stored = tray.bgr if turn is None else cv2.rotate(tray.bgr, turn)
    exif = Image.Exif()
    clock = tray.exif.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    exif[_ORIENTATION], exif[_DATE_TIME] = tray.exif.orientation, clock
    block: dict[int, Any] = {_DATE_TIME_ORIGINAL: clock}
    if tray.exif.focal_35mm is not None:
        block[_FOCAL_35MM] = tray.exif.focal_35mm
    exif[_EXIF_BLOCK] = block
    Image.fromarray(np.ascontiguousarray(stored[..., ::-1])).save(
        photos / f"{stem}.jpg", quality=tray.exif.jpeg_quality, exif=exif
    )
    (truths / f"{stem}.json").write_text(json.dumps(tray.truth, indent=1), encoding="utf-8")
    for name, mask in (("fruit", tray.fruit_mask), ("marks", tray.mark_mask)):
        coded = cv2.imencode(".png", mask)[1]
        (truths / f"{stem}.{name}.png").write_bytes(coded.tobytes())
