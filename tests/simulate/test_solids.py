"""The solids against formulas for ellipsoid and sphere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ellipeinc, ellipkinc

from scorer.camera import Camera, nominal_camera
from scorer.simulate.solids import FruitShape, LaidFruit, cast_rays, penetrates, rest_on_floor
from scorer.simulate.truth import seen_area_mm2


def ellipsoid_area(a, b, c):
    """Legendre's formula with incomplete elliptic integrals (NIST DLMF 19.33), a >= b >= c."""
    phi = math.acos(c / a)
    m = a * a * (b * b - c * c) / (b * b * (a * a - c * c))
    sin = math.sin(phi)
    return 2 * math.pi * (c * c + a * b / sin * (ellipeinc(phi, m) * sin**2 + ellipkinc(phi, m) * math.cos(phi) ** 2))


def test_the_area_of_a_plain_solid_is_the_ellipsoids():
    assert ellipsoid_area(60, 40, 36) == pytest.approx(25457.0, abs=0.5)
    assert FruitShape(60, 40, 36).total_area_mm2 == pytest.approx(ellipsoid_area(60, 40, 36), rel=1e-4)


def sphere_under_camera(radius_mm, distance_mm, focal_px, size_px):
    camera = nominal_camera(size_px, size_px, focal_px, 1.0)
    camera = Camera(focal_px, camera.centre_px, camera.rotation, np.array([0.0, 0.0, distance_mm]))
    return LaidFruit(FruitShape(radius_mm, radius_mm, radius_mm), np.eye(3), np.zeros(3)), camera


@pytest.mark.parametrize(("radius_mm", "distance_mm"), [(40, 500), (55, 420), (30, 700)])
def test_the_seen_area_of_a_sphere_is_the_cap_before_its_horizon(radius_mm, distance_mm):
    # A camera at distance d from the middle sees a cap of height r - r^2 / d, whose area is 2 pi r times it.
    cap = 2 * math.pi * radius_mm**2 * (1 - radius_mm / distance_mm)
    sphere, camera = sphere_under_camera(radius_mm, distance_mm, 1500.0, 900)
    crop = cast_rays(sphere, camera, 900, 900)
    mask = np.zeros((900, 900), np.uint16)
    mask[crop.window][crop.cover >= 0.5] = 1
    assert seen_area_mm2(1, sphere, camera, mask) == pytest.approx(cap, rel=0.005)
    # Pixel by pixel: the steepest pixels at the outline are bounded and half-covered ones left out.
    assert float(crop.area_mm2[crop.cover >= 0.5].sum()) == pytest.approx(cap, rel=0.04)


def test_the_picture_of_a_sphere_has_the_radius_of_the_tangent_cone():
    # Half angle of the tangent cone: asin(r / d); in the picture f * tan of it.
    sphere, camera = sphere_under_camera(40, 500, 1500.0, 900)
    crop = cast_rays(sphere, camera, 900, 900)
    radius_px = 1500 * math.tan(math.asin(40 / 500))
    assert float(crop.cover.sum()) == pytest.approx(math.pi * radius_px**2, rel=0.002)


def test_every_seen_point_lies_on_the_skin():
    shape = FruitShape(58, 41, 37, taper=0.15, waist=-0.05, bend=0.08, beak=0.1, power=2.3)
    fruit = rest_on_floor(shape, np.eye(3))
    camera = nominal_camera(900, 900, 1500.0, 1 / 3)
    crop = cast_rays(fruit, camera, 900, 900)
    point = crop.point[:, crop.cover > 0.99].astype(float)
    assert np.abs(shape.value_and_gradient(*point)[0]).max() < 2e-4


def test_a_resting_fruit_touches_the_floor():
    turn = np.array([[0.8, -0.6, 0], [0.6, 0.8, 0], [0, 0, 1.0]])
    fruit = rest_on_floor(FruitShape(58, 41, 37, taper=0.1), turn)
    lowest = fruit.to_world(fruit.shape.surface(400, 400).reshape(-1, 3))[:, 2].min()
    assert lowest == pytest.approx(0.0, abs=0.01)


def test_two_spheres_touch_at_the_sum_of_their_radii():
    ball = rest_on_floor(FruitShape(40, 40, 40), np.eye(3))
    assert penetrates(ball, ball.moved_to(79.0, 0))
    assert not penetrates(ball, ball.moved_to(81.0, 0))
