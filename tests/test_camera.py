"""The pinhole camera against OpenCV's own projection, and its inverse."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.camera import focal_px_of
from tests.drawn.views import camera_over

views = st.builds(
    camera_over,
    height_mm=st.floats(350, 900),
    tilt_deg=st.floats(0, 30),
    tilt_to_deg=st.floats(-180, 180),
    turn_deg=st.floats(-180, 180),
)


@given(views, st.floats(-200, 200), st.floats(-200, 200), st.floats(0, 90))
def test_projection_matches_opencv(camera, x, y, z):
    point = np.array([[x, y, z]])
    expected, _ = cv2.projectPoints(
        point, cv2.Rodrigues(camera.rotation)[0], camera.translation_mm, camera.matrix, None
    )
    # looking straight down is a half turn, where a rotation vector keeps few digits
    assert camera.project(point) == pytest.approx(expected.reshape(1, 2), abs=0.05)


@given(views, st.floats(-200, 200), st.floats(-200, 200), st.floats(0, 90))
def test_a_point_comes_back_from_its_pixel_on_its_plane(camera, x, y, z):
    pixel = camera.project(np.array([[x, y, z]]))
    assert camera.on_plane(pixel, z) == pytest.approx(np.array([[x, y]]), abs=1e-6)


@given(views)
def test_a_smaller_picture_sees_the_same_places(camera):
    half = camera.scaled(0.5)
    corner = np.array([[-0.5, -0.5], [99.5, 299.5]])  # pixel corners, which scaling keeps in place
    assert half.on_plane((corner + 0.5) * 0.5 - 0.5) == pytest.approx(camera.on_plane(corner), abs=1e-6)


def test_focal_length_by_the_diagonal():
    # CIPA DCG-001: 35 mm-equivalent by the diagonal of 36 x 24 mm; a 43.27 mm lens sees its own diagonal
    assert focal_px_of(43.2666, 3000, 4000) == pytest.approx(5000)


def test_pixel_size_straight_below():
    camera = camera_over(height_mm=600, focal_px=1500)
    assert camera.mm_per_px(camera.centre_px) == pytest.approx(0.4)
    assert camera.mm_per_px(camera.centre_px, 60) == pytest.approx(0.36)
