"""Let models judge labelled trays: what each says of the same fruit and marks, ready to be compared.

Card and fruit are found once for all models, for no model has a part in that; proposals once for those that share a
detector. Only what can be laid to a model counts: a labelled fruit that was not found is left out for all of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from scorer.errors import ModelError, PhotoError
from scorer.fruit.find import Fruit
from scorer.kinds import NOT_A_MARK, MarkModel, name_marks
from scorer.limits import Limits, load_limits
from scorer.model_shelf.compare import FRUIT_DTYPES, MARK_DTYPES, Judged
from scorer.photo import open_photo
from scorer.score_tables import KINDS
from scorer.training.labelled import LabelledTray, TrayReader, TrueMark, labelled_photos, read_labelled
from scorer.tray import DEFAULT_LIMITS, LocatedTray, locate, measure_proposals
from scorer.verdict import judge_fruit

Labels = NDArray[np.int32]

SAME_FRUIT_IOU: Final = 0.5
"""Overlap from which a found fruit is taken for a labelled one; common practice, no source."""
MARK_FOUND: Final = 0.5
"""Share of a labelled mark's pixels within marks of the model from which it counts as found."""
FALSE_UP_TO: Final = 0.1
"""Share of its pixels at labelled marks up to which a mark of the model counts as none; in between it counts not."""
SMALLEST_MM2: Final = 10.0
FAINTEST_DELTA_E: Final = 8.0
STEEPEST_FACING: Final = 0.3
"""Smaller, fainter and steeper labelled marks are not asked for by kind; they count with their area and verdict."""


@dataclass(frozen=True)
class _OnTray:
    """What all models say of one tray: rows of fruit and of marks, by model; and what was left out."""

    photo: str
    fruit: list[list[dict[str, Any]]]
    marks: list[list[dict[str, Any]]]
    left_out: list[str]


@dataclass(frozen=True)
class _TrueMark:
    """A labelled mark on a found fruit: its pixels in the fruit's window, and whether its kind is asked for."""

    kind: str
    area_mm2: float
    length_mm: float
    pixels: NDArray[np.bool_]
    asked_for: bool


def labelled_trays(folder: Path) -> list[TrayReader]:
    """Labelled trays of a folder with ``photos`` beside ``truth``.

    Raises
    ------
    ModelError : there are none; and, when one is read, its labels cannot be.
    """
    try:
        photos = labelled_photos(folder)
    except OSError:
        photos = []
    if not photos:
        raise ModelError(f"{folder} holds no labelled trays; give a folder with photos/ and, beside it, truth/.")
    return [partial(_read_truth, photo) for photo in photos]


def judge_trays(
    trays: Sequence[TrayReader],
    models: Sequence[MarkModel],
    *,
    limits: str = DEFAULT_LIMITS,
    jobs: int = 1,
    on_done: Callable[[str], None] = lambda photo: None,
) -> list[Judged]:
    """Let models judge labelled trays.

    Parameters
    ----------
    trays : read the labelled trays. Where not all that lies on a tray is labelled (see ``LabelledTray.whole``), its
        labelled marks count by their kind only, for nobody knows what else is there.
    limits : table by which labelled and found marks alike make a verdict.
    jobs : trays at once.
    on_done : told the name of each photo once it is judged, in their order.

    Returns
    -------
    One for each model, in their order, all of the same fruit.

    Raises
    ------
    ModelError : the labels of a photo cannot be read.
    LimitsError : the limit table cannot be used.
    """
    load_limits(limits)
    said: list[_OnTray] = []
    calls = (delayed(_judge_tray)(tray, tuple(models), limits) for tray in trays)
    for one in Parallel(n_jobs=jobs, return_as="generator")(calls):
        said.append(one)
        on_done(one.photo)
    left_out = tuple(text for one in said for text in one.left_out)
    return [
        Judged(
            model.sha256,
            _frame([row for one in said for row in one.fruit[place]], FRUIT_DTYPES),
            _frame([row for one in said for row in one.marks[place]], MARK_DTYPES),
            left_out,
        )
        for place, model in enumerate(models)
    ]


def _frame(rows: list[dict[str, Any]], dtypes: dict[str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(dtypes)).astype(dtypes)


def _judge_tray(read: TrayReader, models: tuple[MarkModel, ...], limits: str) -> _OnTray:
    cv2.setNumThreads(1)
    table = load_limits(limits)
    truth = read()
    name = truth.photo.name
    said = _OnTray(name, [[] for _ in models], [[] for _ in models], [])
    try:
        tray = locate(open_photo(truth.photo))
    except PhotoError as error:
        said.left_out.append(str(error))
        return said
    if tray.pose is None:
        said.left_out.append(f"{name}: no reference card was found, so nothing can be judged in mm.")
        return said
    matches = _matches(truth, tray)
    lost = 0 if truth.fruit_mask is None else len(set(np.unique(truth.fruit_mask).tolist()) - {0}) - len(matches)
    if lost:
        said.left_out.append(f"{name}: {lost} of {lost + len(matches)} labelled fruit were not found.")
    true_marks = _at_size(truth.mark_mask, tray.labels)
    marks_of = _marks_of(truth, true_marks, tray)
    for number, fruit in sorted(matches.items()):
        here = true_marks[fruit.window]
        marks = [_true_mark(truth.marks[label], here, fruit) for label in marks_of.get(number, [])]
        near = cv2.dilate((here > 0).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        row = {"tray": truth.tray or truth.photo.stem, "who": truth.who, "fruit": number}
        known = row | _truth_of([(m.kind, m.area_mm2, m.length_mm) for m in marks], fruit, table, whole=truth.whole)
        for place, (labels, named) in enumerate(_named(tray, fruit, models)):
            own = list(named[["kind", "area_mm2", "length_mm"]].itertuples(index=False, name=None))
            said.fruit[place].append(known | _judged_fruit(own, fruit, table, "said"))
            kinds = _kinds_said(marks, labels, named) + (_false_marks(near, labels, named) if truth.whole else [])
            said.marks[place].extend(row | {"true_kind": true, "said_kind": kind} for true, kind in kinds)
    return said


def _read_truth(photo: Path) -> LabelledTray:
    try:
        return read_labelled(photo)
    except (OSError, ValueError, LookupError, TypeError) as error:
        said = f"{type(error).__name__}: {error}"
        raise ModelError(f"The labels of {photo.name} cannot be read ({said}); restore its files in truth/.") from error


def _at_size(mask: NDArray[np.uint16], labels: Labels) -> NDArray[np.uint16]:
    size = (labels.shape[1], labels.shape[0])
    return np.asarray(cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST_EXACT), np.uint16)


def _matches(truth: LabelledTray, tray: LocatedTray) -> dict[int, Fruit]:
    """The found fruit of each labelled one, by its number; all, by their own, where nobody outlined fruit."""
    if truth.fruit_mask is None:
        return {fruit.number: fruit for fruit in tray.fruit}
    true = _at_size(truth.fruit_mask, tray.labels)
    areas = np.bincount(true.ravel())
    matches = {}
    for fruit in tray.fruit:
        found = fruit.inside
        under = np.bincount(true[fruit.window][found], minlength=1)
        if len(under) < 2:
            continue
        number = int(under[1:].argmax()) + 1
        shared = int(under[number])
        if shared >= SAME_FRUIT_IOU * (int(areas[number]) + np.count_nonzero(found) - shared):
            matches[number] = fruit
    return matches


def _marks_of(truth: LabelledTray, true_marks: NDArray[np.uint16], tray: LocatedTray) -> dict[int, list[int]]:
    """Labels of the marks of each fruit, by its number in ``_matches``: of the fruit that most of a mark lies on."""
    fruit = tray.labels if truth.fruit_mask is None else truth.fruit_mask
    marks = true_marks if truth.fruit_mask is None else truth.mark_mask
    on = (marks > 0) & (fruit > 0)
    pairs, counts = np.unique(np.stack([marks[on], fruit[on]]).astype(int), axis=1, return_counts=True)
    owner = dict(pairs[:, np.argsort(counts, kind="stable")].T.tolist())  # of a mark's pairs the last, the largest
    of: dict[int, list[int]] = {}
    for label in sorted(owner.keys() & truth.marks.keys()):
        if truth.marks[label].kind != NOT_A_MARK:
            of.setdefault(owner[label], []).append(label)
    return of


def _true_mark(mark: TrueMark, here: NDArray[np.uint16], fruit: Fruit) -> _TrueMark:
    """A labelled mark on a fruit; ``here`` is the marks' mask in its window, at the size of scoring."""
    pixels = (here == mark.label) & fruit.inside
    area_mm2 = mark.area_mm2 if np.isfinite(mark.area_mm2) else float(fruit.skin.area_mm2[pixels].sum())
    asked_for = (
        mark.kind in KINDS
        and bool(pixels.any())
        and area_mm2 >= SMALLEST_MM2
        and mark.contrast_delta_e >= FAINTEST_DELTA_E
        and float(fruit.skin.facing[pixels].mean()) >= STEEPEST_FACING
    )
    return _TrueMark(mark.kind, area_mm2, _length_mm(pixels, fruit), pixels, asked_for)


def _length_mm(pixels: NDArray[np.bool_], fruit: Fruit) -> float:
    """Length of a labelled mark: its extent on the skin along the axis of largest spread, as found marks have it."""
    points = fruit.skin.point_mm[pixels].astype(float)
    if len(points) < 2:
        return fruit.skin.mm_per_px * len(points)
    centred = points - points.mean(axis=0)
    along = centred @ np.linalg.svd(centred, full_matrices=False)[2][0]
    return float(np.ptp(along)) + fruit.skin.mm_per_px


def _truth_of(
    marks: Sequence[tuple[str, float, float]], fruit: Fruit, limits: Limits, *, whole: bool
) -> dict[str, object]:
    """What a fruit truly is; not known where not all its marks are."""
    if not whole:
        return {"true_downgraded": pd.NA, "true_brown_mm2": np.nan}
    return _judged_fruit(marks, fruit, limits, "true")


def _judged_fruit(
    marks: Sequence[tuple[str, float, float]], fruit: Fruit, limits: Limits, whose: str
) -> dict[str, object]:
    """Verdict and brown area by marks (kind, mm2, length in mm)."""
    verdict = judge_fruit(
        pd.DataFrame(marks, columns=["kind", "area_mm2", "length_mm"]),
        visible_area_mm2=fruit.skin.visible_area_mm2,
        length_mm=fruit.solid.length_mm,
        width_mm=fruit.solid.width_mm,
        limits=limits,
    )
    return {f"{whose}_downgraded": verdict.downgraded, f"{whose}_brown_mm2": verdict.brown_area_mm2}


def _named(tray: LocatedTray, fruit: Fruit, models: Sequence[MarkModel]) -> list[tuple[Labels, pd.DataFrame]]:
    """By each model: labels (H, W) of a fruit's marks, from 1, and a row per mark with kind and measures."""
    proposed: dict[bytes, tuple[Labels, pd.DataFrame]] = {}
    named = []
    for model in models:
        detector = model.discriminant.bias.tobytes() + model.discriminant.linear.tobytes()
        if detector not in proposed:
            proposed[detector] = measure_proposals(tray, fruit, model.discriminant)
        labels, measures = proposed[detector]
        kinds = name_marks(measures, model)["kind"]
        kept = (kinds != NOT_A_MARK).to_numpy()
        numbers = np.concatenate([[0], np.cumsum(kept) * kept]).astype(np.int32)
        named.append((numbers.take(labels), measures.assign(kind=kinds)[kept].reset_index(drop=True)))
    return named


def _kinds_said(marks: Sequence[_TrueMark], labels: Labels, named: pd.DataFrame) -> list[tuple[str, str]]:
    """True kind of each mark that is asked for, and the kind that most of its pixels are said to be of."""
    pairs = []
    for mark in (mark for mark in marks if mark.asked_for):
        under = labels[mark.pixels]
        if np.mean(under > 0) < MARK_FOUND:
            pairs.append((mark.kind, NOT_A_MARK))
            continue
        votes: Counter[str] = Counter()
        for number, count in zip(*np.unique(under[under > 0], return_counts=True), strict=True):
            votes[str(named["kind"].iloc[int(number) - 1])] += int(count)
        pairs.append((mark.kind, votes.most_common(1)[0][0]))
    return pairs


def _false_marks(near: NDArray[np.bool_], labels: Labels, named: pd.DataFrame) -> list[tuple[str, str]]:
    """Marks of the model where no labelled mark is near, as NOT_A_MARK and the kind that they are said to be of."""
    areas, kinds = named["area_mm2"].tolist(), named["kind"].tolist()
    return [
        (NOT_A_MARK, str(kind))
        for number, (area_mm2, kind) in enumerate(zip(areas, kinds, strict=True), start=1)
        if area_mm2 >= SMALLEST_MM2 and np.mean(near[labels == number]) < FALSE_UP_TO
    ]
