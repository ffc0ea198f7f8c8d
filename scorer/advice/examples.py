"""Pictures of a few marks that are typical of a crew, cut from its photos, for the crew to see what is meant."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.score_tables import KINDS, UNSURE

Picture = NDArray[np.uint8]
Mask = NDArray[np.bool_]

SIZE_PX: Final = (680, 510)
"""Width and height of an example: 300 dpi at 57 mm."""
MARGIN: Final = 1.9
"""Window over the mark's extent, so that the skin around shows what is brown."""
LEAST_HEIGHT_MM: Final = 22.0
"""Height of the smallest window: a speck fills no picture, and its place on the fruit can be told."""
LEAST_HEIGHT_SHARE: Final = 0.07  # of the photo's longer side, where there is no scale
CLEAR_FROM_MM2: Final = 15.0  # smaller marks show little to a person
_OUTLINE, _OUTLINE_GROUND = (255, 255, 255), (30, 26, 22)
_OUTLINE_PX, _OUTLINE_GAP_PX = 3, 14


@dataclass(frozen=True)
class Example:
    """One mark, cut from its photo.

    Parameters
    ----------
    picture : (H, W, 3) uint8 red, green, blue.
    kind : of the mark, as in the tables.
    area_mm2 : of the mark on the skin; None without a scale.
    photo, mark : where it is from.

    Raises
    ------
    ValueError : the picture has another form, or there is no such kind.
    """

    picture: Picture
    kind: str
    area_mm2: float | None
    photo: str = ""
    mark: int = 0

    def __post_init__(self) -> None:
        shape = self.picture.shape
        if self.picture.dtype != np.uint8 or len(shape) != 3 or shape[2] != 3 or 0 in shape:
            raise ValueError(f"picture must be an (H, W, 3) uint8 array, got {self.picture.dtype} {shape}")
        if self.kind not in (*KINDS, UNSURE):
            raise ValueError(f"kind must be one of {', '.join((*KINDS, UNSURE))}, got {self.kind!r}")


def cut_examples(
    fruit: pd.DataFrame,
    marks: pd.DataFrame,
    crew: str,
    *,
    kinds: Sequence[str],
    open_photo: Callable[[str], Picture | None],
    open_mark_mask: Callable[[str], NDArray[np.uint16] | None],
    count: int = 3,
    cluster: str = "bin",
    defective: str = "defective",
) -> tuple[Example, ...]:
    """Cut the marks that show best what a crew's fruit suffer from.

    Marks of the first kind are taken before those of the next. Within a kind each comes from another bin as long as
    there are bins, then from another fruit; on downgraded fruit first, and the more surely named, the better facing the
    phone and the nearer to the kind's usual size the sooner. A photo or mask that is not there any more is passed over.

    Parameters
    ----------
    fruit : one row per fruit: photo, fruit, crew, and the columns named by ``cluster`` and ``defective``.
    marks : as in ``marks.csv``: photo, fruit, mark, kind, probability, area_mm2, and ``facing`` where it is known.
    crew : whose marks.
    kinds : of marks, the costliest first.
    open_photo : gives a photo of the tables by its name, upright, (H, W, 3) uint8 RGB, of any size with the mask's
        proportions; None where it is not to be had.
    open_mark_mask : gives the (H, W) uint16 mask with the numbers of the photo's marks, as in
        ``masks/<photo>.marks.png``; None where it is not to be had.
    count : how many at most.

    Returns
    -------
    Up to ``count`` examples; fewer, or none, where there are no more marks or photos. The mark is outlined in white
    over dark, just outside its edge.
    """
    examples: list[Example] = []
    lost: set[str] = set()
    masks: dict[str, NDArray[np.uint16]] = {}
    photos: dict[str, Picture] = {}
    for photo, mark, kind, area_mm2 in _candidates(fruit, marks, crew, kinds, cluster, defective):
        if len(examples) == count:
            break
        if photo not in lost and photo not in photos:
            opened, mask = open_photo(photo), open_mark_mask(photo)
            if opened is None or mask is None:
                lost.add(photo)
            else:
                photos[photo], masks[photo] = opened, mask
        if photo in lost:
            continue
        picture = _cut(photos[photo], masks[photo] == mark, area_mm2)
        if picture is not None:
            examples.append(Example(picture, kind, area_mm2, photo, mark))
    return tuple(examples)


def _candidates(
    fruit: pd.DataFrame, marks: pd.DataFrame, crew: str, kinds: Sequence[str], cluster: str, defective: str
) -> Iterator[tuple[str, int, str, float | None]]:
    """Marks in the order in which they are tried: photo, mark, kind, area."""
    own = fruit.loc[fruit["crew"] == crew, ["photo", "fruit", cluster, defective]]
    bare = marks.drop(columns=[cluster, defective], errors="ignore")
    of_crew = bare.merge(own, on=["photo", "fruit"]).astype({"area_mm2": float})
    for kind in kinds:
        of_kind = of_crew[of_crew["kind"] == kind]
        ranked = of_kind.assign(clarity=_clarity(of_kind), lost=of_kind[defective].astype(bool))
        ranked = ranked.sort_values(["lost", "clarity", "photo", "mark"], ascending=[False, False, True, True])
        of_fruit = ranked.groupby(["photo", "fruit"]).cumcount()
        of_bin = ranked.groupby(cluster, dropna=False).cumcount()
        turns = ranked.assign(of_fruit=of_fruit, of_bin=of_bin).sort_values(["of_bin", "of_fruit"], kind="stable")
        places = (turns[column].tolist() for column in ("photo", "mark", "area_mm2"))
        for photo, mark, area_mm2 in zip(*places, strict=True):
            yield photo, mark, kind, None if np.isnan(area_mm2) else area_mm2


def _clarity(marks: pd.DataFrame) -> pd.Series[float]:
    """How well each mark stands for its kind, 0 to 1: its probability, how it faces the phone, how usual its size."""
    area = marks["area_mm2"]
    usual = area[area >= CLEAR_FROM_MM2].median()
    octaves_off = np.log2((area.clip(lower=1) / usual).to_numpy(float))
    usual_size = pd.Series(1 / (1 + octaves_off**2), index=marks.index).fillna(0.5)
    facing = marks["facing"].fillna(0.5) if "facing" in marks.columns else 1.0
    clarity: pd.Series[float] = marks["probability"].fillna(0.0) * facing * usual_size
    return clarity


def _cut(photo: Picture, mark: Mask, area_mm2: float | None) -> Picture | None:
    """The photo around a mark, with the mark's outline; None where the mask has no such mark."""
    rows, columns = np.flatnonzero(mark.any(axis=1)), np.flatnonzero(mark.any(axis=0))
    if not len(rows):
        return None
    low, high = np.array([columns[0], rows[0]]), np.array([columns[-1], rows[-1]]) + 1
    scale = photo.shape[1] / mark.shape[1]
    per_px = _window_height(high - low, mark, area_mm2) * scale / SIZE_PX[1]
    whole = np.array([photo.shape[1], photo.shape[0]])
    per_px = min(per_px, *(whole / SIZE_PX))  # no window is larger than the photo
    window = np.array(SIZE_PX) * per_px
    corner = np.clip((low + high) / 2 * scale - window / 2, 0, whole - window)
    picture = np.asarray(_resampled(photo, corner, per_px), np.uint8)
    level = _resampled(mark.astype(np.float32), corner / scale, per_px / scale)
    smooth = cv2.GaussianBlur(level, (0, 0), max(scale / per_px / 2, 0.8))
    _draw_outline(picture, np.asarray(smooth > 0.5))
    return picture


def _window_height(extent_px: NDArray[np.int_], mark: Mask, area_mm2: float | None) -> float:
    """Height of the window in pixels of the mask, for a mark of a width and height."""
    if area_mm2:
        least_px = LEAST_HEIGHT_MM * np.sqrt(np.count_nonzero(mark) / area_mm2)
    else:
        least_px = LEAST_HEIGHT_SHARE * max(mark.shape)
    return float(max(MARGIN * extent_px[0] * SIZE_PX[1] / SIZE_PX[0], MARGIN * extent_px[1], least_px))


def _resampled(image: NDArray[Any], corner_px: NDArray[np.float64], per_px: float) -> NDArray[Any]:
    """The window of an image from a corner on, its pixels ``per_px`` apart, averaged where they lie wide apart."""
    first = np.floor(corner_px).astype(int)
    last = np.ceil(corner_px + np.array(SIZE_PX) * per_px).astype(int)
    part = image[first[1] : last[1], first[0] : last[0]]
    if per_px > 1:
        part = cv2.GaussianBlur(part, (0, 0), per_px / 2)
    shift = corner_px - first + (per_px - 1) / 2  # from pixel edges to pixel middles
    warp = np.array([[per_px, 0, shift[0]], [0, per_px, shift[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(part, warp, SIZE_PX, flags=flags, borderMode=cv2.BORDER_REPLICATE))


def _draw_outline(picture: Picture, mark: Mask) -> None:
    """Draw around the mark, hiding none of it, a light line on a dark one, so that either shows on any skin."""
    size = 2 * _OUTLINE_GAP_PX + 1
    grown = cv2.dilate(mark.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    outlines, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    for colour, thickness in ((_OUTLINE_GROUND, 2 * _OUTLINE_PX), (_OUTLINE, _OUTLINE_PX)):
        cv2.polylines(picture, outlines, True, colour, thickness, cv2.LINE_AA)
