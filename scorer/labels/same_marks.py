"""Which outlines of several people are of one mark, and what each of them said of it.

Nobody draws a line as another does. Outlines on one photo are of one mark where each two of them overlap by LEAST_IOU
(common practice, no source), the best overlaps joined first. Whoever looked at the whole photo and outlined nothing
there said that there is no mark.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pycocotools import mask as coco_mask

from scorer.labels.labels import MOMENT, Labels, rle_of
from scorer.labels.of_words import SAID_IN_RECORDS
from scorer.records.tables import WHOLE_FRUIT
from scorer.records.words_in_force import NOT_A_MARK

LEAST_IOU: Final = 0.3
SAID_DTYPES: Final = {
    "item": "str",
    "tray": "str",
    "who": "str",
    "said_at": MOMENT,
    "said": "str",
    "sha256": "str",
    "fruit": "Int64",
    "mark": "Int64",
    "model": "str",
    "outline": "Int64",
}
"""What people said of items. The first five are what ``scorer.agreement`` takes; the others tell where an item lies:
on which photo, by which numbers of a score, or in which row of ``Labels.outlines``; missing where that is not so."""

_LOOK: Final = ["who", "said_at", "source"]


def said_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """A table of SAID_DTYPES from rows keyed by its columns; what a row lacks is missing."""
    columns = {name: pd.Series([row.get(name) for row in rows], dtype=dtype) for name, dtype in SAID_DTYPES.items()}
    return pd.DataFrame(columns)


def outlined_marks(labels: Labels, on_scored: Sequence[Mapping[str, Any]] = ()) -> pd.DataFrame:
    """What people said of marks that somebody outlined, each mark an item.

    One person's looks at different times are told apart as those of different people are, so that they can be held
    against themselves. A file of theirs that repeats outlines of an earlier one to the pixel is that file corrected
    and not a second look, for nobody draws the same line twice: it takes the earlier one's place.

    Parameters
    ----------
    labels : all that was said, as ``scorer.labels.keep.labels_of`` gives it; outlines of whole fruit do not count.
    on_scored : what people said of scored marks on photos on which somebody outlined marks, as
        ``scorer.labels.scored_outlines.scored_words`` gives it, each with its ``rle``: a scored mark is one with the
        outlines that overlap it, as if it had been outlined, and keeps its number where none do.

    Returns
    -------
    SAID_DTYPES; ``tray`` is the photo's SHA-256, ``said`` a kind or NOT_A_MARK. It does not depend on the order of
    the rows, but for two files that one person dates alike.
    """
    drawn = _drawn(labels.outlines, on_scored)
    old = _corrected(drawn, labels.photos)
    whole: dict[str, set[tuple[Any, ...]]] = {}
    for sha256, *look in labels.photos[["sha256", *_LOOK]].itertuples(index=False, name=None):
        if (sha256, look[0], look[2]) not in old:
            whole.setdefault(sha256, set()).add(tuple(look))
    on: dict[str, list[dict[str, Any]]] = {}
    for one in drawn:
        if (one["sha256"], one["who"], one["source"]) not in old:
            on.setdefault(one["sha256"], []).append(one)
    return said_table([row for sha256 in sorted(on) for row in _said_on(on[sha256], whole.get(sha256, set()))])


def scored_item(word: Mapping[Any, Any]) -> str:
    """What a scored mark is called as an item, from a row of ``Labels.named``."""
    return f"{word['sha256']} fruit {word['fruit']}, scored mark {word['mark']} (model {word['model'][:12]})"


def same_mark(rles: Sequence[Mapping[str, Any]], looks: Sequence[Hashable]) -> NDArray[np.int64]:
    """For each outline the number of its mark, counted from 0 by the mark's first outline.

    Parameters
    ----------
    rles : outlines on one photo, as ``scorer.labels.labels.rle_of`` gives them.
    looks : from which look each is; two of one look are two marks however much they overlap.
    """
    if not rles:
        return np.zeros(0, np.int64)
    overlap = np.asarray(coco_mask.iou(list(rles), list(rles), [0] * len(rles)), float)
    number = np.arange(len(rles))
    above = zip(*(places.tolist() for places in np.nonzero(np.triu(overlap, 1) >= LEAST_IOU)), strict=True)
    pairs = [(i, j) for i, j in above if looks[i] != looks[j]]
    for i, j in sorted(pairs, key=lambda pair: (-overlap[pair], pair)):
        one, other = (np.flatnonzero(number == number[place]) for place in (i, j))
        if number[i] == number[j] or {looks[int(p)] for p in one} & {looks[int(p)] for p in other}:
            continue
        if (overlap[np.ix_(one, other)] >= LEAST_IOU).all():
            number[np.r_[one, other]] = min(number[i], number[j])
    return np.unique(number, return_inverse=True)[1].astype(np.int64)


def _drawn(outlines: pd.DataFrame, on_scored: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Outlines of marks with their run lengths, in an order that is the same however the rows were ordered."""
    marks = outlines[outlines["kind"] != WHOLE_FRUIT]
    sizes = {sha256: _size_of(rows) for sha256, rows in marks.groupby("sha256")}
    sizes |= {word["sha256"]: tuple(word["rle"]["size"][::-1]) for word in on_scored}
    drawn = []
    for place, row in marks.iterrows():
        about = {name: row[name] for name in ("sha256", *_LOOK, "kind")}
        drawn.append(about | {"rle": rle_of(row, sizes[row["sha256"]]), "outline": place})
    for word in on_scored:
        names = ("sha256", "who", "said_at", "kind", "fruit", "mark", "model", "rle")
        drawn.append({name: word[name] for name in names} | {"source": SAID_IN_RECORDS})
    for one in drawn:
        left, top, _, _ = coco_mask.toBbox(one["rle"])
        one["at"] = (float(top), float(left))
    return sorted(drawn, key=lambda one: (one["at"], one["rle"]["counts"], one["kind"], *(one[n] for n in _LOOK)))


def _size_of(rows: pd.DataFrame) -> tuple[int, int]:
    """Width and height of a photo: as its files of labels tell; else large enough for all that was drawn on it."""
    told = [tuple(size) for size in rows["size_px"] if size is not None]
    if told:
        return int(told[0][0]), int(told[0][1])
    polygons = [points for row in rows["polygons_px"] for points in row]
    width, height = (max(1, math.ceil(max(max(points[axis::2]) for points in polygons))) for axis in (0, 1))
    return width, height


def _keys(table: pd.DataFrame) -> Iterator[tuple[str, str, str]]:
    """Photo, person and file of each row."""
    return zip(table["sha256"], table["who"], table["source"], strict=True)


def _corrected(drawn: list[dict[str, Any]], photos: pd.DataFrame) -> set[tuple[str, str, str]]:
    """Photo, person and file of looks whose place a later file of the same person takes."""
    in_files = [one for one in drawn if one["source"] != SAID_IN_RECORDS]
    dated = {(one["who"], one["source"]): one["said_at"] for one in in_files}
    same: dict[tuple[Any, ...], set[str]] = {}
    for one in in_files:
        same.setdefault((one["sha256"], one["who"], bytes(one["rle"]["counts"])), set()).add(one["source"])
    later: dict[tuple[str, str], set[str]] = {}
    for (_, who, _), sources in same.items():
        for source in sources:
            after = {other for other in sources if dated[who, other] > dated[who, source]}
            later.setdefault((who, source), set()).update(after)
    touched = {*_keys(photos), *((one["sha256"], one["who"], one["source"]) for one in in_files)}
    return {
        (sha256, who, source)
        for sha256, who, source in touched
        if any((sha256, who, other) in touched for other in later.get((who, source), ()))
    }


def _said_on(drawn: list[dict[str, Any]], whole: set[tuple[Any, ...]]) -> Iterator[dict[str, Any]]:
    """What was said of the marks of one photo, mark by mark."""
    looks = [tuple(one[name] for name in _LOOK) for one in drawn]
    numbers = same_mark([one["rle"] for one in drawn], looks)
    sha256 = drawn[0]["sha256"]
    for number in range(numbers.max() + 1):
        places = np.flatnonzero(numbers == number)
        scored = {scored_item(drawn[place]) if "mark" in drawn[place] else "" for place in places}
        name = scored.pop() if scored != {""} and len(scored) == 1 else f"{sha256} mark {number + 1}"
        item = {"item": name, "tray": sha256, "sha256": sha256}
        for place in places:
            one = drawn[place]
            lies = {name: one[name] for name in ("outline", "fruit", "mark", "model") if name in one}
            yield item | lies | {"who": one["who"], "said_at": one["said_at"], "said": one["kind"]}
        for who, said_at, _ in sorted(whole - {looks[place] for place in places}):
            yield item | {"who": who, "said_at": said_at, "said": NOT_A_MARK}
