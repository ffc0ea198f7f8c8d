"""Colour formulas against published values and a second library."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import rgb2lab

from scorer.colour import (
    delta_e00,
    lab_to_linear_rgb,
    linear_bgr_to_lab,
    linear_rgb_to_lab,
    linear_to_srgb,
    srgb_to_linear,
)

SHARMA = np.loadtxt(Path(__file__).parent / "published" / "ciede2000_sharma_2005.csv", delimiter=",")


def test_the_published_table_is_whole():
    assert SHARMA.shape == (34, 7)


@pytest.mark.parametrize("pair", SHARMA, ids=lambda p: f"{p[0]:g},{p[1]:g},{p[2]:g}")
def test_colour_difference_matches_sharma_2005(pair):
    assert delta_e00(pair[:3], pair[3:6]) == pytest.approx(pair[6], abs=5e-5)
    assert delta_e00(pair[3:6], pair[:3]) == pytest.approx(pair[6], abs=5e-5)


# IEC 61966-2-1 transfer function, five 8-bit values, six decimals
@pytest.mark.parametrize(
    ("value", "linear"), [(10, 0.003035), (11, 0.003347), (64, 0.051269), (128, 0.215861), (192, 0.527115)]
)
def test_srgb_to_linear_follows_iec_61966(value, linear):
    assert srgb_to_linear(value / 255) == pytest.approx(linear, abs=5e-7)


# CIELAB under D65 of sRGB primaries (IEC 61966-2-1 primaries, CIE 15 formulas); tolerance 0.01
@pytest.mark.parametrize(
    ("srgb", "lab"),
    [
        ((255, 0, 0), (53.2408, 80.0925, 67.2032)),
        ((0, 255, 0), (87.7347, -86.1827, 83.1793)),
        ((0, 0, 255), (32.2970, 79.1875, -107.8602)),
        ((255, 255, 0), (97.1393, -21.5537, 94.4780)),
        ((128, 128, 128), (53.585, 0, 0)),
    ],
)
def test_cielab_of_srgb_primaries(srgb, lab):
    assert linear_rgb_to_lab(srgb_to_linear(np.array(srgb) / 255)) == pytest.approx(np.array(lab), abs=0.01)


@given(st.lists(st.floats(0, 1), min_size=3, max_size=3))
def test_linear_light_and_back(srgb):
    assert linear_to_srgb(srgb_to_linear(srgb)) == pytest.approx(np.array(srgb), abs=1e-6)


@given(st.lists(st.floats(0.01, 0.99), min_size=3, max_size=3))
def test_lab_and_back(linear):
    assert lab_to_linear_rgb(linear_rgb_to_lab(linear)) == pytest.approx(np.array(linear), abs=2e-3)


def test_picture_and_row_formulas_agree_with_scikit_image():
    rng = np.random.default_rng(3)
    bgr = rng.integers(0, 256, (20, 30, 3), dtype=np.uint8)
    linear = srgb_to_linear(bgr / 255).astype(np.float32)
    reference = rgb2lab(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB))
    assert np.abs(linear_bgr_to_lab(linear) - reference).max() < 0.15
    assert np.abs(linear_rgb_to_lab(linear[..., ::-1]) - reference).max() < 0.01
