"""Sets of simulated trays: the same whatever the jobs, and gone on with where a run stopped."""

from __future__ import annotations

from pathlib import Path

from scorer.simulate import TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.labelled import labelled_photos, read_labelled

SMALL = TraySettings(image_size=(800, 600), fruit=3)


def test_trays_are_the_same_whatever_the_jobs_and_are_not_drawn_twice(tmp_path: Path) -> None:
    told: list[Path] = []
    one = simulate_trays(tmp_path / "one", trays=2, seed=4, jobs=1, settings=SMALL, on_done=told.append)
    two = simulate_trays(tmp_path / "two", trays=2, seed=4, jobs=2, settings=SMALL)
    assert told == one
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    assert labelled_photos(tmp_path / "one") == one
    assert all(read_labelled(path).fruit_mask.any() for path in one)
    first_drawn = one[0].stat().st_mtime_ns
    one[1].unlink()
    again = simulate_trays(tmp_path / "one", trays=3, seed=4, jobs=1, settings=SMALL)
    assert again[0].stat().st_mtime_ns == first_drawn
    assert again[1].read_bytes() == two[1].read_bytes()
    assert len(labelled_photos(tmp_path / "one")) == 3
    assert sorted(path.name for path in (tmp_path / "one").iterdir()) == ["photos", "truth"]


def test_trays_of_another_seed_are_drawn_anew(tmp_path: Path) -> None:
    (first,) = simulate_trays(tmp_path, trays=1, seed=4, jobs=1, settings=SMALL)
    before = first.read_bytes()
    (second,) = simulate_trays(tmp_path, trays=1, seed=5, jobs=1, settings=SMALL)
    assert second == first
    assert second.read_bytes() != before
