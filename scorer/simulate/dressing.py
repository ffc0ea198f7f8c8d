"""What lies on each fruit: which marks its crew left, which look-alikes came by themselves, and where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scorer.simulate.light import LightRig
from scorer.simulate.lookalikes import (
    COVERING,
    DRAW_LOOKALIKE,
    USUAL_NUMBER,
    draw_clean_drip,
    draw_nose_tip,
    draw_stem_scar,
    draw_water_drop,
    draw_wax_patch,
)
from scorer.simulate.marks import DRAW_MARK, wished_contrast
from scorer.simulate.settings import MARK_KINDS, TraySettings
from scorer.simulate.solids import LaidFruit, SurfaceCrop
from scorer.simulate.stamps import LaidStamp, SkinLayers, Stamp, lay_stamp, skin_axes

Floats = NDArray[np.floating[Any]]

Bool = NDArray[np.bool_]

MOST_MARKS = 4  # on one fruit


@dataclass(frozen=True)
class Lookalike:
    """Something that is no mark: its kind, and its place in the crop as a mask (h, w)."""

    kind: str
    where: Bool


@dataclass(frozen=True)
class Dress:
    """What one fruit wears.

    Attributes
    ----------
    clean, marked, topped : the skin without marks, with them, and with what lies on top as well.
    marks : kinds of the marks, in the order of their labels.
    labels : (h, w) uint8, 0 for none, i + 1 for ``marks[i]``.
    lookalikes : what is no mark.
    """

    clean: SkinLayers
    marked: SkinLayers
    topped: SkinLayers
    marks: tuple[str, ...]
    labels: NDArray[np.uint8]
    lookalikes: tuple[Lookalike, ...]


def draw_habits(rng: np.random.Generator, settings: TraySettings) -> dict[str, float]:
    """Draw the expected number of marks per fruit and kind; 10 to 100 % of a tray's fruit are clean."""
    if settings.habits is not None:
        return {kind: float(settings.habits.get(kind, 0.0)) for kind in MARK_KINDS}
    total = -np.log(rng.uniform(0.1, 1.0))
    shares = rng.dirichlet(np.full(len(MARK_KINDS), 0.9))
    return {kind: float(total * share) for kind, share in zip(MARK_KINDS, shares, strict=True)}


def _mark_kinds(rng: np.random.Generator, habits: dict[str, float]) -> list[str]:
    kinds = [kind for kind, expected in habits.items() for _ in range(rng.poisson(expected))]
    rng.shuffle(kinds)
    return kinds[:MOST_MARKS]


def _seen_point(
    rng: np.random.Generator, crop: SurfaceCrop, weight: Floats | None = None, least_facing: float = 0.3
) -> tuple[Floats, Floats] | None:
    """Pick a random skin point (3,) that the camera sees, and its normal."""
    chance = np.minimum(crop.area_mm2, 1.0) * ((crop.facing > least_facing) & (crop.cover > 0.9))
    if weight is not None:
        chance = chance * weight
    flat = np.cumsum(chance.ravel(), dtype=float)
    if flat[-1] <= 0:
        return None
    index = int(np.searchsorted(flat, rng.random() * flat[-1]))
    row, column = divmod(min(index, chance.size - 1), chance.shape[1])
    return crop.point[:, row, column].astype(float), crop.normal[:, row, column].astype(float)


@dataclass(frozen=True)
class FruitView:
    """One fruit as the camera sees it, with its stem end (3,) in the fruit frame."""

    fruit: LaidFruit
    crop: SurfaceCrop
    stem_mm: Floats
    stem_normal: Floats


def view_of(rng: np.random.Generator, fruit: LaidFruit, crop: SurfaceCrop) -> FruitView:
    """Draw where exactly the stem sat: at the end of the long axis, a little to one side."""
    shape = fruit.shape
    lean = rng.normal(0, 0.22, 2)
    stem, normal = shape.skin_point(np.array([shape.a, lean[0] * shape.b, lean[1] * shape.c]))
    return FruitView(fruit, crop, stem, normal)


def _place_mark(rng: np.random.Generator, seen: FruitView, kind: str) -> tuple[Floats, Floats, Floats] | None:
    """Centre (3,), normal (3,) and direction (3,) of a mark: sap near the stem and running away from it."""
    if rng.random() < 0.08:
        centre, normal = seen.fruit.shape.skin_point(rng.normal(0, 1, 3) * seen.fruit.shape.b)
        return centre, normal, rng.normal(0, 1, 3)
    weight = None
    if kind == "sap" and rng.random() < 0.75:
        away = seen.crop.point - seen.stem_mm.astype(np.float32)[:, None, None]
        weight = np.exp(-np.sqrt(np.sum(away * away, axis=0)) / np.float32(rng.uniform(8, 25)))
    found = _seen_point(rng, seen.crop, weight, float(rng.uniform(0.12, 0.5)))
    if found is None:
        return None
    away_from_stem = found[0] - seen.stem_mm
    if kind == "sap" and rng.random() < 0.8 and np.linalg.norm(away_from_stem) > 2:
        return *found, away_from_stem + rng.normal(0, 0.2, 3) * np.linalg.norm(away_from_stem)
    return *found, rng.normal(0, 1, 3)


def _where(laid: LaidStamp, shape: tuple[int, int]) -> Bool:
    mask = np.zeros(shape, bool)
    mask[laid.rows, laid.columns] = laid.extent >= 0.5
    return mask


def _natural(rng: np.random.Generator, seen: FruitView, layers: SkinLayers, busy: float) -> list[Lookalike]:
    """Stem scar, nose tip, wax and dried drips: part of the clean skin."""
    crop, shape = seen.crop, seen.crop.cover.shape
    plan: list[tuple[Stamp, tuple[Floats, Floats] | None, Floats]] = []
    if rng.random() < 0.92:
        plan.append((draw_stem_scar(rng), (seen.stem_mm, seen.stem_normal), rng.normal(0, 1, 3)))
    if rng.random() < 0.5:
        nose = seen.fruit.shape.skin_point(np.array([-1.0, *rng.normal(0, 0.06, 2)]))
        plan.append((draw_nose_tip(rng), nose, rng.normal(0, 1, 3)))
    for _ in range(rng.poisson(USUAL_NUMBER["wax_bloom"] * busy)):
        plan.append((draw_wax_patch(rng), _seen_point(rng, crop), rng.normal(0, 1, 3)))
    for _ in range(rng.poisson(USUAL_NUMBER["clean_drip"] * busy)):
        plan.append((draw_clean_drip(rng), _seen_point(rng, crop), rng.normal(0, 1, 3)))
    found = []
    for stamp, place, along in plan:
        laid = lay_stamp(layers, crop, stamp, *place, along) if place else None
        if laid is not None:
            found.append(Lookalike(stamp.kind, _where(laid, (shape[0], shape[1]))))
    return found


def _toppings(
    rng: np.random.Generator, seen: FruitView, layers: SkinLayers, rig: LightRig, busy: float
) -> list[Lookalike]:
    """Lay on the fruit what hides or covers skin: water, dust, fibres, leaf bits, paper dots."""
    crop, found = seen.crop, []
    wet = rng.choice([0.0, 1.0, 6.0], p=[0.6, 0.3, 0.1])
    numbers = {kind: rng.poisson(USUAL_NUMBER[kind] * busy) for kind in DRAW_LOOKALIKE}
    kinds = [kind for kind, number in numbers.items() for _ in range(number)]
    kinds += ["water_drop"] * int(min(rng.poisson(USUAL_NUMBER["water_drop"] * busy * wet * 2.5), 25))
    for kind in kinds:
        place = _seen_point(rng, crop, least_facing=0.2)
        if place is None:
            continue
        along = rng.normal(0, 1, 3)
        if kind == "water_drop":
            axes = skin_axes(place[1], along)
            lamp = rig.lamps[0].direction @ seen.fruit.rotation
            stamp = draw_water_drop(rng, (float(lamp @ axes[0]), float(lamp @ axes[1])))
        else:
            stamp = DRAW_LOOKALIKE[kind](rng)
        laid = lay_stamp(layers, crop, stamp, *place, along)
        if laid is not None:
            found.append(Lookalike(kind, _where(laid, (crop.cover.shape[0], crop.cover.shape[1]))))
    return found


def dress_fruit(
    rng: np.random.Generator,
    seen: FruitView,
    skin: SkinLayers,
    habits: dict[str, float],
    rig: LightRig,
    busy: float,
) -> Dress:
    """Put marks and look-alikes on painted skin; ``busy`` scales the number of look-alikes."""
    lookalikes = _natural(rng, seen, skin, busy)
    marked = skin.copy()
    labels = np.zeros(skin.gloss.shape, np.uint8)
    marks: list[str] = []
    for kind in _mark_kinds(rng, habits):
        place = _place_mark(rng, seen, kind)
        if place is None:
            continue
        laid = lay_stamp(marked, seen.crop, DRAW_MARK[kind](rng), *place, wished_contrast(rng, kind))
        if laid is not None:
            marks.append(kind)
            labels[laid.rows, laid.columns][laid.extent >= 0.5] = len(marks)
    topped = marked.copy()
    toppings = _toppings(rng, seen, topped, rig, busy)
    for each in toppings:
        if each.kind in COVERING:
            labels[each.where] = 0
    return Dress(skin, marked, topped, tuple(marks), labels, tuple(lookalikes + toppings))
