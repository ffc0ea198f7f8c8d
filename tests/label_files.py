"""Photos and files of labels of an invented season, drawn for the tests that read labels."""

from __future__ import annotations

import json
from copy import deepcopy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from scorer.labels.photos_there import PhotoThere, photos_in_folders
from tests.drawn_trays import write_drawing

SIZE = (200, 150)
WHO = "Finch"
WHEN = datetime(2026, 2, 14, 7, 30, tzinfo=UTC)
SQUARE = [10.0, 20.0, 30.0, 20.0, 30.0, 40.0, 10.0, 40.0]
"""Pixels 10 to 29 across and 20 to 39 down: 400 of them."""


def drawn_photos(folder: Path, count: int = 3) -> dict[str, PhotoThere]:
    """Photos tray_1.png, tray_2.png ... of SIZE, each of other bytes."""
    for number in range(1, count + 1):
        path = write_drawing(folder / f"tray_{number}.png", SIZE)
        path.write_bytes(path.read_bytes() + bytes([number]))
    return photos_in_folders([folder])


def coco(**more: Any) -> dict[str, Any]:
    """A document of two photos with one outline, on the first; `more` replaces its parts."""
    width, height = SIZE
    document = {
        "info": {"contributor": WHO, "date_created": "2026-02-14T07:30:00Z"},
        "images": [
            {"id": number, "file_name": f"tray_{number}.png", "width": width, "height": height} for number in (1, 2)
        ],
        "annotations": [annotation()],
        "categories": [{"id": 1, "name": "sap_burn"}, {"id": 2, "name": "fruit"}],
    }
    return deepcopy(document | more)


def annotation(segmentation: Any = (), **more: Any) -> dict[str, Any]:
    """An outline of sap burn on the first photo; the square where none is given."""
    drawn = [SQUARE] if segmentation == () else segmentation
    return {"id": 7, "image_id": 1, "category_id": 1, "segmentation": drawn, "iscrowd": 0} | more


def write_json(path: Path, document: Any) -> Path:
    path.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
    return path
