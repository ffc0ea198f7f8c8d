"""Part touching fruit: from one mask of skin to a label image, one label per fruit.

Fruit are convex, or nearly so. Peaks of the distance to the edge propose one seed per fruit; two neighbouring seeds
are one fruit when what they cover together is as convex as a single fruit is.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import watershed

Mask = NDArray[np.bool_]
Labels = NDArray[np.int32]

SMALLEST_FRUIT_MM2 = 1500.0
LARGEST_FRUIT_MM2 = 30000.0
LARGEST_HOLE_MM2 = 4000.0
WHOLE_SOLIDITY = 0.955  # area over convex hull; single fruit lie above, pairs below
NECK_MM = 3.0  # bridges narrower than twice this are not fruit
GAP_MM = 4.0  # bands of skin twice as wide may have the floor's colour
LEAST_FILL_OF_ELLIPSE = 0.80


def part_fruit(skin: Mask, mm_per_px: float) -> Labels:
    """Label each fruit in a mask of skin, int32 (H, W), 0 is none; numbers carry no order.

    Parameters
    ----------
    skin : (H, W) bool; pixels that are skin by colour. Holes (highlights, marks) are filled here.
    mm_per_px : side of a pixel at fruit height; nominal where no card was found.
    """
    closed = cv2.morphologyEx(skin.astype(np.uint8), cv2.MORPH_CLOSE, _disc(GAP_MM / mm_per_px))
    filled = _fill_holes(closed > 0, mm_per_px)
    seen = _fill_holes(skin, mm_per_px)
    opened = cv2.morphologyEx(filled.astype(np.uint8), cv2.MORPH_OPEN, _disc(NECK_MM / mm_per_px))
    count, pieces, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    labels = np.zeros(skin.shape, np.int32)
    fruit = 0
    for piece in range(1, count):
        x, y, w, h, area = stats[piece]
        if area * mm_per_px**2 < SMALLEST_FRUIT_MM2:
            continue
        margin = 4
        window = np.s_[max(y - margin, 0) : y + h + margin, max(x - margin, 0) : x + w + margin]
        parts = _part_piece(pieces[window] == piece, seen[window], mm_per_px)
        for part in range(1, parts.max() + 1):
            shape = parts == part
            if _is_fruit(shape, mm_per_px):
                fruit += 1
                labels[window][_round_off(shape & seen[window], parts, part)] = fruit
    return labels


def _part_piece(piece: Mask, seen: Mask, mm_per_px: float) -> Labels:
    """Seeds by distance to the edge, grown by watershed, then joined where the joint is convex.

    The distance is that of the skin seen, so that crevices which closing filled still part the fruit.
    """
    if _solidity(piece) >= WHOLE_SOLIDITY:
        return piece.astype(np.int32)
    distance = cv2.distanceTransform((piece & seen).astype(np.uint8), cv2.DIST_L2, 5)
    smooth = cv2.GaussianBlur(distance, (0, 0), max(2.0 / mm_per_px, 1.0))
    reach = _disc(11.0 / mm_per_px)
    peaks = (smooth >= cv2.dilate(smooth, reach) - 1e-4) & (distance * mm_per_px > 12.0)
    count, seeds = cv2.connectedComponents(peaks.astype(np.uint8), connectivity=8)
    if count <= 2:
        return piece.astype(np.int32)
    parts = _grow(seeds, distance, piece)
    return _join_convex(parts)


def _grow(seeds: Labels, distance: NDArray[np.float32], piece: Mask) -> Labels:
    """Watershed of the distance relief; every pixel of the piece gets the label of a seed."""
    return np.asarray(watershed(-distance, seeds, mask=piece), np.int32)  # type: ignore[no-untyped-call]


def _join_convex(parts: Labels) -> Labels:
    """Join neighbouring parts, most convex joint first, until no joint is as convex as one fruit."""
    parts = parts.copy()
    while True:
        best: tuple[float, int, int] | None = None
        for a, b in _neighbours(parts):
            solidity = _solidity((parts == a) | (parts == b))
            if solidity >= WHOLE_SOLIDITY and (best is None or solidity > best[0]):
                best = solidity, a, b
        if best is None:
            break
        parts[parts == best[2]] = best[1]
    return _renumber(parts)


def _neighbours(parts: Labels) -> set[tuple[int, int]]:
    count = int(parts.max()) + 1
    meets = np.zeros((count, count), bool)
    for one, other in ((parts[:, :-1], parts[:, 1:]), (parts[:-1], parts[1:])):
        differ = one != other
        meets[one[differ], other[differ]] = True
    a, b = np.nonzero(np.triu(meets | meets.T, 1)[1:, 1:])
    return set(zip((a + 1).tolist(), (b + 1).tolist(), strict=True))


def _renumber(parts: Labels) -> Labels:
    present = np.bincount(parts.ravel()) > 0
    present[0] = False
    return np.asarray((np.cumsum(present) * present)[parts], np.int32)


def _solidity(shape: Mask) -> float:
    """Area over the area of the convex hull."""
    hull = _hull(shape)
    if hull is None:
        return 0.0
    # pixel centres bound the hull, so half a pixel of rim is added
    return float(np.count_nonzero(shape) / (cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, True) + 1))


def _hull(shape: Mask) -> NDArray[np.int32] | None:
    """Convex hull (N, 1, 2) of a mask's pixel centres; None for an empty mask."""
    contours, _ = cv2.findContours(shape.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return np.asarray(cv2.convexHull(np.concatenate(contours))) if contours else None


def _is_fruit(shape: Mask, mm_per_px: float) -> bool:
    """Whether size and roundness are those of a fruit rather than of a tray wall or a cloth."""
    pixels = np.count_nonzero(shape)
    hull = _hull(shape)
    if hull is None or len(hull) < 5 or not SMALLEST_FRUIT_MM2 <= pixels * mm_per_px**2 <= LARGEST_FRUIT_MM2:
        return False
    (_, (w, h), _) = cv2.minAreaRect(hull)
    # an ellipse fills pi/4 of its rectangle
    fill = pixels / max(w * h * np.pi / 4, 1)
    return bool(fill > LEAST_FILL_OF_ELLIPSE and min(w, h) > 0.3 * max(w, h))


def _round_off(shape: Mask, parts: Labels, part: int) -> Mask:
    """The convex hull of a part, less what belongs to its neighbours."""
    filled = np.zeros(shape.shape, np.uint8)
    hull = _hull(shape)
    if hull is not None:
        cv2.fillConvexPoly(filled, hull, 1)
    return np.asarray((filled > 0) & ((parts == 0) | (parts == part)))


def _fill_holes(mask: Mask, mm_per_px: float) -> Mask:
    """Fill what a fruit's highlights and marks leave open, not what a tray's rim encloses."""
    count, holes = cv2.connectedComponents((~mask).astype(np.uint8), connectivity=4)
    fill = np.bincount(holes.ravel(), minlength=count) * mm_per_px**2 < LARGEST_HOLE_MM2
    for edge in (holes[0], holes[-1], holes[:, 0], holes[:, -1]):
        fill[edge] = False
    fill[0] = True  # the mask itself
    return np.asarray(fill.take(holes))


def _disc(radius_px: float) -> NDArray[np.uint8]:
    size = 2 * max(round(radius_px), 1) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)
