"""The skin of a site's fruit: measured from photos whose skin is known, and trays drawn with it."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab

from scorer.kinds import load_model
from scorer.simulate import MARK_KINDS, TraySettings
from scorer.simulate.tray_set import simulate_trays
from scorer.training.drawn_trays import draw_trays
from scorer.training.labelled import LabelledTray, read_labelled
from scorer.training.measured import MeasuredTrays, measure_trays
from scorer.training.site_look import SKIN_COLUMNS, skin_between

CLEAN = dict.fromkeys(MARK_KINDS, 0.0)
OCHRE = ((170.0, 110.0, 60.0), (182.0, 124.0, 70.0))
SMALL = TraySettings(image_size=(1200, 900), fruit=5, habits=CLEAN, lookalikes=0.0, look="turning", skin=OCHRE)


def fruit_of(colours: list[tuple[float, float, float]]) -> pd.DataFrame:
    return pd.DataFrame(colours, columns=list(SKIN_COLUMNS), dtype=float)


def lab(rgb: tuple[float, float, float]) -> np.ndarray:
    """CIELAB of an 8-bit sRGB colour, by scikit-image."""
    return np.asarray(rgb2lab(np.array(rgb) / 255))


@pytest.fixture(scope="module")
def ochre(tmp_path_factory: pytest.TempPathFactory) -> MeasuredTrays:
    photos = simulate_trays(tmp_path_factory.mktemp("ochre"), trays=3, seed=9, jobs=1, settings=SMALL)
    return measure_trays([partial(read_labelled, photo) for photo in photos], [load_model().discriminant])[0]


def test_the_measured_skin_is_about_that_which_was_drawn(ochre: MeasuredTrays) -> None:
    # each tray's skins are drawn within 15 % and 9 levels of what was asked for, and lie in uneven light: a colour is
    # told to within 12 CIEDE2000, while ochre and the green of unripe mangoes are over 25 apart
    found = skin_between(ochre.fruit)
    assert found is not None
    for measured in found:
        assert min(deltaE_ciede2000(lab(measured), lab(asked)) for asked in OCHRE) < 12
    assert deltaE_ciede2000(lab(OCHRE[0]), lab((110, 135, 65))) > 25


def test_a_photo_without_a_card_tells_no_colour(tmp_path: Path) -> None:
    (photo,) = simulate_trays(
        tmp_path, trays=1, seed=9, jobs=1, settings=TraySettings(image_size=(1200, 900), fruit=3, card=False)
    )
    (measured,) = measure_trays([partial(read_labelled, photo)], [load_model().discriminant])
    assert len(measured.fruit)
    assert measured.fruit[list(SKIN_COLUMNS)].isna().all(axis=None)
    assert skin_between(measured.fruit) is None


def test_a_photo_without_fruit_tells_no_colour(tmp_path: Path) -> None:
    photo = tmp_path / "plain.png"
    cv2.imwrite(str(photo), np.full((900, 1200, 3), (90, 120, 160), np.uint8))
    empty = LabelledTray(photo, None, np.zeros((900, 1200), np.uint16), {})
    (measured,) = measure_trays([lambda: empty], [load_model().discriminant])
    assert measured.fruit.empty
    assert skin_between(measured.fruit) is None


COLOURS = st.lists(st.tuples(*[st.floats(0, 255)] * 3), min_size=1, max_size=30)


@given(COLOURS, st.randoms(use_true_random=False))
def test_the_order_of_fruit_does_not_matter_and_colours_stay_among_those_seen(
    colours: list[tuple[float, float, float]], lot: object
) -> None:
    found = skin_between(fruit_of(colours))
    shuffled = list(colours)
    lot.shuffle(shuffled)  # type: ignore[attr-defined]
    assert skin_between(fruit_of(shuffled)) == found is not None
    for each in np.array(found):
        assert (each >= np.floor(np.min(colours, axis=0))).all()
        assert (each <= np.ceil(np.max(colours, axis=0))).all()


def test_green_and_blushed_fruit_give_a_green_and_a_red_skin() -> None:
    green, red = (110.0, 140.0, 60.0), (180.0, 70.0, 50.0)
    spread = np.linspace(-4, 4, 9)
    colours = [tuple(np.array(each) + step) for each in (green, red) for step in spread]
    found = skin_between(fruit_of(colours))
    assert found is not None
    first, second = sorted(found)
    assert np.abs(np.array(first) - green).max() <= 4
    assert np.abs(np.array(second) - red).max() <= 4


def test_the_same_seed_draws_the_same_trays_to_learn_from() -> None:
    discriminant = load_model().discriminant
    drawn = [draw_trays(OCHRE, discriminant, trays=1, seed=2) for _ in range(2)]
    pd.testing.assert_frame_equal(drawn[0].proposals, drawn[1].proposals)
    assert len(drawn[0].fruit)
    assert drawn[0].fruit["whole"].all()
