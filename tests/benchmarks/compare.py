"""Compare scored trays with trays whose truth is known.

The figures are those of the measuring script that the project is judged by, under the same names. The results
are what ``scorer score PHOTOS --out RESULTS --masks`` wrote; the truth is a folder of ``<stem>.json``,
``<stem>.fruit.png`` and ``<stem>.marks.png``. A photo without results counts as all missed.
"""

from __future__ import annotations

import csv
import json
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from scorer.score_tables import KINDS

TRUE_KIND = {"sap": "sap_burn", "puncture": "stem_puncture"}  # others keep their name
SMALLEST_MARK_MM2 = 10.0  # smaller true marks are not asked for
FAINTEST_MARK_DE = 8.0  # nor fainter ones (mean colour difference to the skin under them, CIE76)
STEEPEST_MARK = 0.3  # nor those on the rim, seen at less than this share of their true area
DEFECTIVE_MARK_MM2 = 100.0  # a fruit with more than this in marks counts as defective (1 cm2)

Mask = NDArray[np.uint16]
Row = dict[str, str]


@dataclass
class Tally:
    """What has been counted and measured so far, over all trays."""

    counts: Counter[str] = field(default_factory=Counter)
    values: defaultdict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)


@dataclass(frozen=True)
class Tray:
    """One tray: its truth and what was said of it."""

    want: dict[str, Any]
    fruit_true: Mask
    marks_true: Mask
    fruit_said: Mask
    marks_said: Mask
    fruit_rows: dict[int, Row]
    kind_said: dict[int, str]
    area_said: dict[int, float]


def compare(results: Path, truth: Path) -> dict[str, Any]:
    """Figures of the results in a folder against the truth in another."""
    tally = Tally()
    rows = {name: _read_rows(results / f"{name}.csv") for name in ("fruit", "marks")}
    for told in sorted(truth.glob("*.json")):
        tray = _read_tray(results, truth, told.stem, rows["fruit"], rows["marks"])
        _count_fruit(tray, tally)
        _count_marks(tray, tally)
        _count_false_marks(tray, tally)
    return _figures(tally)


def _read_rows(path: Path) -> defaultdict[str, list[Row]]:
    rows: defaultdict[str, list[Row]] = defaultdict(list)
    if path.exists():
        with path.open(newline="", encoding="utf-8") as file:
            for row in csv.DictReader(file):
                rows[Path(row["photo"]).stem].append(row)
    return rows


def _read_tray(
    results: Path,
    truth: Path,
    stem: str,
    fruit_rows: defaultdict[str, list[Row]],
    mark_rows: defaultdict[str, list[Row]],
) -> Tray:
    fruit_true, marks_true = (
        np.asarray(cv2.imread(str(truth / f"{stem}.{name}.png"), cv2.IMREAD_UNCHANGED), np.uint16)
        for name in ("fruit", "marks")
    )
    return Tray(
        json.loads((truth / f"{stem}.json").read_text(encoding="utf-8")),
        fruit_true,
        marks_true,
        _read_mask(results / "masks" / f"{stem}.fruit.png", fruit_true.shape),
        _read_mask(results / "masks" / f"{stem}.marks.png", fruit_true.shape),
        {int(row["fruit"]): row for row in fruit_rows[stem]},
        {int(row["mark"]): row["kind"] for row in mark_rows[stem]},
        {int(row["mark"]): _number(row, "area_mm2") for row in mark_rows[stem]},
    )


def _read_mask(path: Path, shape: tuple[int, ...]) -> Mask:
    mask = cv2.imread(str(path), cv2.IMREAD_UNCHANGED) if path.exists() else None
    if mask is None:
        return np.zeros(shape, np.uint16)
    if mask.shape != shape:
        raise ValueError(f"{path}: {mask.shape} differs from the photo's {shape}")
    return np.asarray(mask, np.uint16)


def _number(row: Row, name: str) -> float:
    try:
        return float(row[name])
    except (KeyError, TypeError, ValueError):
        return float("nan")


def _best_overlap(a: Mask, b: Mask) -> dict[int, tuple[int, float]]:
    """For each label of a: the label of b that covers most of it, and their IoU."""
    size_a, size_b = np.bincount(a.ravel()), np.bincount(b.ravel())
    together = np.bincount(a.ravel().astype(np.int64) * len(size_b) + b.ravel())
    pairs = np.flatnonzero(together)
    most: dict[int, int] = {}
    best: dict[int, tuple[int, float]] = {}
    for pair, n in zip(pairs.tolist(), together[pairs].tolist(), strict=True):
        i, j = divmod(pair, len(size_b))
        if i and j and n > most.get(i, 0):
            most[i] = n
            best[i] = j, n / (size_a[i] + size_b[j] - n)
    return best


def asked_for(mark: dict[str, Any], tray: dict[str, Any]) -> bool:
    """Whether a person looking at the photo could fairly be asked to see this true mark."""
    px_per_mm2 = (tray["focal_px"] / (tray["camera_height_mm"] - 40)) ** 2  # on a skin facing the camera
    area_mm2 = mark["visible_area_mm2"]
    facing = mark["pixels"] / (area_mm2 * px_per_mm2) if area_mm2 else 0.0
    return bool(
        area_mm2 >= SMALLEST_MARK_MM2 and mark["contrast_delta_e"] >= FAINTEST_MARK_DE and facing >= STEEPEST_MARK
    )


def _count_fruit(tray: Tray, tally: Tally) -> None:
    match = _best_overlap(tray.fruit_true, tray.fruit_said)
    said = len(set(np.unique(tray.fruit_said)) - {0})
    found_here = 0
    for fruit in tray.want["fruit"]:
        number, iou = match.get(fruit["number"], (0, 0.0))
        found = iou >= 0.5
        found_here += found
        row = tray.fruit_rows.get(number, {}) if found else {}
        marks_mm2 = sum(k["visible_area_mm2"] for k in fruit["marks"])  # painted over each other, so they add up
        if found:
            tally.values["IoU"].append(iou)
            for name in ("length_mm", "width_mm", "visible_area_mm2"):
                tally.values[name].append(100 * (_number(row, name) / fruit[name] - 1))
            true_fraction = marks_mm2 / fruit["visible_area_mm2"]
            tally.values["brown"].append(100 * (_number(row, "brown_fraction") - true_fraction))
        said_mm2 = _number(row, "brown_fraction") * _number(row, "visible_area_mm2") if found else 0.0
        tally.values["defective true"].append(marks_mm2 > DEFECTIVE_MARK_MM2)
        tally.values["defective said"].append(bool(said_mm2 > DEFECTIVE_MARK_MM2))
    tally.counts.update(
        {
            "photos": 1,
            "fruit true": len(tray.want["fruit"]),
            "fruit said": said,
            "fruit found": found_here,
            "counted exactly": int(found_here == len(tray.want["fruit"]) == said),
        }
    )


def _count_marks(tray: Tray, tally: Tally) -> None:
    for mark in (mark for fruit in tray.want["fruit"] for mark in fruit["marks"]):
        here = tray.marks_said[tray.marks_true == mark["id"]]
        if not asked_for(mark, tray.want) or not len(here):
            continue
        kind = TRUE_KIND.get(mark["kind"], mark["kind"])
        tally.counts.update(["marks true", f"marks true {kind}"])
        if np.mean(here > 0) < 0.5:
            continue
        tally.counts.update(["marks found", f"marks found {kind}"])
        votes: Counter[str] = Counter()
        numbers, pixels = np.unique(here[here > 0], return_counts=True)
        for number, count in zip(numbers.tolist(), pixels.tolist(), strict=True):
            votes[tray.kind_said.get(number, "unsure")] += count
        tally.confusion[kind, votes.most_common(1)[0][0]] += 1
        said_mm2 = sum(tray.area_said.get(number, float("nan")) for number in numbers.tolist())
        tally.values["area ratio"].append(said_mm2 / mark["visible_area_mm2"])


def _count_false_marks(tray: Tray, tally: Tally) -> None:
    near_true = cv2.dilate((tray.marks_true > 0).astype(np.uint8), np.ones((5, 5), np.uint8))
    for number in set(np.unique(tray.marks_said).tolist()) - {0}:
        large = tray.area_said.get(number, 0) >= SMALLEST_MARK_MM2
        if large and near_true[tray.marks_said == number].mean() < 0.1:
            tally.counts["false marks"] += 1


def _f1(confusion: Counter[tuple[str, str]], kind: str) -> float:
    said = sum(n for (_, p), n in confusion.items() if p == kind)
    true = sum(n for (t, _), n in confusion.items() if t == kind)
    return float("nan") if not true else 2 * confusion[kind, kind] / (said + true)


def _mean_f1(confusion: Counter[tuple[str, str]], kinds: Sequence[str]) -> float:
    scores = np.array([_f1(confusion, kind) for kind in kinds])
    return float(scores[np.isfinite(scores)].mean()) if np.isfinite(scores).any() else float("nan")


def _kappa(one: Sequence[float], other: Sequence[float]) -> float:
    a, b = np.asarray(one, bool), np.asarray(other, bool)
    if not len(a):
        return float("nan")
    observed = np.mean(a == b)
    expected = a.mean() * b.mean() + (1 - a.mean()) * (1 - b.mean())
    return 1.0 if expected == 1 else float((observed - expected) / (1 - expected))


def _middle(values: Sequence[float]) -> float:
    v = np.asarray(values, float)
    return float(np.nanmedian(v)) if np.isfinite(v).any() else float("nan")


def _size_at(values: Sequence[float], share: float) -> float:
    v = np.abs(np.asarray(values, float))
    return float(np.nanquantile(v, share)) if np.isfinite(v).any() else float("nan")


def _figures(tally: Tally) -> dict[str, Any]:
    n, v, confusion = tally.counts, tally.values, tally.confusion
    ratio = np.asarray(v["area ratio"], float)
    brown = np.abs(np.asarray(v["brown"], float))
    errors = {
        f"{name} error %, median signed / 95th of size": [_middle(v[column]), _size_at(v[column], 0.95)]
        for name, column in (
            ("length", "length_mm"),
            ("width", "width_mm"),
            ("visible area", "visible_area_mm2"),
        )
    }
    defective = [float(np.mean(v[f"defective {who}"])) for who in ("true", "said")] if n["fruit true"] else None
    return {
        "photos": n["photos"],
        "fruit true / said / found": [n["fruit true"], n["fruit said"], n["fruit found"]],
        "trays counted exactly": n["counted exactly"] / max(n["photos"], 1),
        "fruit IoU, median": _middle(v["IoU"]),
        **errors,
        "brown fraction error in points, mean of size / 95th": [
            float(np.nanmean(brown)) if np.isfinite(brown).any() else float("nan"),
            _size_at(v["brown"], 0.95),
        ],
        "marks asked for / found": [n["marks true"], n["marks found"]],
        "mark recall": n["marks found"] / max(n["marks true"], 1),
        "mark recall by kind": {k: n[f"marks found {k}"] / n[f"marks true {k}"] for k in KINDS if n[f"marks true {k}"]},
        "false marks per fruit": n["false marks"] / max(n["fruit true"], 1),
        "mark area ratio, median / 5th / 95th": (
            [float(q) for q in np.nanquantile(ratio, [0.5, 0.05, 0.95])] if np.isfinite(ratio).any() else None
        ),
        "sap_burn and abrasion F1, mean": _mean_f1(confusion, ("sap_burn", "abrasion")),
        "five kinds F1, mean": _mean_f1(confusion, KINDS),
        "unsure share of found marks": sum(c for (_, p), c in confusion.items() if p == "unsure")
        / max(n["marks found"], 1),
        "confusion (true, said): count": {f"{t} -> {p}": c for (t, p), c in sorted(confusion.items())},
        "defective fruit share true / said": defective,
        "defective fruit kappa": _kappa(v["defective true"], v["defective said"]),
    }
