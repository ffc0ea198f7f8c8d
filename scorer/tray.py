"""One photo, from pixels to fruit with named marks; the steps of the pipeline, readable in order."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.camera import Camera, focal_px_of, nominal_camera
from scorer.card.correction import ColourCorrection, fit_correction, no_correction
from scorer.card.definition import CardDefinition, load_card
from scorer.card.pose import TYPICAL_FOCAL_35MM, CardPose, find_card
from scorer.checks import Check, check_photo, figure_of, overall
from scorer.colour import linear_bgr_to_lab
from scorer.fruit.find import Fruit, find_fruit
from scorer.hold_time.clock import camera_time, hold_time, zone_of
from scorer.kinds import NOT_A_MARK, MarkModel, driving_measures, load_model, name_marks
from scorer.limits import Limits, load_limits
from scorer.manifest import merge
from scorer.marks.contrast import contrast_maps
from scorer.marks.measure import MEASURES, measure_marks
from scorer.marks.propose import Discriminant, propose_marks
from scorer.median import median
from scorer.photo import Photo, open_photo
from scorer.score_tables import MARK_COLUMNS, TrayScore, empty_marks, fruit_table, photo_table
from scorer.tag import Tag, read_tag
from scorer.verdict import FruitVerdict, judge_fruit

Float32 = NDArray[np.float32]
Labels = NDArray[np.int32]

NOMINAL_DIAGONALS_MM = (750.0, 380.0, 200.0)  # what a photo without a card may show, tray or a few fruit
NOMINAL_LENGTH_MM = 105.0
MISFIT = 0.02  # of a fruit's length: how far a single fruit's outline usually strays from an ellipsoid's
MIDDLE_LIGHT = 0.28  # of white: what skin in full light reflects of green
SCORING_MM_PER_PX = 0.5  # on the tray floor; lines from 0.6 mm wide still cover a pixel


DEFAULT_LIMITS = "shed"


@dataclass(frozen=True)
class Settings:
    """What a person may choose for scoring; everything else is fitted or fixed.

    Parameters
    ----------
    limits : name of a limit table in ``shared/limits`` or a path to one.
    model_folder : folder of the fitted model; None is the shipped one.
    zone : the site's time zone by its name in the IANA database, for true hours since picking over a change of the
        clocks; None takes the clocks as they are.
    """

    limits: str = DEFAULT_LIMITS
    model_folder: Path | None = None
    zone: str | None = None


@dataclass(frozen=True)
class LocatedTray:
    """Where everything lies on a tray, in the pixels of the scoring picture.

    Parameters
    ----------
    bgr : (H, W, 3) uint8 scoring picture: the photo at the resolution that the smallest mark needs.
    pose : the card's, in the photo's working pixels, or None where no card can be trusted; then the camera's
        millimetres are only nominal.
    camera, correction : over the tray, and from 8-bit values to colour.
    fruit, labels : the fruit in reading order, and their label image (H, W) int32.
    """

    bgr: NDArray[np.uint8]
    pose: CardPose | None
    camera: Camera
    correction: ColourCorrection
    fruit: tuple[Fruit, ...]
    labels: Labels


def locate(photo: Photo, grey: NDArray[np.uint8] | None = None) -> LocatedTray:
    """Find card and fruit; ``grey`` is the photo without colour, where the caller has it already."""
    card = _card()
    if grey is None:
        grey = cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY)
    pose = find_card(grey, card, photo.focal_35mm)
    if pose is None:
        return _locate_without_card(photo)
    correction = fit_correction(photo.bgr, pose, card) or no_correction()
    bgr, camera = _at_scoring_size(photo.bgr, pose.camera)
    fruit, labels = find_fruit(bgr, camera, correction, card_outline_px(camera))
    return LocatedTray(bgr, pose, camera, correction, tuple(fruit), labels)


def card_outline_px(camera: Camera, margin_mm: float = 0.0) -> NDArray[np.float64]:
    """Corners (4, 2) of the card, moved outward by a margin, in a picture whose camera has the card as its world."""
    outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * margin_mm
    x, y = (_card().outline_mm + outward).T
    return camera.project(np.column_stack([x, -y, np.zeros(4)]))


def _at_scoring_size(bgr: NDArray[np.uint8], camera: Camera) -> tuple[NDArray[np.uint8], Camera]:
    """The picture, made smaller where it resolves more than the smallest mark needs, and its camera."""
    height, width = bgr.shape[:2]
    factor = camera.mm_per_px(np.array([width / 2, height / 2])) / SCORING_MM_PER_PX
    if factor >= 0.95:
        return bgr, camera
    smaller = cv2.resize(bgr, (round(width * factor), round(height * factor)), interpolation=cv2.INTER_AREA)
    return smaller, camera.scaled(smaller.shape[1] / width)


def skin_lab(tray: LocatedTray, fruit: Fruit) -> Float32:
    """CIELAB (H, W, 3) of one fruit's window, exposed so that its middle skin is always as bright.

    Contrasts then do not depend on where in the tray's light the fruit lies, and no bright skin is clipped.
    """
    light = tray.correction.to_linear(tray.bgr[fruit.window])
    middle = median(light[..., 1][fruit.inside])
    return linear_bgr_to_lab(light * np.float32(MIDDLE_LIGHT / max(middle, 0.01)))


def measure_proposals(tray: LocatedTray, fruit: Fruit, model: Discriminant) -> tuple[Labels, pd.DataFrame]:
    """Labels (H, W) of one fruit's proposals in its window, and their measures."""
    lab = skin_lab(tray, fruit)
    contrasts = contrast_maps(lab, fruit.inside, fruit.skin)
    probabilities = model.probabilities(contrasts, fruit.inside)
    labels = propose_marks(probabilities, fruit.inside, fruit.skin.area_mm2, fruit.skin.mm_per_px, lab)
    return labels, measure_marks(labels, contrasts, probabilities, fruit.inside, fruit.skin)


@lru_cache(maxsize=1)
def _card() -> CardDefinition:
    return load_card()


def _locate_without_card(photo: Photo) -> LocatedTray:
    """Fruit at a nominal scale: the one at which their median length is that of a mango.

    The scale to start from is the one at which most of the picture is shaped like fruit of a mango's size.
    """
    looks = [_look_at_nominal_scale(photo, diagonal_mm) for diagonal_mm in NOMINAL_DIAGONALS_MM]
    diagonal_mm, tray = max(zip(NOMINAL_DIAGONALS_MM, looks, strict=True), key=lambda look: _fruit_share(look[1]))
    if not tray.fruit:
        return tray
    ratio = NOMINAL_LENGTH_MM / float(np.median([fruit.solid.length_mm for fruit in tray.fruit]))
    again = _look_at_nominal_scale(photo, diagonal_mm * ratio)
    return again if _fruit_share(again) > 0.9 * _fruit_share(tray) else tray


def _look_at_nominal_scale(photo: Photo, diagonal_mm: float) -> LocatedTray:
    height, width = photo.bgr.shape[:2]
    focal_px = focal_px_of(photo.focal_35mm or TYPICAL_FOCAL_35MM, width, height)
    camera = nominal_camera(width, height, focal_px, diagonal_mm / float(np.hypot(width, height)))
    bgr, camera = _at_scoring_size(photo.bgr, camera)
    correction = no_correction()
    fruit, labels = find_fruit(bgr, camera, correction, None)
    return LocatedTray(bgr, None, camera, correction, tuple(fruit), labels)


def _fruit_share(tray: LocatedTray) -> float:
    """Share of the picture that fruit cover, each weighed by how well a solid fits it: two taken for one fit badly."""
    covered = sum(
        np.count_nonzero(fruit.inside) * np.exp(-((fruit.solid.misfit_mm / (MISFIT * fruit.solid.length_mm)) ** 2))
        for fruit in tray.fruit
    )
    return float(covered) / tray.labels.size


def score_photo(
    source: str | Path | bytes | NDArray[np.uint8],
    *,
    name: str | None = None,
    manifest_tag: Tag | None = None,
    settings: Settings | None = None,
) -> TrayScore:
    """Score one tray photo: find card, tag, fruit and marks, name the marks, judge photo and fruit.

    Parameters
    ----------
    source : path of a photo, its bytes, or an (H, W, 3) uint8 B, G, R array.
    name : how the tables call the photo; its file name when None.
    manifest_tag : fields that give or override those of the tag in the photo.
    settings : limits and model; the shipped ones when None.

    Raises
    ------
    PhotoError : the file cannot be scored as a photo.
    LimitsError, ModelError : the settings cannot be used.
    """
    started = time.perf_counter()
    settings = settings or Settings()
    model, limits = load_model(settings.model_folder), load_limits(settings.limits)
    photo = open_photo(source, name=name)
    grey = cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY)
    tag = merge(read_tag(grey), manifest_tag)
    tray = locate(photo, grey)
    checks = check_photo(photo.bgr, tray.bgr, tray.fruit, tray.pose, tray.correction)
    marks, mark_labels = _find_marks(photo.name, tray, model)
    judged = marks[["fruit", "kind", "area_mm2", "length_mm"]]
    of_fruit, none = dict(iter(judged.groupby("fruit"))), judged.iloc[:0]
    fruit = fruit_table(
        [_fruit_row(photo.name, one, tag, of_fruit.get(one.number, none), limits, tray.pose) for one in tray.fruit]
    )
    row = _photo_row(photo, tag, tray, checks, settings.zone) | {"seconds": round(time.perf_counter() - started, 3)}
    return TrayScore(
        photo=photo_table([row]),
        fruit=fruit,
        marks=_shown(marks, tray.pose),
        fruit_mask=_at_full_size(tray.labels, tray.fruit, photo.full_size),
        mark_mask=_at_full_size(mark_labels, tray.fruit, photo.full_size),
    )


def _find_marks(name: str, tray: LocatedTray, model: MarkModel) -> tuple[pd.DataFrame, Labels]:
    """Marks of all fruit with kinds and measures, and their label image; millimetres may still be nominal."""
    mark_labels = np.zeros(tray.labels.shape, np.int32)
    proposed = [measure_proposals(tray, fruit, model.discriminant) for fruit in tray.fruit]
    counts = [len(table) for _, table in proposed]
    if not sum(counts):
        return empty_marks(), mark_labels
    measures = pd.concat([table for _, table in proposed if len(table)], ignore_index=True)
    named = name_marks(measures, model)
    kept = (named["kind"] != NOT_A_MARK).to_numpy()
    if not kept.any():
        return empty_marks(), mark_labels
    mark = np.cumsum(kept) * kept
    for fruit, (labels, _), own in zip(tray.fruit, proposed, np.split(mark, np.cumsum(counts)[:-1]), strict=True):
        numbers = np.concatenate([[0], own]).astype(np.int32)
        np.copyto(mark_labels[fruit.window], numbers.take(labels), where=labels > 0)
    measures, named = measures[kept].reset_index(drop=True), named[kept].reset_index(drop=True)
    because = [", ".join(names) for names in driving_measures(measures, named, model)]
    columns: dict[str, Any] = {
        "photo": name,
        "fruit": np.repeat([fruit.number for fruit in tray.fruit], counts)[kept],
        "mark": mark[kept],
        "kind": named["kind"],
        "probability": named["probability"],
    }
    for place, (column, values) in enumerate(columns.items()):
        measures.insert(place, column, values)
    measures.insert(len(MARK_COLUMNS), "because", because)
    return measures, mark_labels


def _shown(marks: pd.DataFrame, pose: CardPose | None) -> pd.DataFrame:
    """The marks table as it is handed out: without a card, nothing that hangs on a scale."""
    if pose is not None or marks.empty:
        return marks
    hidden = [c for c in MEASURES if "_mm" in c or c == "branching_per_cm"]
    return marks.assign(**dict.fromkeys(hidden, np.nan))


def _fruit_row(
    photo: str, fruit: Fruit, tag: Tag, own: pd.DataFrame, limits: Limits, pose: CardPose | None
) -> dict[str, Any]:
    skin = fruit.skin.visible_area_mm2
    fraction = min(float(own["area_mm2"].sum()) / skin, 1.0) if skin > 0 else 0.0
    scaled = pose is not None
    verdict: FruitVerdict = judge_fruit(
        own,
        visible_area_mm2=skin if scaled else None,
        length_mm=fruit.solid.length_mm if scaled else None,
        width_mm=fruit.solid.width_mm if scaled else None,
        limits=limits,
    )
    reason = verdict.reason + ("; cut off by the edge of the photo" if fruit.cut_off else "")
    return {
        "photo": photo,
        "crew": tag.crew,
        "bin": tag.bin,
        "fruit": fruit.number,
        "length_mm": fruit.solid.length_mm if scaled else np.nan,
        "width_mm": fruit.solid.width_mm if scaled else np.nan,
        "mass_g": _number(verdict.mass_g),
        "size_code": verdict.size_code,
        "visible_area_mm2": skin if scaled else np.nan,
        "brown_area_mm2": _number(verdict.brown_area_mm2),
        "brown_fraction": fraction,
        "sap_burn_mm2": _number(verdict.sap_burn_mm2),
        "abrasion_mm2": _number(verdict.abrasion_mm2),
        "other_mm2": _number(verdict.other_mm2),
        "marks": len(own),
        "class": verdict.class_name,
        "downgraded": verdict.downgraded,
        "verdict": verdict.verdict,
        "reason": reason,
        "x_mm": float(fruit.solid.centre_mm[0]) if scaled else np.nan,
        "y_mm": float(fruit.solid.centre_mm[1]) if scaled else np.nan,
    }


def _photo_row(photo: Photo, tag: Tag, tray: LocatedTray, checks: list[Check], zone: str | None) -> dict[str, Any]:
    verdict, reasons = overall(checks)
    site = zone_of(zone) if zone else None
    taken_at = tag.taken_at or camera_time(photo.taken_at, photo.clock_ahead, site)
    held = hold_time(tag.picked_at, taken_at, site)
    found = tray.pose is not None
    height, width = tray.bgr.shape[:2]
    mm_per_px = tray.camera.mm_per_px(np.array([width / 2, height / 2])) * width / photo.full_size[0]
    return {
        "photo": photo.name,
        "sha256": photo.sha256,
        "taken_at": taken_at,
        "crew": tag.crew,
        "bin": tag.bin,
        "picked_at": tag.picked_at.isoformat(timespec="minutes") if tag.picked_at else None,
        "method": tag.method,
        "side": tag.side,
        "card_found": found,
        "mm_per_px": mm_per_px if found else np.nan,
        "camera_height_mm": tray.camera.height_mm if found else np.nan,
        "colour_residual": tray.correction.residual_delta_e00,
        "focus": figure_of(checks, "blur_mm") if found else np.nan,
        "verdict": verdict,
        "reasons": "; ".join(part for part in (reasons, held.trouble, *photo.doubts, *tag.doubts) if part),
        "fruit": len(tray.fruit),
        "tray": tag.tray,
        "block": tag.block,
        "cultivar": tag.cultivar,
        "hours_since_picking": _number(held.hours),
        "hold": held.hold,
    }


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _at_full_size(labels: Labels, fruit: Sequence[Fruit], full_size: tuple[int, int]) -> NDArray[np.uint16]:
    """Labels in the pixels of the full photo, by the nearest pixel; only the windows of fruit hold any."""
    rows, columns = (_nearest(*counts) for counts in zip(labels.shape, full_size[::-1], strict=True))
    narrow = labels.astype(np.uint16)
    full = np.zeros((len(rows), len(columns)), np.uint16)
    for one in fruit:
        (top, bottom), (left, right) = (
            np.searchsorted(places, [side.start, side.stop])
            for places, side in zip((rows, columns), one.window, strict=True)
        )
        wide = narrow[one.window].take(columns[left:right] - one.window[1].start, axis=1)
        full[top:bottom, left:right] = wide.take(rows[top:bottom] - one.window[0].start, axis=0)
    return full


def _nearest(count: int, full_count: int) -> NDArray[np.intp]:
    """For each of ``full_count`` pixels in a line, the nearest of ``count``."""
    line = np.arange(count, dtype=np.uint16)[None]
    return np.asarray(cv2.resize(line, (full_count, 1), interpolation=cv2.INTER_NEAREST_EXACT)[0], np.intp)
