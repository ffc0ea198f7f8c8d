"""Find the card's markers in a photo, and from them the camera's place over the tray."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from scorer.camera import Camera, focal_px_of
from scorer.card.definition import CardDefinition

Float64 = NDArray[np.float64]

FEWEST_MARKERS = 2
TYPICAL_FOCAL_35MM = 26.0  # main cameras of phones lie at 23-29 mm (common practice, no source)
FOCAL_SPREAD = 0.07  # standard deviation of the logarithm around it
CORNER_NOISE_PX = 0.25
LARGEST_CORNER_ERROR_PX = 2.5
SMALLEST_PERIMETER = 0.03  # of a marker, as a share of the picture's longer side
FIRST_LOOK = 3  # how many times smaller the picture is in which the card is looked for at first
AROUND_CARD_PX = 48  # wider than the windows that the detector thresholds by


@dataclass(frozen=True)
class CardPose:
    """A card found in a photo.

    Parameters
    ----------
    camera : the camera, with the world's origin at the card's top left corner and y towards the card's top.
    homography : (3, 3) card millimetres (x right, y down) to pixels of the working image.
    markers : ids that were found.
    corner_error_px : root mean square distance between found and expected marker corners.
    focal_estimated : the focal length did not come from the photo's EXIF.
    """

    camera: Camera
    homography: Float64
    markers: tuple[int, ...]
    corner_error_px: float
    focal_estimated: bool

    def to_pixels(self, points_mm: Float64) -> Float64:
        """Pixels (N, 2) of card points (N, 2) in millimetres."""
        return np.asarray(cv2.perspectiveTransform(points_mm[None].astype(np.float64), self.homography)[0])


def find_card(grey: NDArray[np.uint8], card: CardDefinition, focal_35mm: float | None) -> CardPose | None:
    """Find the card at any rotation and tilt, partly covered too; None when it cannot be trusted.

    Parameters
    ----------
    grey : (H, W) uint8 working image.
    card : what is printed on the card.
    focal_35mm : 35 mm-equivalent focal length from EXIF; estimated from the card's perspective when None.
    """
    ids, corners_px = _detect_markers(grey, card)
    if len(ids) < FEWEST_MARKERS:
        return None
    points_mm = np.concatenate([card.marker_corners_mm[i] for i in ids])
    homography, _ = cv2.findHomography(points_mm, corners_px, cv2.RANSAC, LARGEST_CORNER_ERROR_PX)
    if homography is None:
        return None
    height_px, width_px = grey.shape
    world_mm = np.column_stack([points_mm[:, 0], -points_mm[:, 1], np.zeros(len(points_mm))])
    focal_px = (
        focal_px_of(focal_35mm, width_px, height_px)
        if focal_35mm
        else _estimate_focal_px(world_mm, corners_px, width_px, height_px)
    )
    camera, error_px = _place_camera(world_mm, corners_px, focal_px, width_px, height_px)
    if error_px > LARGEST_CORNER_ERROR_PX or camera.height_mm <= 0:
        return None
    # the homography of the pose uses all corners with six unknowns instead of eight: steadier with two markers
    flat = camera.projection[:, [0, 1, 3]] @ np.diag([1.0, -1.0, 1.0])
    return CardPose(camera, flat / flat[2, 2], tuple(ids), error_px, not focal_35mm)


def _detect_markers(grey: NDArray[np.uint8], card: CardDefinition) -> tuple[list[int], Float64]:
    """Ids and corners (4 N, 2) of the card's markers that are in sight once.

    Where a smaller picture already shows every marker, only the card's place is searched at full size.
    """
    height, width = grey.shape
    small = cv2.resize(grey, (width // FIRST_LOOK, height // FIRST_LOOK), interpolation=cv2.INTER_AREA)
    seen, corners = _all_markers(small, card, longest_px=max(small.shape))
    low, high = np.zeros(2, int), np.array([width, height])
    if seen and set(card.marker_corners_mm) <= set(seen):
        about = FIRST_LOOK * np.concatenate(corners)
        low = np.maximum(np.floor(about.min(axis=0)).astype(int) - AROUND_CARD_PX, 0)
        high = np.minimum(np.ceil(about.max(axis=0)).astype(int) + AROUND_CARD_PX, high)
    window = np.ascontiguousarray(grey[low[1] : high[1], low[0] : high[0]])
    seen, corners = _all_markers(window, card, longest_px=max(grey.shape))
    kept = sorted(marker for marker in card.marker_corners_mm if seen.count(marker) == 1)
    return kept, np.concatenate([corners[seen.index(i)] for i in kept]) + low if kept else np.zeros((0, 2))


def _all_markers(grey: NDArray[np.uint8], card: CardDefinition, longest_px: int) -> tuple[list[int], list[Float64]]:
    """Ids and corners (4, 2) of every marker in a picture; ``longest_px`` is the side that sets the smallest marker."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.marker_dictionary))
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.cornerRefinementWinSize = 4
    parameters.adaptiveThreshWinSizeMin = 13
    parameters.adaptiveThreshWinSizeMax = 43
    parameters.adaptiveThreshWinSizeStep = 30
    parameters.minMarkerPerimeterRate = SMALLEST_PERIMETER * longest_px / max(grey.shape)
    # only the middle of each cell is read: in a soft photo its rim holds its neighbours' light
    parameters.perspectiveRemovePixelPerCell = 8
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.3
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    if ids is None:
        return [], []
    return ids.ravel().tolist(), [np.asarray(quad, np.float64).reshape(4, 2) for quad in corners]


def _place_camera(
    world_mm: Float64, corners_px: Float64, focal_px: float, width_px: int, height_px: int
) -> tuple[Camera, float]:
    """Camera that best explains the corners at a given focal length, and its error in pixels."""
    centre = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    matrix = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1]])
    best: tuple[Camera, float] | None = None
    # a plane seen nearly head-on has two mirror poses; both are tried and the better is kept
    _, rotations, translations, _ = cv2.solvePnPGeneric(world_mm, corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    for turn, shift in zip(rotations, translations, strict=True):
        turn, shift = cv2.solvePnPRefineLM(world_mm, corners_px, matrix, None, turn, shift)
        camera = Camera(focal_px, centre, cv2.Rodrigues(turn)[0], shift.ravel())
        error = float(np.sqrt(np.mean(np.sum((camera.project(world_mm) - corners_px) ** 2, axis=1))))
        if best is None or error < best[1]:
            best = camera, error
    assert best is not None
    return best


def _estimate_focal_px(world_mm: Float64, corners_px: Float64, width_px: int, height_px: int) -> float:
    """Most probable focal length: the corners' fit against what phones usually have."""
    typical = focal_px_of(TYPICAL_FOCAL_35MM, width_px, height_px)

    def misfit(log_ratio: float) -> float:
        _, error_px = _place_camera(world_mm, corners_px, typical * np.exp(log_ratio), width_px, height_px)
        return len(corners_px) * (error_px / CORNER_NOISE_PX) ** 2 + (log_ratio / FOCAL_SPREAD) ** 2

    found = minimize_scalar(misfit, bounds=(-0.35, 0.35), method="bounded", options={"xatol": 1e-3})
    return float(typical * np.exp(found.x))
