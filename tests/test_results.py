"""Results are whole files whose names never stand for a part of them."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.errors import OutputError
from scorer.results import (
    LONGEST_STEM_BYTES,
    mask_files,
    picture_file,
    prepare_results,
    remove_unfinished,
    result_stems,
    write_whole,
)
from scorer.score_tables import TrayScore, photo_table
from tests.drawn_trays import draw_tray, score_drawing


def test_unique_stems_are_kept() -> None:
    assert result_stems(["a/tray_1.jpg", "tray_2.heic"]) == {
        "a/tray_1.jpg": "tray_1",
        "tray_2.heic": "tray_2",
    }


def test_clashing_stems_are_named_by_folder_then_by_ending() -> None:
    photos = ["tray_1.jpg", "sub/tray_1.jpg", "sub/tray_1.heic", "sub/Tray_2.png", "tray_2.png"]
    assert result_stems(photos) == {
        "tray_1.jpg": "tray_1",
        "sub/tray_1.jpg": "sub__tray_1__jpg",
        "sub/tray_1.heic": "sub__tray_1__heic",
        "sub/Tray_2.png": "sub__Tray_2",
        "tray_2.png": "tray_2",
    }


@given(st.sets(st.from_regex(r"([abA]|a__b/){0,3}[abA_]{1,6}\.(jpg|JPG|png)", fullmatch=True), max_size=12))
def test_no_two_photos_ever_share_a_stem(photos: set[str]) -> None:
    stems = result_stems(sorted(photos))
    assert len({stem.casefold() for stem in stems.values()}) == len(photos)
    assert not any("/" in stem for stem in stems.values())


def test_long_folders_still_give_file_names() -> None:
    deep = "/".join(["\u0906\u092e" * 20] * 6)
    stems = result_stems([f"{deep}/tray.jpg", f"{deep}x/tray.jpg"])
    assert all(len(stem.encode()) <= LONGEST_STEM_BYTES for stem in stems.values())
    assert len(set(stems.values())) == 2


def test_masks_come_back_number_for_number(tmp_path: Path) -> None:
    score = score_drawing()
    marks = score.mark_mask.copy()
    marks[0, 0] = 65535
    prepare_results(tmp_path, masks=True, pictures=False)
    for name, data in mask_files("tray_1", replace(score, mark_mask=marks)).items():
        write_whole(tmp_path / name, data)
    for kind, mask in (("fruit", score.fruit_mask), ("marks", marks)):
        back = cv2.imread(str(tmp_path / "masks" / f"tray_1.{kind}.png"), cv2.IMREAD_UNCHANGED)
        assert back.dtype == np.uint16
        assert np.array_equal(back, mask)


def test_a_picture_is_written_as_jpeg(tmp_path: Path) -> None:
    photo, _, _ = draw_tray()
    prepare_results(tmp_path, masks=False, pictures=True)
    ((name, data),) = picture_file("tray_1", photo).items()
    write_whole(tmp_path / name, data)
    back = cv2.imread(str(tmp_path / "pictures" / "tray_1.jpg"))
    assert np.abs(back.astype(int) - photo).mean() < 2


def test_a_file_is_replaced_whole_and_nothing_is_left_beside_it(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.csv", b"old")
    write_whole(tmp_path / "a.csv", b"new", to_disk=True)
    assert (tmp_path / "a.csv").read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


FILL = """
import resource, signal, sys
from pathlib import Path
from scorer.errors import OutputError
from scorer.results import write_whole
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
try:
    write_whole(Path(sys.argv[1]), bytes(50_000))
except OutputError as error:
    print(error)
"""


def test_a_disk_that_takes_no_more_leaves_the_old_file(tmp_path: Path) -> None:
    """The kernel's limit on file size stands in for a full disk: write() fails midway just so, with EFBIG."""
    path = tmp_path / "photos.csv"
    path.write_bytes(b"old")
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    run = subprocess.run([sys.executable, "-c", FILL, str(path)], capture_output=True, text=True, check=True)
    assert f"photos.csv cannot be written ({os.strerror(errno.EFBIG)})" in run.stdout
    assert len(run.stdout.splitlines()) == 1
    assert path.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["photos.csv"]


def test_a_folder_that_is_gone_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    for folder in ("gone", "file"):
        with pytest.raises(OutputError, match="cannot be written"):
            write_whole(tmp_path / folder / "photos.csv", b"x")


def test_unfinished_files_of_a_broken_run_are_cleared_and_others_stay(tmp_path: Path) -> None:
    prepare_results(tmp_path, masks=True, pictures=True)
    (tmp_path / "masks" / ".tray_1.fruit.png.99.unfinished").write_bytes(b"half")
    (tmp_path / "notes.txt").write_text("mine")
    remove_unfinished(tmp_path)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["masks", "notes.txt", "pictures"]


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("not a folder")
    with pytest.raises(OutputError, match="results cannot be made"):
        prepare_results(tmp_path / "results", masks=True, pictures=False)


def test_scores_check_their_tables_and_masks() -> None:
    score = score_drawing()
    with pytest.raises(ValueError, match="fruit must have the columns"):
        TrayScore(score.photo, score.marks, score.marks, score.fruit_mask, score.mark_mask)
    with pytest.raises(ValueError, match="uint16"):
        TrayScore(score.photo, score.fruit, score.marks, score.fruit_mask.astype(np.int32), score.mark_mask)
    with pytest.raises(ValueError, match="shape"):
        TrayScore(score.photo, score.fruit, score.marks, score.fruit_mask, score.mark_mask[1:])
    with pytest.raises(ValueError, match="each number once"):
        TrayScore(score.photo, score.fruit, score.marks.assign(mark=1), score.fruit_mask, score.mark_mask)
    with pytest.raises(ValueError, match="one row"):
        TrayScore(photo_table([]), score.fruit, score.marks, score.fruit_mask, score.mark_mask)
    with pytest.raises(ValueError, match="unknown columns"):
        photo_table([{"weight": 3}])
