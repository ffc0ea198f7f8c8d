"""Score marks by a fitted forest of small decision trees, all trees at once.

The forest is scikit-learn's; what it costs there is one call for each of its thousand trees. Here each tree keeps a set
of leaves that can still be reached, as bits. Every split that a row lies above strikes out the leaves on its lower
side, in whatever order the splits are taken, and the leftmost leaf that remains is the row's (Lucchese et al. 2015,
QuickScorer, SIGIR; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

Float64 = NDArray[np.float64]
Places = NDArray[np.intp]
Leaves = NDArray[np.uint16]  # narrow, for speed; larger trees need wider ones
Flags = NDArray[np.bool_]

ALL_LEAVES = np.uint16(2**16 - 1)
MOST_LEAVES = 16


@dataclass(frozen=True)
class Trees:
    """T trees of at most S splits each; splits that a tree lacks strike out nothing.

    Parameters
    ----------
    measure : (S, T) column of a row that each split looks at.
    threshold : (S, T); a row with a larger value goes to the upper side.
    unknown_is_above : (S, T); the side of a row whose value is NaN.
    left_over : (S, T) the leaves, as bits from the lowest up, that lie not on the split's lower side.
    within_reach : (T,) the leaves a row can reach before any split is asked.
    values : (T, L) of the leaves, from the lowest up.
    """

    measure: Places
    threshold: Float64
    unknown_is_above: Flags
    left_over: Leaves
    within_reach: Leaves
    values: Float64

    def reached(self, rows: Float64) -> Float64:
        """Value (T, N) of the leaf that each of N rows reaches in each tree."""
        columns = np.ascontiguousarray(rows.T)
        unknown = np.isnan(columns)
        leaves = np.repeat(self.within_reach[:, None], len(rows), axis=1)
        for measure, threshold, unknown_is_above, left_over in zip(
            self.measure, self.threshold, self.unknown_is_above, self.left_over, strict=True
        ):
            above = columns.take(measure, axis=0) > threshold[:, None]
            if unknown.any():
                above |= unknown.take(measure, axis=0) & unknown_is_above[:, None]
            leaves &= np.where(above, left_over[:, None], ALL_LEAVES)
        lowest = np.bitwise_count((leaves & (~leaves + np.uint16(1))) - np.uint16(1))
        return np.asarray(np.take_along_axis(self.values, lowest.astype(np.intp), axis=1))

    def above(self, row: Float64) -> Flags:
        """Whether one row lies above each split, (S, T)."""
        seen = row[self.measure]
        return np.where(np.isnan(seen), self.unknown_is_above, seen > self.threshold)


@dataclass(frozen=True)
class Forest:
    """Trees that are summed to one score per class.

    Parameters
    ----------
    trees : in turns one for each of the K classes.
    start : (K,) score of each class before any tree.
    sharpness : by which scores are multiplied before they become probabilities.
    classes : names of the classes.
    """

    trees: Trees
    start: Float64
    sharpness: float
    classes: tuple[str, ...]

    def probabilities(self, rows: Float64) -> Float64:
        """Probability (N, K) of each class for rows (N, F)."""
        scores = self.start + self.trees.reached(rows).reshape(-1, len(self.start), len(rows)).sum(axis=0).T
        return self.sharpened(scores)

    def sharpened(self, scores: Float64) -> Float64:
        """Probabilities (..., K) from summed scores (..., K)."""
        return np.asarray(softmax(self.sharpness * scores, axis=-1))


@dataclass(frozen=True)
class OneUsual:
    """A forest in which one measure at a time has its usual value, whatever the row says.

    Only the trees that ask for the measure can then give another value, so only they are walked again.

    Parameters
    ----------
    forest : the forest itself.
    measures : how many measures there are, F.
    trees : the forest's trees, once for each measure they ask for, without the splits on it.
    of : (P,) which of the forest's trees each is.
    group : (P,) ``measure * K + class`` of each, ascending.
    """

    forest: Forest
    measures: int
    trees: Trees
    of: Places
    group: Places

    def probabilities(self, rows: Float64) -> Float64:
        """Probability (N, F, K) of each class for rows (N, F), with each measure in turn at its usual value."""
        own = self.forest.trees.reached(rows)
        kinds = len(self.forest.start)
        scores = self.forest.start + own.reshape(-1, kinds, len(rows)).sum(axis=0).T
        first = np.flatnonzero(np.diff(self.group, prepend=-1))
        change = np.zeros((self.measures * kinds, len(rows)))
        change[self.group[first]] = np.add.reduceat(self.trees.reached(rows) - own[self.of], first, axis=0)
        return self.forest.sharpened(scores[:, None] + change.T.reshape(len(rows), self.measures, kinds))


def forest_from(classifier: Any) -> Forest:
    """The forest of a scikit-learn gradient-boosted classifier that was calibrated by a temperature.

    Its trees are no public part of scikit-learn; the tests hold what is read of them against its own answers.

    Raises
    ------
    AttributeError : it is a classifier of another sort.
    ValueError : it has fewer than three classes, a tree is too large, or one splits by category.
    """
    (calibrated,) = classifier.calibrated_classifiers_
    boosted = calibrated.estimator.estimator
    if len(boosted._predictors[0]) != len(classifier.classes_):
        raise ValueError("the forest has not one tree for each class; fit it on three classes or more")
    return Forest(
        trees=_side_by_side([_splits_of(tree.nodes) for each in boosted._predictors for tree in each]),
        start=np.asarray(boosted._baseline_prediction, float).ravel(),
        sharpness=float(calibrated.calibrators[0].beta_),
        classes=tuple(str(name) for name in classifier.classes_),
    )


def one_usual(forest: Forest, usual: Float64) -> OneUsual:
    """The forest with one measure at a time at its usual value (F,)."""
    trees, kinds = forest.trees, len(forest.start)
    splits = trees.left_over != ALL_LEAVES
    asks = np.zeros((len(usual), len(trees.within_reach)), bool)
    asks[trees.measure[splits], np.nonzero(splits)[1]] = True
    measure, of = np.nonzero(asks)
    group = measure * kinds + of % kinds
    order = np.argsort(group, kind="stable")
    measure, of, group = measure[order], of[order], group[order]
    fixed = splits[:, of] & (trees.measure[:, of] == measure)
    struck = np.where(fixed & trees.above(usual)[:, of], trees.left_over[:, of], ALL_LEAVES)
    without = Trees(
        measure=trees.measure[:, of],
        threshold=trees.threshold[:, of],
        unknown_is_above=trees.unknown_is_above[:, of],
        left_over=np.where(fixed, ALL_LEAVES, trees.left_over[:, of]),
        within_reach=np.bitwise_and.reduce(struck, axis=0) & trees.within_reach[of],
        values=trees.values[of],
    )
    return OneUsual(forest, len(usual), without, of, group)


@dataclass
class _Splits:
    """One tree: its splits, each with the leaves on its lower side as bits, and the values of its leaves."""

    measure: list[int]
    threshold: list[float]
    unknown_is_above: list[bool]
    below: list[int]
    values: list[float]


def _splits_of(nodes: NDArray[Any]) -> _Splits:
    """Read a tree of scikit-learn's, leaves from the lowest up."""
    if nodes["is_categorical"].any():
        raise ValueError("the forest splits by category, which is not scored; fit it on numbers")
    found = _Splits([], [], [], [], [])
    names = ("is_leaf", "left", "right", "feature_idx", "num_threshold", "missing_go_to_left", "value")
    is_leaf, left, right, measure, threshold, unknown_is_below, value = (nodes[name].tolist() for name in names)

    def leaves_under(at: int) -> int:
        if is_leaf[at]:
            found.values.append(value[at])
            return 1 << (len(found.values) - 1)
        lower = leaves_under(left[at])
        found.measure.append(measure[at])
        found.threshold.append(threshold[at])
        found.unknown_is_above.append(not unknown_is_below[at])
        found.below.append(lower)
        return lower | leaves_under(right[at])

    leaves_under(0)
    if len(found.values) > MOST_LEAVES:
        raise ValueError(
            f"a tree has {len(found.values)} leaves, and at most {MOST_LEAVES} are scored; fit smaller ones"
        )
    return found


def _side_by_side(trees: list[_Splits]) -> Trees:
    shape = max(len(tree.measure) for tree in trees), len(trees)
    measure, threshold = np.zeros(shape, np.intp), np.zeros(shape)
    unknown_is_above, left_over = np.zeros(shape, bool), np.full(shape, ALL_LEAVES)
    values = np.zeros((len(trees), MOST_LEAVES))
    for i, tree in enumerate(trees):
        here = slice(len(tree.measure)), i
        measure[here], threshold[here], unknown_is_above[here] = tree.measure, tree.threshold, tree.unknown_is_above
        left_over[here] = ~np.array(tree.below, np.uint16)
        values[i, : len(tree.values)] = tree.values
    within_reach = np.full(len(trees), ALL_LEAVES)
    return Trees(measure, threshold, unknown_is_above, left_over, within_reach, values)
