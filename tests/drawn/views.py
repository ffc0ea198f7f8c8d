"""Cameras, cards and ellipsoids seen by a pinhole camera, in exact geometry."""

import cv2
import numpy as np

from scorer.camera import Camera
from scorer.card.definition import load_card


def camera_over(
    *,
    height_mm=560.0,
    tilt_deg=0.0,
    tilt_to_deg=0.0,
    turn_deg=0.0,
    focal_px=1500.0,
    size=(1800, 1350),
    over=(0.0, 0.0),
):
    """A camera looking at the floor point ``over`` from ``height_mm``, tilted towards ``tilt_to_deg``."""
    tilt, to, turn = np.radians([tilt_deg, tilt_to_deg, turn_deg])
    forward = np.array([np.sin(tilt) * np.cos(to), np.sin(tilt) * np.sin(to), -np.cos(tilt)])
    right = np.array([np.cos(turn), np.sin(turn), 0.0])
    right -= right @ forward * forward
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    origin = np.array([*over, 0.0]) - forward * height_mm / np.cos(tilt)
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    return Camera(focal_px, centre, rotation, -rotation @ origin)


def paint_plane(camera, size, texture, mm_per_texel, origin_mm=(0.0, 0.0), background=150):
    """Photo of a flat sheet on the floor; texture x runs along world x, texture y against world y."""
    to_floor = np.array([[mm_per_texel, 0, origin_mm[0]], [0, -mm_per_texel, origin_mm[1]], [0, 0, 1.0]])
    to_centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])  # texel centres lie at halves
    homography = camera.projection[:, [0, 1, 3]] @ to_floor @ to_centre
    fine = cv2.resize(np.full((2, 2, 3), background, np.uint8), (size[0] * 2, size[1] * 2))
    double = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    cv2.warpPerspective(
        texture,
        double @ homography,
        (size[0] * 2, size[1] * 2),
        dst=fine,
        flags=cv2.INTER_AREA,
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    return cv2.resize(fine, size, interpolation=cv2.INTER_AREA)


def card_texture(texels_per_mm=8):
    """The reference card as an image, B, G, R."""
    card = load_card()
    scale = texels_per_mm
    image = np.full((round(card.height_mm * scale), round(card.width_mm * scale), 3), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.marker_dictionary))
    for number, corners in card.marker_corners_mm.items():
        x, y = np.round(corners[0] * scale).astype(int)
        side = round(card.marker_side_mm * scale)
        image[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, number, side)[..., None]
    for centre, srgb in zip(card.patch_centres_mm, card.patch_srgb, strict=True):
        low = np.round((centre - card.patch_side_mm / 2) * scale).astype(int)
        side = round(card.patch_side_mm * scale)
        image[low[1] : low[1] + side, low[0] : low[0] + side] = np.round(srgb[::-1] * 255).astype(np.uint8)
    return image


def card_photo(camera, size, *, background=150, texels_per_mm=8):
    """Photo of the reference card lying with its top left corner at the world's origin."""
    return paint_plane(camera, size, card_texture(texels_per_mm), 1 / texels_per_mm, background=background)


def ellipsoid_outline(camera, centre_mm, semi_axes_mm, heading_rad, angles=192):
    """Outline pixels (angles, 2) of an ellipsoid with level long axis, at even angles about its middle."""
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    axes = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
    shape = axes.T @ np.diag(np.square(semi_axes_mm)) @ axes
    dual = np.zeros((4, 4))  # dual quadric, Hartley & Zisserman (2004), section 3.2.3
    dual[:3, :3] = shape - np.outer(centre_mm, centre_mm)
    dual[:3, 3] = dual[3, :3] = -np.asarray(centre_mm)
    dual[3, 3] = -1
    conic = np.linalg.inv(camera.projection @ dual @ camera.projection.T)  # its outline, section 8.3
    conic /= np.linalg.norm(conic)
    middle = -np.linalg.solve(conic[:2, :2], conic[:2, 2])
    turn = np.arange(angles) * 2 * np.pi / angles
    ray = np.column_stack([np.cos(turn), np.sin(turn)])
    at_middle = float(np.array([*middle, 1]) @ conic @ np.array([*middle, 1]))
    along = np.einsum("ni,ij,nj->n", ray, conic[:2, :2], ray)
    return middle + ray * np.sqrt(-at_middle / along)[:, None]
