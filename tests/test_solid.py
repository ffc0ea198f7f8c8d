"""The resting solid against ellipsoids seen in exact geometry, and its areas against exact formulas."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ellipeinc, ellipkinc

from scorer.fruit.outline import Outline
from scorer.fruit.skin import map_skin
from scorer.fruit.solid import HEIGHT_OVER_WIDTH, HEIGHT_SLOPE, TYPICAL_ROUNDNESS, RestingSolid, fit_solids
from tests.drawn.views import camera_over, ellipsoid_outline

headings = st.floats(-np.pi, np.pi)


def typical_half_height(half_length, half_width):
    ratio = HEIGHT_OVER_WIDTH + HEIGHT_SLOPE * (half_width / half_length - TYPICAL_ROUNDNESS)
    return ratio * half_width


def seen(camera, centre_xy, semi_axes, heading):
    points = ellipsoid_outline(camera, np.array([*centre_xy, semi_axes[2]]), semi_axes, heading)
    return Outline(1, points, np.ones(len(points), bool))


@settings(max_examples=60, deadline=None)
@given(
    st.floats(45, 70),
    st.floats(0.6, 0.85),
    headings,
    st.floats(-150, 150),
    st.floats(-110, 110),
    st.floats(0, 20),
    st.floats(-180, 180),
)
def test_length_and_width_come_back(half_length, roundness, heading, x, y, tilt_deg, tilt_to_deg):
    half_width = half_length * roundness
    semi_axes = (half_length, half_width, typical_half_height(half_length, half_width))
    camera = camera_over(tilt_deg=tilt_deg, tilt_to_deg=tilt_to_deg)
    solid = fit_solids([seen(camera, (x, y), semi_axes, heading)], camera)[0]
    assert solid.length_mm == pytest.approx(2 * half_length, rel=0.01)
    assert solid.width_mm == pytest.approx(2 * half_width, rel=0.01)
    assert np.hypot(*(solid.centre_mm[:2] - [x, y])) < 1.5


@settings(max_examples=40, deadline=None)
@given(st.floats(45, 70), st.floats(0.62, 0.8), st.floats(0.8, 1.2), headings)
def test_an_unusual_height_costs_little_length(half_length, roundness, unusual, heading):
    half_width = half_length * roundness
    semi_axes = (half_length, half_width, unusual * typical_half_height(half_length, half_width))
    camera = camera_over()
    solid = fit_solids([seen(camera, (60, -40), semi_axes, heading)], camera)[0]
    assert solid.length_mm == pytest.approx(2 * half_length, rel=0.03)


@settings(max_examples=30, deadline=None)
@given(headings, st.floats(-180, 180), st.floats(-60, 60), st.floats(-60, 60))
def test_turning_and_shifting_the_photo_changes_no_mm(heading, turn_deg, x, y):
    semi_axes = (58.0, 40.0, 36.0)
    straight = camera_over(over=(x, y))
    turned = camera_over(turn_deg=turn_deg, over=(x, y))
    one = fit_solids([seen(straight, (0, 0), semi_axes, heading)], straight)[0]
    other = fit_solids([seen(turned, (0, 0), semi_axes, heading)], turned)[0]
    assert other.length_mm == pytest.approx(one.length_mm, rel=2e-3)
    assert other.width_mm == pytest.approx(one.width_mm, rel=2e-3)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.4, 2.5))
def test_a_larger_photo_changes_no_mm(factor):
    semi_axes = (58.0, 40.0, 36.0)
    camera = camera_over()
    outline = seen(camera, (30, 20), semi_axes, 0.4)
    one = fit_solids([outline], camera)[0]
    other = fit_solids([outline.scaled(factor)], camera.scaled(factor))[0]
    assert other.length_mm == pytest.approx(one.length_mm, rel=1e-3)
    assert other.width_mm == pytest.approx(one.width_mm, rel=1e-3)


def test_a_hidden_part_of_the_outline_is_not_used():
    camera = camera_over()
    outline = seen(camera, (0, 0), (58.0, 40.0, 36.0), 0.0)
    points, free = outline.points_px.copy(), outline.free.copy()
    middle = points.mean(axis=0)
    points[20:55] = middle + 0.8 * (points[20:55] - middle)  # a neighbour lies over this side
    free[18:57] = False
    solid = fit_solids([Outline(1, points, free)], camera)[0]
    assert solid.length_mm == pytest.approx(116, rel=0.02)
    assert solid.width_mm == pytest.approx(80, rel=0.02)


def exact_ellipsoid_area(a, b, c):
    """Surface of an ellipsoid, a > b > c, by incomplete elliptic integrals (Legendre's formula)."""
    phi = np.arccos(c / a)
    m = a**2 * (b**2 - c**2) / (b**2 * (a**2 - c**2))
    return 2 * np.pi * c**2 + 2 * np.pi * a * b / np.sin(phi) * (
        ellipeinc(phi, m) * np.sin(phi) ** 2 + ellipkinc(phi, m) * np.cos(phi) ** 2
    )


def skin_of(camera, semi_axes, hidden_share=0.0):
    outline = seen(camera, (0, 0), semi_axes, 0.0)
    solid = fit_solids([outline], camera)[0]
    low, high = outline.points_px.min(axis=0) - 4, outline.points_px.max(axis=0) + 5
    corner = (int(low[0]), int(low[1]))
    height, width = int(high[1] - low[1]), int(high[0] - low[0])
    inside = np.zeros((height, width), np.uint8)
    cv2.fillPoly(inside, [np.round((outline.points_px - corner) * 16).astype(np.int32)], 1, shift=4)
    hidden = np.zeros((height, width), bool)
    hidden[:, : int(width * hidden_share)] = True
    return map_skin(inside > 0, corner, outline, solid, camera, hidden)


def test_from_far_above_half_of_an_ellipsoid_is_seen():
    # 25457.0 mm2: exact surface for semi-axes 60, 40, 36 mm (elliptic integrals, computed with scipy)
    assert exact_ellipsoid_area(60, 40, 36) == pytest.approx(25457.0, abs=0.1)
    semi_axes = (60.0, 40.0, typical_half_height(60, 40))
    camera = camera_over(height_mm=60000, focal_px=150000)
    seen_mm2 = skin_of(camera, semi_axes).visible_area_mm2
    order = sorted(semi_axes, reverse=True)
    assert seen_mm2 == pytest.approx(exact_ellipsoid_area(*order) / 2, rel=0.01)


def test_the_camera_sees_the_cap_of_a_near_sphere():
    # a sphere of radius r from distance d shows the cap 2 pi r^2 (1 - r / d) (Archimedes)
    r = 40.0
    camera = camera_over(height_mm=540 + r)
    ball = RestingSolid(np.array([0, 0, r]), 0.0, np.array([r, r, r]), 2 * r, 2 * r, 0.0, 1.0, 0.0)
    outline = seen(camera, (0, 0), (r, r, r), 0.0)
    skin = map_skin(np.ones((4, 4), bool), (0, 0), outline, ball, camera, np.zeros((4, 4), bool))
    d = camera.height_mm - r
    assert skin.visible_area_mm2 == pytest.approx(2 * np.pi * r**2 * (1 - r / d), rel=0.01)


def test_what_another_fruit_hides_does_not_count():
    camera = camera_over()
    whole, half = skin_of(camera, (58.0, 40.0, 36.0)), skin_of(camera, (58.0, 40.0, 36.0), hidden_share=0.5)
    assert half.visible_area_mm2 == pytest.approx(whole.visible_area_mm2 / 2, rel=0.05)


def test_a_patch_seen_at_a_slant_counts_its_true_area():
    """The pixels of a window add up to nearly all of the visible skin: slant is taken out pixel by pixel."""
    skin = skin_of(camera_over(), (58.0, 40.0, 36.0))
    assert skin.area_mm2.sum() == pytest.approx(skin.visible_area_mm2, rel=0.06)
    at_45 = (skin.facing > 0.68) & (skin.facing < 0.73)
    straight = skin.facing > 0.99
    # a patch tilted by 45 degrees is 1.4142 times larger than it looks; it also lies farther from the camera
    assert skin.area_mm2[at_45].mean() / skin.area_mm2[straight].mean() == pytest.approx(1.4142, rel=0.12)
