"""Measures of marks against scikit-image's regionprops and against shapes whose formulas are known."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import regionprops

from scorer.fruit.skin import SkinMap
from scorer.marks.contrast import CONTRASTS
from scorer.marks.measure import MEASURES, measure_marks

MM_PER_PX = 0.5
SIZE = (160, 200)


def flat_skin(mm_per_px=MM_PER_PX, size=SIZE):
    """Skin that lies flat under the camera, its stem end far to the right."""
    y, x = np.mgrid[0 : size[0], 0 : size[1]].astype(np.float32) * np.float32(mm_per_px)
    point = np.dstack([x, -y, np.zeros_like(x)])
    return SkinMap(
        area_mm2=np.full(size, mm_per_px**2, np.float32),
        facing=np.ones(size, np.float32),
        point_mm=point,
        half_length_mm=200.0,
        mm_per_px=mm_per_px,
        visible_area_mm2=float(size[0] * size[1] * mm_per_px**2),
    )


def measured(labels, lightness=None):
    contrasts = np.zeros((len(CONTRASTS), *labels.shape), np.float32)
    contrasts[CONTRASTS.index("lightness_over_cm")] = (
        -(labels > 0).astype(np.float32) if lightness is None else lightness
    )
    probabilities = np.zeros((3, *labels.shape), np.float32)
    probabilities[0] = labels == 0
    probabilities[1] = labels > 0
    inside = np.ones(labels.shape, bool)
    return measure_marks(labels.astype(np.int32), contrasts, probabilities, inside, flat_skin(size=labels.shape))


def ellipse(a_px, b_px, angle_deg):
    labels = np.zeros(SIZE, np.uint8)
    cv2.ellipse(labels, ((100.0, 80.0), (2 * a_px, 2 * b_px), angle_deg), 1, -1)
    return labels


@settings(max_examples=40, deadline=None)
@given(st.floats(24, 60), st.floats(0.25, 1.0), st.floats(0, 180))
def test_an_ellipse_matches_regionprops(a_px, ratio, angle_deg):
    labels = ellipse(a_px, max(a_px * ratio, 4), angle_deg)
    reference = regionprops(labels.astype(int), spacing=MM_PER_PX)[0]
    mark = measured(labels).iloc[0]
    assert mark["area_mm2"] == pytest.approx(reference.area, rel=1e-4)
    # extents along the main axes, against the axes of the ellipse of equal moments; a pixel is 0.5 mm
    assert mark["length_mm"] == pytest.approx(reference.axis_major_length, rel=0.03, abs=0.75)
    assert mark["width_mm"] == pytest.approx(reference.axis_minor_length, rel=0.03, abs=0.75)
    assert mark["solidity"] == pytest.approx(reference.solidity, abs=0.06)


@settings(max_examples=30, deadline=None)
@given(st.floats(8, 60), st.floats(6, 40), st.floats(0, 180))
def test_an_ellipse_has_the_area_of_its_formula(a_px, b_px, angle_deg):
    mark = measured(ellipse(a_px, b_px, angle_deg)).iloc[0]
    whole_pixels = MM_PER_PX**2 * 4 * (a_px + b_px)  # an outline one pixel off, all round
    assert abs(mark["area_mm2"] - np.pi * a_px * b_px * MM_PER_PX**2) < whole_pixels


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 180))
def test_turning_a_mark_changes_neither_length_nor_width(angle_deg):
    straight, turned = measured(ellipse(50, 12, 0)).iloc[0], measured(ellipse(50, 12, angle_deg)).iloc[0]
    assert turned["length_mm"] == pytest.approx(straight["length_mm"], rel=0.05)
    assert turned["width_mm"] == pytest.approx(straight["width_mm"], rel=0.12)


def test_a_line_is_longer_and_thinner_than_a_disc_of_its_area():
    line, disc = np.zeros(SIZE, np.uint8), np.zeros(SIZE, np.uint8)
    cv2.line(line, (40, 80), (160, 84), 1, 3)
    cv2.circle(disc, (100, 80), 11, 1, -1)
    drawn, round_ = measured(line).iloc[0], measured(disc).iloc[0]
    assert drawn["elongation"] > 10 > 1.2 > round_["elongation"]
    assert drawn["compactness"] < 0.3 < 0.8 < round_["compactness"]
    assert drawn["mean_width_mm"] < 3.0 < round_["mean_width_mm"]


def test_a_branching_mark_has_more_ends_than_a_streak():
    streak, cross = np.zeros(SIZE, np.uint8), np.zeros(SIZE, np.uint8)
    cv2.line(streak, (40, 80), (160, 80), 1, 3)
    cv2.line(cross, (40, 80), (160, 80), 1, 3)
    cv2.line(cross, (100, 30), (100, 130), 1, 3)
    assert measured(streak)["branching_per_cm"].item() == 0
    assert measured(cross)["branching_per_cm"].item() > 0.1


def test_a_blurred_edge_is_softer():
    labels = ellipse(30, 30, 0)
    sharp = -(labels > 0).astype(np.float32)
    soft = cv2.GaussianBlur(sharp, (0, 0), 5)
    assert measured(labels, soft)["edge_softness_mm"].item() > 2 * measured(labels, sharp)["edge_softness_mm"].item()


def test_distance_to_the_stem_end_is_that_over_the_skin_point():
    labels = ellipse(10, 10, 0)
    # the middle lies at x = 50 mm, y = -40 mm; the stem end at x = 200 mm, y = 0
    assert measured(labels)["stem_distance_mm"].item() == pytest.approx(np.hypot(150, 40), abs=0.5)


def test_each_label_has_its_own_row_and_none_gives_no_rows():
    labels = ellipse(10, 10, 0)
    labels[5:15, 5:25] = 2
    table = measured(labels)
    assert list(table.columns) == list(MEASURES)
    assert table["area_mm2"].iloc[1] == pytest.approx(200 * MM_PER_PX**2)
    empty = measured(np.zeros(SIZE, np.uint8))
    assert empty.empty
    assert list(empty.columns) == list(MEASURES)
