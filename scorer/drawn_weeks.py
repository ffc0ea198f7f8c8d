"""Three weeks of an invented season as figures without photos: bins, fruit and marks drawn as scoring would tell them.

Everything is made up. Crews have the habits of ``scorer.simulate.season``; fruit of one bin are alike (beta-binomial);
what a fruit comes to is not drawn but judged from its marks, as any other fruit's is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any, Final

import numpy as np
import pandas as pd

from scorer.hold_time.clock import hold_time
from scorer.limits import Limits
from scorer.score_tables import UNSURE, empty_marks, fruit_table, photo_table
from scorer.simulate.season import CREWS, Crew
from scorer.verdict import judge_fruit

FIRST_DAY: Final = date(2025, 12, 22)
LAST_DAY: Final = date(2026, 1, 16)
"""On it the bins are picked that still wait for their second day; the sample photos end with it, too."""
TROUBLED_DAY: Final = date(2026, 1, 10)
"""On it the bins are picked of which photos are to be taken again, or nobody named the crew."""
BINS_OF_CREW: Final = 12
FRUIT_OF_BIN: Final = 12
LIKENESS: Final = 0.07
"""Intraclass correlation of fruit of one bin."""
SHARES: Final = {"Bowerbird": 0.36, "Paperbark": 0.34, "Curlew": 0.28, "Brolga": 0.45, "Quandong": 0.07}
"""Share of downgraded fruit of each crew at first."""
IMPROVES, IMPROVED_SHARE, IMPROVED_FROM = "Brolga", 0.13, date(2026, 1, 1)
"""One crew is better from a day on, as if it had been coached then."""
BLOCK_ODDS: Final = {"Creek": 1.5, "Hill": 0.8, "Road": 1.0}
METHOD_ODDS: Final = {"hand_snap": 1.2, "hand_clip": 0.9, "pole": 1.1, "harvest_aid": 0.8}
ODDS_PER_HOUR: Final = 1.06
"""Hands get tired: by this factor the odds of a downgraded fruit rise with each hour of the shift."""
EARLY_BINS: Final = 20
WAITING_BINS: Final = 4

_WORK_DAYS: Final = 15
_OWN_METHOD: Final = (
    0.65  # of a crew's bins; the others it picks as other crews do, so that crew and method can be told
)
_KIND_OF_HABIT: Final = {
    "sap": "sap_burn",
    "abrasion": "abrasion",
    "cut": "cut",
    "puncture": "stem_puncture",
    "crease": "crease",
}
_DOWNGRADING: Final = ("sap_burn", "abrasion", "cut", "stem_puncture")  # a crease alone seldom is large enough
_SHARE_UNSURE: Final = 0.08
_STILL_SHOWS: Final = (0.30, 0.50)  # part of a mark's final area that an early photo shows
_RETAKE_REASON: Final = "glare hides skin: turn the tray or shade it from the lamp"

Examples = Mapping[str, Sequence[dict[str, Any]]]
"""Marks that were scored, by kind."""


@dataclass(frozen=True)
class DrawnBin:
    """A bin: whose, when and how it was picked, and the chance of each of its fruit to be downgraded.

    Parameters
    ----------
    crew : None where nobody named it.
    """

    name: str
    crew: str | None
    habits: dict[str, float]
    picked_at: datetime
    method: str
    block: str
    share: float


@dataclass(frozen=True)
class DrawnFruit:
    """A fruit by its size in mm and its marks: kind, area_mm2, length_mm, width_mm, as they are in the end."""

    length_mm: float
    width_mm: float
    marks: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class DrawnPhoto:
    """Tables as scoring would give them of one photo; see ``scorer.score_tables``."""

    photo: pd.DataFrame
    fruit: pd.DataFrame
    marks: pd.DataFrame


def drawn_weeks(seed: int, limits: Limits, examples: pd.DataFrame) -> list[DrawnPhoto]:
    """Photos of three weeks, of a few bins that still wait for their second day, and some to be taken again.

    Parameters
    ----------
    seed : the same seed draws the same.
    limits : what the fruit are judged by.
    examples : marks that were scored on photos; drawn marks take their measures, so that these are such as occur.
    """
    draw = np.random.default_rng(seed)
    like = _by_kind(examples)
    photos: list[DrawnPhoto] = []
    bins = _bins(draw)
    early = set(draw.permutation(len(bins))[:EARLY_BINS].tolist())
    for place, one in enumerate(bins):
        fruit = _fruit_of(draw, one)
        if place in early:
            hours, shown = draw.uniform(3.0, 5.8), draw.uniform(*_STILL_SHOWS)
            photos.append(_photo(draw, one, fruit, limits, like, hours=hours, shown=shown, ending="_a_early"))
        photos.append(_photo(draw, one, fruit, limits, like, hours=draw.uniform(50.0, 55.0)))
    for one in _bins_of_day(draw, LAST_DAY, CREWS[:WAITING_BINS]):
        hours, shown = draw.uniform(3.0, 5.8), draw.uniform(*_STILL_SHOWS)
        photos.append(
            _photo(draw, one, _fruit_of(draw, one), limits, like, hours=hours, shown=shown, ending="_a_early")
        )
    return [*photos, *_troubled(draw, limits, like)]


def _bins(draw: np.random.Generator) -> list[DrawnBin]:
    days = [FIRST_DAY + timedelta(days=7 * (n // 5) + n % 5) for n in range(_WORK_DAYS)]
    picked = [
        (_moment(draw, days[n]), crew) for crew in CREWS for n in sorted(draw.permutation(_WORK_DAYS)[:BINS_OF_CREW])
    ]
    return _named(draw, sorted(picked, key=lambda pair: pair[0]))


def _bins_of_day(draw: np.random.Generator, day: date, crews: Sequence[Crew]) -> list[DrawnBin]:
    picked = [(_moment(draw, day), crew) for crew in crews]
    return _named(draw, sorted(picked, key=lambda pair: pair[0]))


def _moment(draw: np.random.Generator, day: date) -> datetime:
    """A quarter of an hour between 6:00 and 12:00."""
    return datetime(day.year, day.month, day.day, 6) + timedelta(minutes=15 * int(draw.integers(24)))


def _named(draw: np.random.Generator, picked: Sequence[tuple[datetime, Crew]]) -> list[DrawnBin]:
    numbers: dict[date, int] = {}
    bins = []
    for moment, crew in picked:
        numbers[moment.date()] = number = numbers.get(moment.date(), 0) + 1
        own = draw.random() < _OWN_METHOD
        method = crew.method if own else str(draw.choice(list(METHOD_ODDS)))
        block = str(draw.choice(list(BLOCK_ODDS)))
        share = _share(draw, crew.name, moment, METHOD_ODDS[method] * BLOCK_ODDS[block])
        habits = {_KIND_OF_HABIT[habit]: rate for habit, rate in crew.habits.items()}
        bins.append(DrawnBin(f"D{moment:%m%d}-{number}", crew.name, habits, moment, method, block, share))
    return bins


def _share(draw: np.random.Generator, crew: str, moment: datetime, odds_factor: float) -> float:
    """A bin's own chance: drawn about its crew's, so that fruit of one bin are alike."""
    usual = IMPROVED_SHARE if crew == IMPROVES and moment.date() >= IMPROVED_FROM else SHARES[crew]
    odds = usual / (1 - usual) * odds_factor * ODDS_PER_HOUR ** (moment.hour - 8)
    share, spread = odds / (1 + odds), 1 / LIKENESS - 1
    return float(draw.beta(share * spread, (1 - share) * spread))


def _fruit_of(draw: np.random.Generator, one: DrawnBin) -> list[DrawnFruit]:
    return [_one_fruit(draw, one) for _ in range(FRUIT_OF_BIN)]


def _one_fruit(draw: np.random.Generator, one: DrawnBin) -> DrawnFruit:
    length = float(np.clip(draw.normal(103, 9), 80, 130))
    marks = []
    if draw.random() < one.share:
        weights = np.array([one.habits.get(kind, 0.01) for kind in _DOWNGRADING])
        marks.append(_mark(draw, str(draw.choice(_DOWNGRADING, p=weights / weights.sum())), downgrading=True))
    kinds = list(one.habits)
    weights = np.array(list(one.habits.values()))
    for _ in range(min(draw.poisson(0.5 * weights.sum()), 2)):
        marks.append(_mark(draw, str(draw.choice(kinds, p=weights / weights.sum())), downgrading=False))
    return DrawnFruit(length, length * draw.uniform(0.64, 0.74), tuple(marks))


def _mark(draw: np.random.Generator, kind: str, *, downgrading: bool) -> dict[str, Any]:
    """A mark that the shed's usual table downgrades for (2 cm2, a cut of 5 mm, a puncture of 3 mm), or surely not."""
    if kind in ("sap_burn", "abrasion"):
        area = draw.uniform(215, 700) if downgrading else draw.uniform(12, 90)
        elongation = draw.uniform(2, 4) if kind == "sap_burn" else draw.uniform(1.2, 2.2)
        length = np.sqrt(area * elongation * 1.3)
        width = length / elongation
    elif kind == "stem_puncture":
        length = draw.uniform(3.3, 7.0) if downgrading else draw.uniform(1.6, 2.8)
        width, area = length * 0.8, length**2 * 0.6
    else:
        length = draw.uniform(6, 25) if downgrading else draw.uniform(2, 4.5) if kind == "cut" else draw.uniform(10, 30)
        width = min(draw.uniform(1.2, 2.2), 0.6 * length)
        area = length * width * 0.7
    if not downgrading and draw.random() < _SHARE_UNSURE:
        kind = UNSURE
    sizes = {"area_mm2": area, "length_mm": length, "width_mm": width}
    return {"kind": kind} | {name: float(value) for name, value in sizes.items()}


def _photo(
    draw: np.random.Generator,
    one: DrawnBin,
    fruit: Sequence[DrawnFruit],
    limits: Limits,
    like: Examples,
    *,
    hours: float,
    shown: float = 1.0,
    ending: str = "_a",
    verdict: str = "good",
    reasons: str = "",
) -> DrawnPhoto:
    """A photo of a bin's tray, so many hours after picking, when this part of each mark's area shows."""
    name = f"drawn/{one.name}{ending}.jpg"
    about = {"photo": name, "crew": one.crew, "bin": one.name}
    marks: list[dict[str, Any]] = []
    rows = []
    for number, each in enumerate(fruit, start=1):
        own = [_seen(draw, mark, like, shown) for mark in each.marks]
        rows.append(about | {"fruit": number} | _judged(each, own, limits))
        marks += [mark | {"photo": name, "fruit": number} for mark in own]
    taken_at = (one.picked_at + timedelta(hours=hours)).replace(second=0, microsecond=0)
    held = hold_time(one.picked_at, taken_at)
    height = draw.uniform(430, 560)
    row: dict[str, object] = {
        **about,
        "sha256": hashlib.sha256(f"drawn figures, no photo: {name}".encode()).hexdigest(),
        "taken_at": taken_at,
        "picked_at": one.picked_at,
        "method": one.method,
        "block": one.block,
        "side": "a",
        "card_found": True,
        "mm_per_px": height * 0.00066,
        "camera_height_mm": height,
        "colour_residual": draw.uniform(0.4, 1.5),
        "focus": draw.uniform(0.25, 0.6),
        "verdict": verdict,
        "reasons": reasons,
        "fruit": len(rows),
        "hours_since_picking": held.hours,
        "hold": held.hold,
    }
    return DrawnPhoto(photo_table([row]), fruit_table(rows), _marks_table(marks))


def _judged(fruit: DrawnFruit, marks: Sequence[dict[str, Any]], limits: Limits) -> dict[str, Any]:
    visible = fruit.length_mm * fruit.width_mm * 1.3  # such as scoring tells of fruit of these sizes
    said = judge_fruit(
        pd.DataFrame(marks, columns=["kind", "area_mm2", "length_mm"]),
        visible_area_mm2=visible,
        length_mm=fruit.length_mm,
        width_mm=fruit.width_mm,
        limits=limits,
    )
    names = ("mass_g", "size_code", "brown_area_mm2", "brown_fraction", "sap_burn_mm2", "abrasion_mm2", "other_mm2")
    return {name: getattr(said, name) for name in (*names, "downgraded", "verdict", "reason")} | {
        "length_mm": fruit.length_mm,
        "width_mm": fruit.width_mm,
        "visible_area_mm2": visible,
        "marks": len(marks),
        "class": said.class_name,
    }


def _seen(draw: np.random.Generator, mark: dict[str, Any], like: Examples, shown: float) -> dict[str, Any]:
    """A mark of which this part of the area shows, with the measures of one that was scored."""
    examples = like.get(mark["kind"]) or [one for of_kind in like.values() for one in of_kind]
    example = examples[int(draw.integers(len(examples)))]
    sides = {name: mark[name] * float(np.sqrt(shown)) for name in ("length_mm", "width_mm")}
    return {**example, **mark, **sides, "area_mm2": mark["area_mm2"] * shown}


def _marks_table(marks: Sequence[dict[str, Any]]) -> pd.DataFrame:
    if not marks:
        return empty_marks()
    return pd.DataFrame(marks).assign(mark=range(1, len(marks) + 1))


def _by_kind(examples: pd.DataFrame) -> Examples:
    return {
        str(kind): [{str(name): value for name, value in row.items()} for row in rows.to_dict("records")]
        for kind, rows in examples.groupby("kind")
    }


def _troubled(draw: np.random.Generator, limits: Limits, like: Examples) -> list[DrawnPhoto]:
    """Three trays to be photographed again, one of which was, and one whose crew nobody named."""
    *retaken, nobodys = _bins_of_day(draw, TROUBLED_DAY, CREWS[:4])
    photos = []
    for place, one in enumerate(retaken):
        fruit = _fruit_of(draw, one)
        photos.append(_photo(draw, one, fruit, limits, like, hours=51.0, verdict="retake", reasons=_RETAKE_REASON))
        if place == 0:
            photos.append(_photo(draw, one, fruit, limits, like, hours=51.2, ending="_a_again"))
    nobodys = replace(nobodys, crew=None)
    return [*photos, _photo(draw, nobodys, _fruit_of(draw, nobodys), limits, like, hours=52.0)]
