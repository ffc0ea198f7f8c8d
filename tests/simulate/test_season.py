"""The invented season: its plan, and that the sample photos are what the seed gives."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pytest

from scorer.manifest import read_manifest, read_tag_list
from scorer.photo import open_photo
from scorer.simulate.season import CREWS, season, write_season
from scorer.simulate.settings import MARK_KINDS
from scorer.tag import read_tag

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
LARGEST_BYTES = 25_000_000  # what the project allows its samples


def test_the_plan_has_crews_of_different_habits_and_both_sides_of_two_bins() -> None:
    visits = season()
    assert len({visit.stem for visit in visits}) == len(visits) >= 12
    assert len({visit.crew.name for visit in visits}) >= 4
    assert len({max(crew.habits, key=crew.habits.__getitem__) for crew in CREWS}) >= 4
    assert set(MARK_KINDS) == {kind for crew in CREWS for kind in crew.habits}
    sides = Counter(visit.bin for visit in visits)
    assert sorted(sides.values())[-2:] == [2, 2]
    days = {visit.picked_at.date() for visit in visits}
    assert 0 < (max(days) - min(days)).days < 7


def test_the_samples_are_all_there_and_small() -> None:
    photos = {path.name for path in SAMPLES.glob("*.jpg")}
    assert photos == {f"{visit.stem}.jpg" for visit in season()}
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*")) <= LARGEST_BYTES
    assert read_manifest(SAMPLES / "manifest.csv") == {f"{visit.stem}.jpg": visit.tag for visit in season()}
    assert read_tag_list(SAMPLES / "tags.csv") == [visit.tag for visit in season()]


@pytest.mark.parametrize("visit", season(), ids=lambda visit: visit.stem)
def test_every_sample_shows_its_tag_and_tells_when_it_was_taken(visit) -> None:
    photo = open_photo(SAMPLES / f"{visit.stem}.jpg")
    assert photo.full_size == visit.size_px
    assert photo.taken_at == visit.settings.taken_at
    assert photo.focal_35mm == visit.settings.focal_35mm
    assert read_tag(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY)) == visit.tag


def test_the_seed_gives_the_first_samples(tmp_path: Path) -> None:
    told: list[Path] = []
    visits = season()[:2]
    write_season(tmp_path / "new", visits=visits, truth_folder=tmp_path / "truth", on_done=told.append)
    assert [path.name for path in told] == [f"{visit.stem}.jpg" for visit in visits]
    for path in told:
        new, kept = open_photo(path).bgr.astype(int), open_photo(SAMPLES / path.name).bgr
        assert np.abs(new - kept).mean() < 3, "rebuild the samples: scorer rebuild samples"
    assert len(read_manifest(tmp_path / "new" / "manifest.csv")) == 2
    assert len(list((tmp_path / "truth").iterdir())) == 3 * 2
