"""The reference card: found at any rotation and tilt, partly covered, and turned into scale and colour."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.card.correction import fit_correction
from scorer.card.definition import load_card
from scorer.card.pose import find_card
from scorer.colour import linear_to_srgb, srgb_to_linear
from scorer.errors import CardError
from tests.drawn.views import camera_over, card_photo, paint_plane

SIZE = (1800, 1350)
CARD = load_card()
FOCAL_35MM = 1500 / np.hypot(*SIZE) * 43.2666


def found_in(picture, focal_35mm=FOCAL_35MM):
    return find_card(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), CARD, focal_35mm)


@settings(max_examples=25, deadline=None)
@given(st.floats(420, 700), st.floats(0, 30), st.floats(-180, 180), st.floats(-180, 180))
def test_card_gives_the_camera_back(height_mm, tilt_deg, tilt_to_deg, turn_deg):
    camera = camera_over(
        height_mm=height_mm, tilt_deg=tilt_deg, tilt_to_deg=tilt_to_deg, turn_deg=turn_deg, over=(70.0, -50.0)
    )
    pose = found_in(card_photo(camera, SIZE, texels_per_mm=6))
    assert pose is not None
    assert set(pose.markers) == {10, 11, 12, 13}
    assert pose.camera.height_mm == pytest.approx(camera.height_mm, rel=0.01)
    assert pose.camera.tilt_deg == pytest.approx(camera.tilt_deg, abs=1.5)
    corners = np.column_stack([CARD.outline_mm[:, 0], -CARD.outline_mm[:, 1], np.zeros(4)])
    assert np.abs(pose.to_pixels(CARD.outline_mm) - camera.project(corners)).max() < 1.5


@pytest.mark.parametrize("covered", [(10, 12), (11, 13), (10, 11)])
def test_two_markers_are_enough(covered):
    camera = camera_over(tilt_deg=12, tilt_to_deg=60, turn_deg=33, over=(70.0, -50.0))
    picture = card_photo(camera, SIZE)
    for number in covered:
        corners = CARD.marker_corners_mm[number] + np.array([[-4, -4], [4, -4], [4, 4], [-4, 4]])
        quad = camera.project(np.column_stack([corners[:, 0], -corners[:, 1], np.zeros(4)]))
        cv2.fillConvexPoly(picture, np.round(quad).astype(np.int32), (60, 140, 70))
    pose = found_in(picture)
    assert pose is not None
    assert len(pose.markers) == 2
    assert pose.camera.height_mm == pytest.approx(camera.height_mm, rel=0.03)


def test_one_marker_is_not_trusted():
    camera = camera_over(over=(70.0, -50.0))
    picture = card_photo(camera, SIZE)
    for number in (10, 11, 12):
        corners = CARD.marker_corners_mm[number]
        quad = camera.project(np.column_stack([corners[:, 0], -corners[:, 1], np.zeros(4)]))
        cv2.fillConvexPoly(picture, np.round(quad).astype(np.int32), (60, 140, 70))
    assert found_in(picture) is None


def test_no_card_no_pose():
    assert found_in(np.full((1350, 1800, 3), 120, np.uint8)) is None


def test_focal_length_is_estimated_when_exif_is_silent():
    # the card alone tells the focal length when it is seen at a slant; 26 mm is what phones usually have
    camera = camera_over(tilt_deg=25, tilt_to_deg=40, over=(70.0, -50.0), focal_px=1500)
    pose = found_in(card_photo(camera, SIZE), None)
    assert pose is not None
    assert pose.focal_estimated
    assert pose.camera.focal_px == pytest.approx(1500, rel=0.12)


@settings(max_examples=12, deadline=None)
@given(st.floats(0, 25), st.floats(-180, 180), st.floats(8, 25))
def test_a_printed_disc_of_known_area_comes_back(tilt_deg, tilt_to_deg, radius_mm):
    """A disc beside the card on a tilted plane: its pixels, each back-projected, cover its area within 2 %."""
    camera = camera_over(tilt_deg=tilt_deg, tilt_to_deg=tilt_to_deg, over=(80.0, -90.0))
    sheet = np.full((1600, 1600, 3), 255, np.uint8)
    cv2.circle(sheet, (800, 1100), round(radius_mm * 8), (20, 30, 60), -1)
    picture = card_photo(camera, SIZE)
    disc = paint_plane(camera, SIZE, sheet[700:1500, 400:1200], 1 / 8, origin_mm=(50.0, -115.0), background=255)
    picture = np.minimum(picture, disc)
    pose = found_in(picture)
    assert pose is not None
    ys, xs = np.nonzero(disc[..., 2] < 150)
    pixels = np.column_stack([xs, ys]).astype(float)
    steps = [pose.camera.on_plane(pixels + step) for step in ([0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5])]
    across, down = steps[0] - steps[1], steps[2] - steps[3]
    area_mm2 = np.abs(across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]).sum()
    assert area_mm2 == pytest.approx(np.pi * radius_mm**2, rel=0.02)


@settings(max_examples=15, deadline=None)
@given(
    st.tuples(st.floats(0.45, 0.9), st.floats(0.45, 0.9), st.floats(0.45, 0.9)),
    st.floats(0.8, 1.25),
    st.floats(-0.5, 0.5),
)
def test_colours_come_back_under_any_light_and_tone_curve(gains, exponent, slope):
    camera = camera_over(over=(70.0, -50.0))
    picture = card_photo(camera, SIZE)
    light = srgb_to_linear(picture / 255) * np.array(gains)
    across = np.exp(slope * (np.arange(SIZE[0]) / SIZE[0] - 0.5))[None, :, None]
    photographed = np.round(linear_to_srgb((light * across) ** exponent) * 255).astype(np.uint8)
    pose = found_in(photographed)
    assert pose is not None
    correction = fit_correction(photographed, pose, CARD)
    assert correction is not None
    assert correction.residual_delta_e00 < 1.5


def test_a_foreign_card_definition_is_refused(tmp_path):
    (tmp_path / "card.json").write_text('{"size": [1, 2]}')
    with pytest.raises(CardError, match="not a card definition"):
        load_card(tmp_path / "card.json")
