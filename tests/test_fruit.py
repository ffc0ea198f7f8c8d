"""Fruit on drawn floors: told from the floor by colour, touching ones parted, look-alikes of their shape left out."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.fruit.part import part_fruit
from scorer.fruit.segment import segment_skin

MM_PER_PX = 0.9
SIZE = (420, 560)
# linear light, B, G, R; invented but ordinary colours
FLOORS = {
    "white": (0.75, 0.78, 0.78),
    "pale blue": (0.62, 0.50, 0.42),
    "dark grey": (0.05, 0.05, 0.05),
    "green liner": (0.08, 0.14, 0.04),
    "cardboard": (0.14, 0.26, 0.42),
}
SKINS = {
    "hard green": (0.05, 0.26, 0.17),
    "turning": (0.05, 0.33, 0.36),
    "orange": (0.05, 0.30, 0.55),
    "red": (0.05, 0.08, 0.34),
}


def ellipses(shapes):
    mask = np.zeros(SIZE, np.uint8)
    for x, y, a, b, angle in shapes:
        cv2.ellipse(mask, ((x, y), (2 * a, 2 * b), angle), 1, -1)
    return mask > 0


@pytest.mark.parametrize("floor", FLOORS)
@pytest.mark.parametrize("skin", SKINS)
def test_skin_is_told_from_any_floor(floor, skin):
    fruit = ellipses([(160, 140, 62, 42, 20), (380, 260, 58, 40, 100)])
    rng = np.random.default_rng(2)
    light = np.where(fruit[..., None], SKINS[skin], FLOORS[floor]).astype(np.float32)
    shade = np.linspace(0.55, 1.1, SIZE[1], dtype=np.float32)[None, :, None]
    light = light * shade * rng.normal(1, 0.03, (*SIZE, 3)).astype(np.float32)
    card = np.zeros(SIZE, bool)
    card[300:380, 60:170] = True
    ring = cv2.dilate(card.astype(np.uint8), np.ones((31, 31), np.uint8)) > 0
    border = np.ones(SIZE, bool)
    border[6:-6, 6:-6] = False
    found = segment_skin(light, card, ring & ~card, border) > 0
    overlap = (found & fruit).sum() / (found | fruit).sum()
    assert overlap > 0.95


def test_one_fruit_is_one_label():
    labels = part_fruit(ellipses([(200, 200, 70, 45, 30)]), MM_PER_PX)
    assert labels.max() == 1


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 180), st.floats(0, 180), st.floats(0, 360))
def test_touching_fruit_are_parted(angle_1, angle_2, direction_deg):
    """Two fruit that just touch, in any arrangement."""
    direction = np.radians(direction_deg)

    def reach(angle, a, b):
        turned = direction - np.radians(angle)
        return np.hypot(a * np.cos(turned), b * np.sin(turned))  # an ellipse's support function

    gap = reach(angle_1, 62, 42) + reach(angle_2, 55, 40)
    x, y = 280 - gap / 2 * np.cos(direction), 210 - gap / 2 * np.sin(direction)
    shapes = [(x, y, 62, 42, angle_1), (x + gap * np.cos(direction), y + gap * np.sin(direction), 55, 40, angle_2)]
    labels = part_fruit(ellipses(shapes), MM_PER_PX)
    assert labels.max() == 2
    for shape in shapes:
        own = ellipses([shape])
        best = max((labels == i)[own].sum() / ((labels == i) | own).sum() for i in (1, 2))
        assert best > 0.85


def test_a_row_of_five_is_five():
    shapes = [(60 + 108 * i, 200 + 6 * (i % 2), 56, 40, 0) for i in range(5)]
    assert part_fruit(ellipses(shapes), MM_PER_PX).max() == 5


def test_holes_of_highlights_and_marks_are_filled():
    fruit = ellipses([(200, 200, 70, 45, 30)])
    holed = fruit & ~ellipses([(190, 195, 14, 8, 0), (230, 215, 9, 9, 0)])
    assert (part_fruit(holed, MM_PER_PX) > 0)[fruit].mean() > 0.99


@pytest.mark.parametrize(
    "shape",
    [np.s_[20:60, 10:550], np.s_[100:112, 100:112], np.s_[20:410, 20:540]],
    ids=["a tray's wall", "a leaf", "a table"],
)
def test_other_shapes_are_no_fruit(shape):
    mask = np.zeros(SIZE, bool)
    mask[shape] = True
    assert part_fruit(mask, MM_PER_PX).max() == 0


def test_a_skin_coloured_rim_does_not_swallow_the_tray():
    rim = np.zeros(SIZE, bool)
    rim[10:-10, 10:-10] = True
    rim[24:-24, 24:-24] = False
    labels = part_fruit(rim | ellipses([(200, 200, 62, 42, 30)]), MM_PER_PX)
    assert labels.max() == 1
    assert (labels > 0).sum() == pytest.approx(np.pi * 62 * 42, rel=0.05)
