"""Fit the discriminant that proposes marks, on labelled pixels' contrasts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from scorer.marks.contrast import CONTRASTS, contrast_maps
from scorer.marks.propose import SKIN_CLASSES, differs, quadratic_terms
from scorer.photo import open_photo
from scorer.score_tables import KINDS
from scorer.training.labelled import LabelledTray, TrayReader
from scorer.tray import locate, skin_lab

Float32 = NDArray[np.float32]

PER_FRUIT: Final = {"skin": 70, "dark": 150, "rubbed": 200}
CLASS_WEIGHT: Final = {0: 1.0, 1: 1.2, 2: 3.0}
"""Proposals are judged again, so a missed mark costs more than a false proposal; rubs are rare and faint."""
FAINTEST_DELTA_E = 5.0
STEEPEST_FACING = 0.2


def sample_pixels(trays: Sequence[TrayReader], seed: int, jobs: int) -> tuple[Float32, NDArray[np.int64]]:
    """Contrasts (N, F) and class indices (N,) of pixels drawn from labelled trays.

    Marks fainter than a person could see, pixels at a mark's very edge and the rim are left out. Half of the clean
    pixels are drawn where the skin differs most from its surroundings, so that look-alikes are well represented.
    """
    found = Parallel(n_jobs=jobs)(delayed(_sample_tray)(tray, seed + i) for i, tray in enumerate(trays))
    contrasts = np.concatenate([c for c, _ in found])
    return contrasts, np.concatenate([k for _, k in found])


def fit_detector(contrasts: Float32, classes: NDArray[np.int64]) -> LogisticRegression:
    """Multinomial logistic regression over the quadratic terms of the contrasts."""
    terms = quadratic_terms(contrasts).astype(np.float64)  # single precision cannot solve for so many terms
    model = LogisticRegression(C=0.3, solver="newton-cholesky", class_weight=CLASS_WEIGHT)
    return model.fit(terms, classes)


def _sample_tray(read: TrayReader, seed: int) -> tuple[Float32, NDArray[np.int64]]:
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    truth = read()
    tray = locate(open_photo(truth.photo))
    classes = _class_map(truth, tray.labels.shape)
    taken_contrasts, taken_classes = [], []
    for fruit in tray.fruit:
        if not truth.is_one_fruit(tray.labels == fruit.number):
            continue
        contrasts = contrast_maps(skin_lab(tray, fruit), fruit.inside, fruit.skin)
        here = np.where(
            fruit.inside & differs(contrasts) & (fruit.skin.facing > STEEPEST_FACING),
            classes[fruit.window],
            -1,
        )
        for index, name in enumerate(SKIN_CLASSES):
            at = np.flatnonzero(here == index)
            if not len(at):
                continue
            flat = contrasts.reshape(len(CONTRASTS), -1).T
            if name == "skin":
                odd = np.abs(flat[at, 3:9]).sum(axis=1) ** 1.5 + 0.05
                odd_share = rng.choice(at, PER_FRUIT[name] // 2, p=odd / odd.sum())
                at = np.concatenate([odd_share, rng.choice(at, PER_FRUIT[name] // 2)])
            else:
                at = rng.choice(at, min(PER_FRUIT[name], len(at)), replace=False)
            taken_contrasts.append(flat[at])
            taken_classes.append(np.full(len(at), index))
    if not taken_contrasts:
        return np.zeros((0, len(CONTRASTS)), np.float32), np.zeros(0, np.int64)
    return np.concatenate(taken_contrasts), np.concatenate(taken_classes)


def _class_map(truth: LabelledTray, working_shape: tuple[int, ...]) -> NDArray[np.int8]:
    """Class index per working pixel; -1 where it is not to be learned from."""
    size = (working_shape[1], working_shape[0])
    marks = cv2.resize(truth.mark_mask, size, interpolation=cv2.INTER_NEAREST_EXACT)
    lookup = np.full(int(truth.mark_mask.max()) + 1, -1, np.int8)
    lookup[0] = SKIN_CLASSES.index("skin") if truth.whole else -1
    for mark in truth.marks.values():
        if mark.kind in KINDS and mark.contrast_delta_e >= FAINTEST_DELTA_E and mark.label < len(lookup):
            lookup[mark.label] = SKIN_CLASSES.index("rubbed" if mark.kind == "abrasion" else "dark")
    classes = lookup[marks]
    edge = cv2.morphologyEx(marks.astype(np.float32), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    classes[edge & (classes == 0)] = -1
    return np.asarray(classes)
