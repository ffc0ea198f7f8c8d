"""Other models than the shipped one, made of it at little cost: the same trees, but the detector sees more or less."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import skops.io

from scorer.kinds import CARD_FILE, DETECTOR_FILE, TRUSTED_TYPES
from scorer.resources import models_folder


def write_other_model(folder: Path, *, shift: float) -> Path:
    """A model whose detector takes skin for clean the sooner, the larger ``shift``; 0 is as good as the shipped one."""
    shutil.copytree(models_folder() / "marks", folder)
    detector = skops.io.load(folder / DETECTOR_FILE, trusted=sorted(TRUSTED_TYPES))
    detector.intercept_[0] += shift
    put_file(folder, DETECTOR_FILE, skops.io.dumps(detector))
    return folder


def put_file(folder: Path, name: str, content: bytes) -> None:
    """Put a file into a model's folder together with its hash on the card, as somebody with bad intent would."""
    (folder / name).write_bytes(content)
    change_card(folder, files={name: hashlib.sha256(content).hexdigest()})


def change_card(folder: Path, **values: object) -> None:
    """Write values into a model's card; of an object, only the entries given."""
    path = folder / CARD_FILE
    card = json.loads(path.read_text(encoding="utf-8"))
    for name, value in values.items():
        card[name] = {**card.get(name, {}), **value} if isinstance(value, dict) else value
    path.write_text(json.dumps(card), encoding="utf-8")
