"""Pictures show every fruit and mark, and each kind can be told by line, letter and colour."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from scorer.drawing import STYLES, draw_score
from scorer.score_tables import KINDS, UNSURE, TrayScore, empty_fruit, empty_marks
from tests.drawn_trays import draw_tray, score_drawing


def test_every_kind_has_its_own_letter_and_line() -> None:
    assert set(STYLES) == {*KINDS, UNSURE}
    for one, other in itertools.combinations(STYLES.values(), 2):
        assert one.letter != other.letter
        assert one.dashes != other.dashes
        assert one.bgr != other.bgr


# Okabe & Ito (2008), "Color Universal Design", the table of eight colours as R, G, B.
OKABE_ITO = {
    "vermillion": (213, 94, 0),
    "blue": (0, 114, 178),
    "reddish purple": (204, 121, 167),
    "yellow": (240, 228, 66),
    "sky blue": (86, 180, 233),
}


def test_colours_are_those_published_for_any_colour_vision() -> None:
    used = {style.bgr[::-1] for style in STYLES.values()} - {(255, 255, 255)}
    assert used == set(OKABE_ITO.values())


@pytest.mark.parametrize("size", [(1000, 750), (2000, 1500), (750, 1000)])
def test_the_photo_stays_in_place_and_is_not_changed(size: tuple[int, int]) -> None:
    photo, fruit_mask, mark_mask = draw_tray(size)
    before = photo.copy()
    score = score_drawing(size=size)
    picture = draw_score(photo, score)
    assert np.array_equal(photo, before)
    assert picture.dtype == np.uint8
    assert picture.shape[0] > photo.shape[0], "the legend stands under it"
    assert picture.shape[1] == photo.shape[1]
    drawn = (picture[: size[1]] != photo).any(axis=2)
    assert 0.005 < drawn.mean() < 0.2
    inside = cv2.erode((mark_mask > 0).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    assert (drawn & inside).sum() < 0.02 * inside.sum(), "the marks themselves can be seen"
    rim = fruit_mask.astype(np.uint8) - cv2.erode(fruit_mask.astype(np.uint8), np.ones((3, 3), np.uint8))
    for number in range(1, 7):
        assert drawn[(fruit_mask == number) & (rim > 0)].mean() > 0.9


def test_lines_grow_with_the_photo() -> None:
    """The picture of a photo of twice the size, halved, is the picture of the photo."""
    small = draw_score(draw_tray((1000, 750))[0], score_drawing(size=(1000, 750)))
    large = draw_score(draw_tray((2000, 1500))[0], score_drawing(size=(2000, 1500)))
    halved = cv2.resize(large, (1000, large.shape[0] // 2), interpolation=cv2.INTER_AREA)
    rows = min(len(small), len(halved))
    assert np.abs(small[:rows].astype(int) - halved[:rows]).mean() < 6


def test_masks_in_the_full_grid_fit_a_working_photo() -> None:
    photo, _, _ = draw_tray((1000, 750))
    by_full = draw_score(photo, score_drawing(size=(4000, 3000)))
    by_same = draw_score(photo, score_drawing(size=(1000, 750)))
    assert np.abs(by_full.astype(int) - by_same).mean() < 3


def test_a_tray_without_fruit_is_drawn_as_it_is() -> None:
    photo, fruit_mask, _ = draw_tray()
    nothing = np.zeros_like(fruit_mask)
    score = TrayScore(score_drawing().photo, empty_fruit(), empty_marks(), nothing, nothing)
    assert np.array_equal(draw_score(photo, score)[: len(photo)], photo)


def test_a_fruit_at_the_very_edge_keeps_its_number_in_the_picture() -> None:
    photo, fruit_mask, mark_mask = draw_tray()
    shifted = [np.roll(mask, (-118, -60), axis=(0, 1)) for mask in (fruit_mask, mark_mask)]
    score = score_drawing()
    picture = draw_score(photo, TrayScore(score.photo, score.fruit, score.marks, *shifted))
    assert (picture[:30, :30] == 255).all(axis=2).any()
