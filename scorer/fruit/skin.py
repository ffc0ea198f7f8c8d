"""The skin of one fruit as the camera sees it: true area, slant and place on the fruit for every pixel.

The fitted solid is an ellipsoid, the fruit is not quite. Each pixel is therefore looked up at the place on the
ellipsoid's own outline disc that matches its place within the fruit's outline: the same direction from the centre and
the same share of the way to the edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.camera import Camera
from scorer.fruit.outline import ANGLES, Outline
from scorer.fruit.solid import RestingSolid

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

COARSE = 4  # the maps are smooth: computed on every fourth pixel, then enlarged
STEEPEST_COSINE = 0.12  # beyond about 83 degrees a pixel's area is a guess and is held
MESH_RINGS, MESH_SPOKES = 37, 82  # uneven, so that rows of facets do not line up with the rim


@dataclass(frozen=True)
class SkinMap:
    """Per pixel of a window (H, W) about one fruit; 0 outside the fruit.

    Parameters
    ----------
    area_mm2 : float32; true skin area that the pixel shows.
    facing : float32; cosine between the skin's normal and the line of sight, 1 facing the camera, 0 at the rim.
    point_mm : float32 (H, W, 3); place on the solid: along the long axis towards the stem end, across, up.
    half_length_mm : the stem end lies at ``point_mm`` = (half_length_mm, 0, 0).
    mm_per_px : side of a pixel where the skin faces the camera.
    visible_area_mm2 : true skin area that the camera sees of this fruit.
    """

    area_mm2: Float32
    facing: Float32
    point_mm: Float32
    half_length_mm: float
    mm_per_px: float
    visible_area_mm2: float


def map_skin(
    inside: NDArray[np.bool_],
    corner_px: tuple[int, int],
    outline: Outline,
    solid: RestingSolid,
    camera: Camera,
    hidden: NDArray[np.bool_],
) -> SkinMap:
    """Map the skin inside a window.

    Parameters
    ----------
    inside : (H, W) bool; the fruit's pixels in the window.
    corner_px : (x, y) of the window's top left pixel in the camera's picture.
    outline, solid, camera : the fruit's outline and solid, in the pixels of ``camera``.
    hidden : (H, W) bool; pixels of the window where another fruit lies before this one.
    """
    height, width = inside.shape
    ys = np.arange(COARSE / 2 - 0.5, height + COARSE, COARSE)
    xs = np.arange(COARSE / 2 - 0.5, width + COARSE, COARSE)
    grid = np.stack(np.meshgrid(xs + corner_px[0], ys + corner_px[1]), axis=-1)
    matched = _match_outline(grid, outline, solid, camera)
    area, facing, point = _look_at_solid(matched, solid, camera)
    if solid.taper < 0:
        point[..., :2] *= -1  # the fuller end is the stem end
    size = (len(xs) * COARSE, len(ys) * COARSE)

    def enlarge(coarse: Float64) -> Float32:
        full = cv2.resize(coarse.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)[:height, :width]
        return np.asarray(cv2.copyTo(full, inside.astype(np.uint8)), np.float32)

    visible = _visible_area(solid, camera, hidden, corner_px)
    distance = float(np.linalg.norm(camera.origin_mm - solid.centre_mm)) - float(solid.semi_axes_mm[2])
    return SkinMap(
        area_mm2=enlarge(area),
        facing=enlarge(facing),
        point_mm=enlarge(point),
        half_length_mm=float(solid.semi_axes_mm[0]),
        mm_per_px=distance / camera.focal_px,
        visible_area_mm2=visible,
    )


def _match_outline(grid: Float64, outline: Outline, solid: RestingSolid, camera: Camera) -> Float64:
    """Pixels moved so that the fruit's outline falls on that of its solid."""
    centre = outline.points_px.mean(axis=0)
    arm = grid - centre
    angle = np.arctan2(arm[..., 1], arm[..., 0])
    own = outline.points_px - centre
    own_angle = np.arctan2(own[:, 1], own[:, 0])
    theirs = _solid_outline(solid, camera) - centre
    their_angle = np.arctan2(theirs[:, 1], theirs[:, 0])
    even = np.linspace(-np.pi, np.pi, ANGLES, endpoint=False)
    ratio = _radius_at(even, their_angle, theirs) / np.maximum(_radius_at(even, own_angle, own), 1.0)
    # a little inside, so that rim pixels still meet the solid
    scale = np.interp(angle, even, ratio, period=2 * np.pi) * 0.995
    return np.asarray(centre + arm * scale[..., None])


def _radius_at(angle: Float64, at: Float64, points: Float64) -> Float64:
    order = np.argsort(at)
    return np.interp(angle, at[order], np.hypot(*points[order].T), period=2 * np.pi)


def _solid_outline(solid: RestingSolid, camera: Camera) -> Float64:
    """Pixels (ANGLES, 2) of the ellipsoid's outline: where lines of sight graze it."""
    # with the solid scaled to a unit sphere, grazing points lie on the circle n . C = 1
    eye = _eye(solid, camera)
    far = float(np.linalg.norm(eye))
    towards = eye / far
    side = np.cross(towards, [0.0, 0.0, 1.0] if abs(towards[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    other = np.cross(towards, side)
    turn = np.linspace(0, 2 * np.pi, ANGLES, endpoint=False)[:, None]
    circle = towards / far + np.sqrt(1 - 1 / far**2) * (np.cos(turn) * side + np.sin(turn) * other)
    return camera.project(solid.centre_mm + (circle * solid.semi_axes_mm) @ solid.axes)


def _look_at_solid(pixels: Float64, solid: RestingSolid, camera: Camera) -> tuple[Float64, Float64, Float64]:
    """Area per pixel in mm2, cosine of slant, and place on the solid in mm, where each ray meets it."""
    rays = camera.rays(pixels)
    to_solid = (solid.axes / solid.semi_axes_mm[:, None]).T
    eye = _eye(solid, camera)
    ahead = rays @ to_solid
    a = np.einsum("...i,...i->...", ahead, ahead)
    b = ahead @ eye
    c = float(eye @ eye) - 1
    depth = (-b - np.sqrt(np.maximum(b * b - a * c, 0))) / a  # grazing rays meet at their nearest point
    point = eye + depth[..., None] * ahead
    normal = point @ (solid.axes / solid.semi_axes_mm[:, None])
    steepness = np.sqrt(np.einsum("...i,...i->...", normal, normal))
    length = np.sqrt(np.einsum("...i,...i->...", rays, rays))
    towards = -np.einsum("...i,...i->...", normal, rays)
    facing = np.clip(towards / np.maximum(steepness * length, 1e-9), 0, 1)
    # a pixel's solid angle is cos^3 / f^2 of its angle from the optical axis, and cos = 1 / length
    solid_angle = 1 / (length**3 * camera.focal_px**2)
    area = solid_angle * (depth * length) ** 2 / np.maximum(facing, STEEPEST_COSINE)
    return area, facing, point * solid.semi_axes_mm


def _visible_area(solid: RestingSolid, camera: Camera, hidden: NDArray[np.bool_], corner_px: tuple[int, int]) -> float:
    """Skin area in mm2 turned to the camera and not behind another fruit, summed over facets of the solid."""
    # with the solid scaled to a unit sphere, the camera sees the cap u . C > 1
    seen = _MESH @ _eye(solid, camera) > 1
    unit = _MESH[seen]
    # area element of an ellipsoid from that of the unit sphere: abc |x / a, y / b, z / c|
    area = _FACETS[seen] * float(np.prod(solid.semi_axes_mm)) * np.linalg.norm(unit / solid.semi_axes_mm, axis=1)
    points = solid.centre_mm + (unit * solid.semi_axes_mm) @ solid.axes
    x, y = np.round(camera.project(points) - corner_px).astype(int).T
    height, width = hidden.shape
    within = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    covered = within & hidden[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    # beyond the ellipsoid, the fruit's own extents scale the area
    stretch = solid.length_mm * solid.width_mm / (4 * solid.semi_axes_mm[0] * solid.semi_axes_mm[1])
    return float(area[~covered].sum() * np.sqrt(stretch))


def _eye(solid: RestingSolid, camera: Camera) -> Float64:
    """(3,) the camera's centre in the frame in which the solid is the unit sphere."""
    return np.asarray(solid.axes @ (camera.origin_mm - solid.centre_mm) / solid.semi_axes_mm)


def _sphere_mesh() -> tuple[Float64, Float64]:
    """Middles (N, 3) of the facets of a unit sphere, and their areas (N,)."""
    polar = (np.arange(MESH_RINGS) + 0.5) * np.pi / MESH_RINGS
    turn = (np.arange(MESH_SPOKES) + 0.5) * 2 * np.pi / MESH_SPOKES
    polar, turn = (m.ravel() for m in np.meshgrid(polar, turn, indexing="ij"))
    middles = np.column_stack([np.cos(polar), np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn)])
    return middles, np.sin(polar) * (np.pi / MESH_RINGS) * (2 * np.pi / MESH_SPOKES)


_MESH, _FACETS = _sphere_mesh()
