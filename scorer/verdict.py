"""The verdict on one fruit: its marks, summed and held against a limit table.

Every mark counts with its area: sap stains, rubs, creases, what nobody could name, and wounds too small to
matter. A cut or stem puncture from the length in the table on keeps the fruit out of every class, for it is
no longer whole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from scorer.limits import ClassLimit, Limits
from scorer.mass import RMSE_G, RMSE_WITH_THICKNESS_G, mass_g, size_code

WITHIN = "within limits"
OVER = "over limits"
NOT_JUDGED = "not judged"
VERDICTS = (WITHIN, OVER, NOT_JUDGED)

OUT_OF_CLASS = "out of class"
"""Class of a fruit that no class of the table takes."""
UNSIZED = "unsized"
"""Class of a fruit for whose mass the table has no size code."""

NEAR_SHARE = 0.5
"""Share of a limit from which the side that nobody saw could, marked alike, take the fruit over it."""

_KIND_WORDS = {
    "sap_burn": "sap burn",
    "abrasion": "abrasion",
    "cut": "cut",
    "stem_puncture": "stem puncture",
    "crease": "crease",
    "unsure": "unnamed marks",
}
_CM2 = 100.0  # mm2
_ROUNDING_MM2 = 1e-6  # so that sums of areas at a limit do not fall over it by the last bit


@dataclass(frozen=True)
class FruitVerdict:
    """What a limit table says of the visible side of one fruit.

    Parameters
    ----------
    mass_g : estimated mass; None without a scale.
    size_code : "" when the table has none for this fruit.
    brown_area_mm2, sap_burn_mm2, abrasion_mm2, other_mm2 : area of the marks, in all and by kind; cuts, stem
        punctures, creases and unsure marks are the others. None without a scale.
    brown_fraction : brown area as a share of the visible skin; None without a scale.
    class_name : name of the class, `OUT_OF_CLASS`, `UNSIZED`, or "" without a scale.
    downgraded : whether a limit keeps the fruit from the best class that the table has by area. False also
        where nothing could be judged: read it together with the verdict.
    verdict : `WITHIN` (in some class of the table), `OVER` (in none) or `NOT_JUDGED`.
    reason : why, in words, with the table and what of it is from memory.
    """

    mass_g: float | None
    size_code: str
    brown_area_mm2: float | None
    sap_burn_mm2: float | None
    abrasion_mm2: float | None
    other_mm2: float | None
    brown_fraction: float | None
    class_name: str
    downgraded: bool
    verdict: str
    reason: str


def judge_fruit(
    marks: pd.DataFrame,
    *,
    visible_area_mm2: float | None,
    length_mm: float | None,
    width_mm: float | None,
    limits: Limits,
    thickness_mm: float | None = None,
    both_sides: bool = False,
) -> FruitVerdict:
    """Hold the marks of one fruit against a limit table.

    A photo shows one side of a fruit only, about half of its skin at best, and the tables speak of the whole
    fruit. The verdict is on what is seen; when more than half of a limit is used up on the only side seen, the
    reason asks to turn the fruit.

    Parameters
    ----------
    marks : one row for each mark of the fruit: kind (str), area_mm2 and length_mm (float). No rows: a clean
        fruit.
    visible_area_mm2 : skin seen; None or NaN without a scale.
    length_mm, width_mm, thickness_mm : dimensions of the fruit; None or NaN where not known.
    limits : the table.
    both_sides : whether the marks are those of both sides.

    Returns
    -------
    The verdict. Without a scale nothing is judged: areas are None, never invented.

    Raises
    ------
    ValueError : marks lack a column.
    """
    missing = {"kind", "area_mm2", "length_mm"} - set(marks.columns)
    if missing:
        raise ValueError(f"marks lack the columns {', '.join(sorted(missing))}")
    if visible_area_mm2 is None or not _positive(visible_area_mm2) or bool(marks["area_mm2"].isna().any()):
        return _no_scale(limits)
    by_kind = _area_by_kind(marks)
    brown = sum(by_kind.values())
    mass = _mass(length_mm, width_mm, thickness_mm)
    code = size_code(mass, limits) if mass is not None else ""
    class_name, downgraded, verdict, reason = _judge(
        marks, by_kind, mass=mass, code=code, limits=limits, both_sides=both_sides
    )
    if code and verdict != NOT_JUDGED and _size_matters(mass or 0.0, brown, thickness_mm, limits):
        reason += "; near the border of a size code and its mass is an estimate: weigh it"
    sap_burn, abrasion = by_kind.get("sap_burn", 0.0), by_kind.get("abrasion", 0.0)
    return FruitVerdict(
        mass_g=mass,
        size_code=code,
        brown_area_mm2=brown,
        sap_burn_mm2=sap_burn,
        abrasion_mm2=abrasion,
        other_mm2=sum(area for kind, area in by_kind.items() if kind not in ("sap_burn", "abrasion")),
        brown_fraction=brown / visible_area_mm2,
        class_name=class_name,
        downgraded=downgraded,
        verdict=verdict,
        reason=f"{reason}. Table: {limits.label}",
    )


def _no_scale(limits: Limits) -> FruitVerdict:
    reason = f"no scale, so nothing in mm: lay the reference card on the tray. Table: {limits.label}"
    return FruitVerdict(None, "", None, None, None, None, None, "", False, NOT_JUDGED, reason)


def _area_by_kind(marks: pd.DataFrame) -> dict[str, float]:
    """Area in mm2 of each kind that the fruit has, largest first."""
    sums: dict[str, float] = {}
    for kind, area in zip(marks["kind"], marks["area_mm2"], strict=True):
        sums[str(kind)] = sums.get(str(kind), 0.0) + float(area)
    return dict(sorted(sums.items(), key=lambda pair: -pair[1]))


def _mass(length_mm: float | None, width_mm: float | None, thickness_mm: float | None) -> float | None:
    if length_mm is None or width_mm is None or not (_positive(length_mm) and _positive(width_mm)):
        return None
    return mass_g(length_mm, width_mm, thickness_mm if _positive(thickness_mm) else None)


def _judge(
    marks: pd.DataFrame,
    by_kind: dict[str, float],
    *,
    mass: float | None,
    code: str,
    limits: Limits,
    both_sides: bool,
) -> tuple[str, bool, str, str]:
    """Class, downgraded, verdict and reason; a wound goes before the area, for no size makes it good."""
    wound = _open_wound(marks, limits)
    if wound:
        return OUT_OF_CLASS, True, OVER, wound
    if limits.size_codes and mass is None:
        return (
            UNSIZED,
            False,
            NOT_JUDGED,
            "length or width is not known, so there is no mass and no size code",
        )
    if limits.size_codes and not code:
        return UNSIZED, False, NOT_JUDGED, _why_unsized(mass or 0.0, limits)
    brown_mm2 = sum(by_kind.values())
    best = limits.classes[0]
    reached = _class_for(brown_mm2, code, limits)
    if reached is None:
        return OUT_OF_CLASS, True, OVER, _against(by_kind, limits.classes[-1], code, over=True)
    if reached is not best:
        reason = _against(by_kind, best, code, over=True) + f", so {reached.words}"
        return reached.name, True, WITHIN, reason + _other_side(brown_mm2, reached, code, both_sides)
    if brown_mm2 == 0:
        return (
            best.name,
            False,
            WITHIN,
            f"no marks on {'either side' if both_sides else 'the side seen'}, so {best.words}",
        )
    return (
        best.name,
        False,
        WITHIN,
        _against(by_kind, best, code, over=False) + _other_side(brown_mm2, best, code, both_sides),
    )


def _open_wound(marks: pd.DataFrame, limits: Limits) -> str:
    """Name the longest wound that keeps the fruit out of every class, in words; "" when there is none."""
    found = [
        (float(length), str(kind))
        for kind, length in zip(marks["kind"], marks["length_mm"], strict=True)
        if length >= limits.open_wounds_mm.get(str(kind), math.inf)
    ]
    if not found:
        return ""
    length_mm, kind = max(found)
    return (
        f"{_KIND_WORDS[kind]} {length_mm:.0f} mm long: an open wound of {limits.open_wounds_mm[kind]:g} mm "
        "or more keeps a fruit out of every class"
    )


def _class_for(brown_mm2: float, code: str, limits: Limits) -> ClassLimit | None:
    """Best class whose area is not exceeded."""
    fits = (each for each in limits.classes if brown_mm2 <= each.area_cm2[code] * _CM2 + _ROUNDING_MM2)
    return next(fits, None)


def _why_unsized(mass: float, limits: Limits) -> str:
    first, last = limits.size_codes[0], limits.size_codes[-1]
    if mass < first.from_g:
        return f"estimated mass {mass:.0f} g lies below the smallest size code, which begins at {first.from_g} g"
    return f"estimated mass {mass:.0f} g lies above the largest size code, which ends at {last.to_g} g"


def _against(by_kind: dict[str, float], limit: ClassLimit, code: str, *, over: bool) -> str:
    """Such as: sap burn and abrasion 4.1 cm2, over the 3 cm2 of class I for size A."""
    words = [_KIND_WORDS.get(kind, kind) for kind, area in by_kind.items() if area > 0]
    kinds = " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
    allowed = limit.area_cm2[code]
    area = _cm2(sum(by_kind.values()), allowed)
    size = f" for size {code}" if code else ""
    return f"{kinds} {area} cm2, {'over' if over else 'within'} the {allowed:g} cm2 of {limit.words}{size}"


def _cm2(area_mm2: float, allowed_cm2: float) -> str:
    """Area with as many decimals as it takes not to look equal to a limit that it differs from."""
    for decimals in (1, 2, 3):
        shown = f"{area_mm2 / _CM2:.{decimals}f}"
        if float(shown) != allowed_cm2:
            return shown
    return f"{area_mm2 / _CM2:.1f}" if area_mm2 <= allowed_cm2 * _CM2 + _ROUNDING_MM2 else f"{area_mm2 / _CM2:.6f}"


def _other_side(brown_mm2: float, limit: ClassLimit, code: str, both_sides: bool) -> str:
    if both_sides or brown_mm2 <= NEAR_SHARE * limit.area_cm2[code] * _CM2:
        return ""
    return "; only one side is seen and the other may take it over: turn the fruit"


def _size_matters(mass: float, brown_mm2: float, thickness_mm: float | None, limits: Limits) -> bool:
    """Whether another size code within the error of the estimated mass would give another class."""
    error_g = RMSE_WITH_THICKNESS_G if _positive(thickness_mm) else RMSE_G
    codes = {size_code(mass + shift_g, limits) for shift_g in (-error_g, 0.0, error_g)} - {""}
    reached = [_class_for(brown_mm2, code, limits) for code in codes]
    return len({each.name if each else OUT_OF_CLASS for each in reached}) > 1


def _positive(value: float | None) -> bool:
    return value is not None and 0 < value < math.inf
