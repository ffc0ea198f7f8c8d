"""Tray scores drawn by hand, so that what is in them is known: photos, masks and tables that fit together."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.errors import OutputError
from scorer.photo import open_photo
from scorer.score_tables import KINDS, MARK_COLUMNS, SETTLED, UNSURE, TrayScore, fruit_table, photo_table
from scorer.tag import Tag
from scorer.verdict import OVER, WITHIN

SIZE = (1000, 750)
Mask = NDArray[np.uint16]


def draw_tray(size: tuple[int, int] = SIZE) -> tuple[NDArray[np.uint8], Mask, Mask]:
    """BGR photo of six plain fruit with one mark of each kind, and its two masks."""
    width, height = size
    unit = width / SIZE[0]
    photo = np.full((height, width, 3), (196, 205, 208), np.uint8)
    fruit_mask, mark_mask = (np.zeros((height, width), np.uint16) for _ in range(2))
    for place in range(6):
        x, y = 180 + 320 * (place % 3), 210 + 330 * (place // 3)
        skin = (60, 140 + 8 * place, 120 + 12 * place)
        fruit = _scaled((x, y), unit), _scaled((125, 92), unit), 25 * place
        mark = _scaled((x + 20, y + 10), unit), _scaled((12 + 6 * place, 5 + 3 * place), unit), 40 * place
        for (centre, axes, turn), mask, colour in (
            (fruit, fruit_mask, skin),
            (mark, mark_mask, (40, 60, 80)),
        ):
            cv2.ellipse(mask, centre, axes, turn, 0, 360, place + 1, cv2.FILLED)
            cv2.ellipse(photo, centre, axes, turn, 0, 360, colour, cv2.FILLED)
    return photo, fruit_mask, mark_mask


def _scaled(pair: tuple[float, float], unit: float) -> tuple[int, int]:
    return round(pair[0] * unit), round(pair[1] * unit)


def score_drawing(name: str = "tray_1.jpg", size: tuple[int, int] = SIZE, tag: Tag | None = None) -> TrayScore:
    """Score that fits `draw_tray`: six fruit with one mark each, the last two over the limit."""
    _, fruit_mask, mark_mask = draw_tray(size)
    tag = tag or Tag(crew="Heron", bin="H-01")
    photo = {
        "photo": name,
        "sha256": hashlib.sha256(name.encode()).hexdigest(),
        "crew": tag.crew,
        "bin": tag.bin,
        "picked_at": tag.picked_at,
        "method": tag.method,
        "side": tag.side,
        "tray": tag.tray,
        "block": tag.block,
        "cultivar": tag.cultivar,
        "verdict": "good",
        "reasons": "",
        "fruit": 6,
        "seconds": 0.5,
        "hours_since_picking": 50.0,
        "hold": SETTLED,
    }
    fruit = [
        {
            "photo": name,
            "crew": tag.crew,
            "bin": tag.bin,
            "fruit": number,
            "length_mm": 105.256,
            "width_mm": 77.5,
            "brown_fraction": 0.012345678,
            "marks": 1,
            "class": "I",
            "downgraded": number > 4,
            "verdict": OVER if number > 4 else WITHIN,
        }
        for number in range(1, 7)
    ]
    marks = [
        {"photo": name, "fruit": n, "mark": n, "kind": kind, "probability": 0.9, "area_mm2": 20.0 * n}
        for n, kind in enumerate((*KINDS, UNSURE), start=1)
    ]
    table = pd.DataFrame(marks).reindex(columns=list(MARK_COLUMNS)).assign(solidity=0.123456789)
    return TrayScore(photo_table([photo]), fruit_table(fruit), table, fruit_mask, mark_mask)


def write_drawing(path: Path, size: tuple[int, int] = SIZE) -> Path:
    """Save the drawn photo as a file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    done, data = cv2.imencode(path.suffix, draw_tray(size)[0])
    assert done
    path.write_bytes(data.tobytes())
    return path


def score_by_hand(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
    """Open the photo for real, so that its refusals are real, and give the score that was drawn."""
    photo = open_photo(source, name=name)
    score = score_drawing(name, photo.full_size, tag)
    return replace(score, photo=score.photo.assign(sha256=photo.sha256))


def score_with_accidents(path: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
    """Meet with an accident on photos named for one."""
    if "fault" in name:
        raise ZeroDivisionError("division by zero")
    if "death" in name:
        os._exit(7)
    if "disk" in name:
        raise OutputError("The disk is full; make room.")
    return score_by_hand(path, name, tag)
