"""Simulate many trays into a folder, several at once, and go on where an earlier run stopped."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import joblib

from scorer.simulate.render import simulate_tray
from scorer.simulate.settings import TraySettings
from scorer.simulate.truth import write_tray


def simulate_trays(
    folder: Path,
    *,
    trays: int,
    seed: int,
    jobs: int,
    settings: TraySettings | None = None,
    on_done: Callable[[Path], None] = lambda photo: None,
) -> list[Path]:
    """Write trays ``0 .. trays - 1`` of a seed as ``photos`` beside ``truth``, and return their photos.

    A tray that is there already is kept, if it was drawn from the same seed; after a change of the simulator
    start with an empty folder.

    Parameters
    ----------
    folder : made if missing.
    trays, seed : tray ``i`` is drawn from the seeds ``seed, i``, so that more trays add to the same set.
    jobs : worker processes; they do not change what is drawn.
    settings : what is fixed about all trays; by default everything is drawn at random.
    on_done : told of each photo once it and its truth are there.
    """
    photos = [folder / "photos" / f"tray_{index:04d}.jpg" for index in range(trays)]
    missing = []
    for index, photo in enumerate(photos):
        if _is_there(folder, photo.stem, [seed, index]):
            on_done(photo)
        else:
            missing.append(index)
    work = (joblib.delayed(_write_one)(folder, photos[index].stem, [seed, index], settings) for index in missing)
    for stem in joblib.Parallel(n_jobs=jobs, return_as="generator_unordered")(work):
        on_done(folder / "photos" / f"{stem}.jpg")
    return photos


def _is_there(folder: Path, stem: str, seed: list[int]) -> bool:
    truth = folder / "truth" / f"{stem}.json"
    if not (folder / "photos" / f"{stem}.jpg").exists() or not truth.exists():
        return False
    return bool(json.loads(truth.read_text(encoding="utf-8"))["seed"] == seed)


def _write_one(folder: Path, stem: str, seed: list[int], settings: TraySettings | None) -> str:
    """Write a tray's files whole, the photo last, so that a photo always has its truth."""
    cv2.setNumThreads(1)
    for part in ("truth", "photos"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as unfinished:
        write_tray(simulate_tray(seed, settings), Path(unfinished), stem)
        for part in ("truth", "photos"):
            for path in sorted((Path(unfinished) / part).iterdir()):
                path.replace(folder / part / path.name)
    return stem
