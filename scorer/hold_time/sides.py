"""Which fruit of side a is which of side b, when every fruit of a tray was turned over where it lay.

Between the photos the card or the camera may have moved, so places agree only after a rotation and a shift within
the plane; a fruit rolls by up to a few centimetres when turned, and one may be taken out or put in. A fruit that
could be either of two is left unmatched: a verdict from one side is better than one from two different fruit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from scorer.limits import Limits
from scorer.verdict import judge_fruit

BOTH, A_ONLY, B_ONLY = "both", "a only", "b only"
SIDES_SEEN: Final = (BOTH, A_ONLY, B_ONLY)

PAIR_DTYPES: Final = {
    "fruit_a": "int64",
    "fruit_b": "int64",
    "distance_mm": "float64",
    "length_difference": "float64",
    "width_difference": "float64",
}
BOTH_DTYPES: Final = {
    "fruit_a": "Int64",
    "fruit_b": "Int64",
    "sides": "str",
    "visible_area_mm2": "float64",
    "brown_area_mm2": "float64",
    "brown_fraction": "float64",
    "class": "str",
    "downgraded": "bool",
    "verdict": "str",
    "reason": "str",
}

FEWEST_FRUIT: Final = 2
LEAST_SHARE_MATCHED: Final = 2 / 3
"""Of the side with fewer fruit. Six fruit laid over six others agree in half by chance in 3 of 10 trays, in two thirds
in 3 of 100 (our own simulation, sizes with a spread of 6 %)."""

# The cost of a pair is (distance / reach)^2 + (length difference / tolerance)^2 + (width difference / tolerance)^2:
# each part is at most 1, and with reach and tolerance at three standard errors it is chi-squared / 9.
_ALONE: Final = 2.0  # cost of a fruit without partner: two of them cost more than any admissible pair
_CLEARLY: Final = 1.0  # cost by which an explanation must beat another: odds of exp(9 / 2), about 90 to 1
_FAR_MOVE: Final = 2 * _CLEARLY  # cost of a card that was laid elsewhere, for mostly it stays where it is
_MOST_BASES: Final = 435  # pairs of fruit that moves are drawn from: all of them up to 30 fruit
_MOST_MOVES: Final = 40  # different explanations that are worked out in full
_CHUNK: Final = 4000
_MOST_ROUNDS: Final = 10


@dataclass(frozen=True)
class SideMatch:
    """Fruit of side a and side b that are the same.

    Parameters
    ----------
    pairs : one row per matched fruit: fruit_a, fruit_b, distance_mm (between its two places, after the move of the
        whole tray), length_difference and width_difference (as a share of their mean, without sign).
    unmatched_a, unmatched_b : numbers of the fruit without partner, the doubtful ones included.
    doubtful : pairs (fruit of a, fruit of b) that may belong together, but another pairing is about as good.
    sentence : the outcome in words, or why nothing was matched.
    """

    pairs: pd.DataFrame
    unmatched_a: tuple[int, ...]
    unmatched_b: tuple[int, ...]
    doubtful: tuple[tuple[int, int], ...]
    sentence: str


@dataclass(frozen=True)
class _Side:
    """Fruit of one side whose place and size are known; places as complex numbers, so that a move is one product."""

    fruit: NDArray[np.int64]
    place_mm: NDArray[np.complex128]
    length_mm: NDArray[np.float64]
    width_mm: NDArray[np.float64]


@dataclass(frozen=True)
class _Move:
    """A rotation (complex number of modulus 1), then a shift; there is no mirror image."""

    turn: complex
    shift_mm: complex

    def __call__(self, place_mm: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return self.turn * place_mm + self.shift_mm


@dataclass(frozen=True)
class _Explanation:
    """A move, the partner in b of each fruit of a (-1: none), and what it costs."""

    move: _Move
    partner: NDArray[np.int64]
    cost: float

    def pairs(self) -> set[tuple[int, int]]:
        return {(int(i), int(k)) for i, k in enumerate(self.partner) if k >= 0}


def match_sides(a: pd.DataFrame, b: pd.DataFrame, *, reach_mm: float = 35.0, size_tolerance: float = 0.08) -> SideMatch:
    """Find the fruit of side a among those of side b.

    Moves (rotation and shift, no mirror image) are drawn from all pairs of fruit of a laid over all pairs of fruit
    of b that agree in size and distance. The one under which most fruit agree, at the least cost of place and size,
    is kept; the card lying where it was is preferred to a card moved further than the fruit can roll. The pairing is
    the cheapest one-to-one assignment. A pair counts only if no other pairing, under this or another move, is about
    as good without it.

    Parameters
    ----------
    a, b : one row per fruit: fruit (number, each once), x_mm, y_mm (place on the tray in the card's frame),
        length_mm, width_mm. Fruit with any of these missing are left unmatched.
    reach_mm : how far a fruit may lie from its place after the move of the whole tray.
    size_tolerance : by how much length and width may differ, as a share of their mean.

    Raises
    ------
    ValueError : a column is missing, a fruit is numbered twice, or reach_mm or size_tolerance is not above 0.
    """
    if not (reach_mm > 0 and size_tolerance > 0):
        raise ValueError(f"reach_mm and size_tolerance must be above 0, got {reach_mm} and {size_tolerance}")
    side_a, side_b = _side("a", a), _side("b", b)
    trouble = _too_little("a", a, side_a) or _too_little("b", b, side_b)
    if trouble:
        return _match(a, b, _no_pairs(), (), f"Nothing is matched: {trouble}")
    size_cost = _size_cost(side_a, side_b, size_tolerance)
    best, *others = _explanations(side_a, side_b, size_cost, reach_mm)
    trouble = _too_weak(side_a, side_b, best, reach_mm)
    if trouble:
        return _match(a, b, _no_pairs(), (), f"Nothing is matched: {trouble}")
    others += _other_pairings(side_a, side_b, size_cost, best, reach_mm)
    rivals = [other.pairs() for other in others if other.cost < best.cost + _CLEARLY]
    sure = best.pairs().intersection(*rivals)
    doubtful = set().union(best.pairs(), *rivals) - sure
    pairs = _pair_table(side_a, side_b, sorted(sure), best.move)
    numbers = sorted((int(side_a.fruit[i]), int(side_b.fruit[k])) for i, k in doubtful)
    return _match(a, b, pairs, tuple(numbers), "")


def both_sides(
    fruit_a: pd.DataFrame,
    marks_a: pd.DataFrame,
    fruit_b: pd.DataFrame,
    marks_b: pd.DataFrame,
    match: SideMatch,
    limits: Limits,
) -> pd.DataFrame:
    """Judge each fruit by all of its skin that was seen.

    A matched fruit is judged by the marks of both sides, the sum of the visible areas and the mean of its lengths
    and widths. A camera sees a little less than half of a fruit, so the two sides hardly overlap when it was turned
    right over; a mark at the rim can still count twice if it was turned by less.

    Parameters
    ----------
    fruit_a, fruit_b : one row per fruit: fruit, visible_area_mm2, length_mm, width_mm (NaN without a card).
    marks_a, marks_b : one row per mark: fruit, kind, area_mm2, length_mm.
    match : which fruit are the same, from `match_sides` on the same tables.
    limits : the table to judge by.

    Returns
    -------
    One row per matched fruit, by its number on side a, then those seen on side a only, then on side b only, with the
    columns of BOTH_DTYPES.

    Raises
    ------
    ValueError : a column is missing, a fruit is numbered twice, or the match names a fruit that is not there.
    """
    sides = {"a": (fruit_a, marks_a), "b": (fruit_b, marks_b)}
    for name, (fruit, marks) in sides.items():
        _check_side(name, fruit, marks, match)
    by_number = {name: (fruit.set_index("fruit"), marks) for name, (fruit, marks) in sides.items()}
    rows = [_judged(seen, by_number, limits) for seen in _seen_on(fruit_a["fruit"], fruit_b["fruit"], match)]
    return pd.DataFrame(rows, columns=list(BOTH_DTYPES)).astype(BOTH_DTYPES)


_MARK_NEEDS: Final = ["kind", "area_mm2", "length_mm"]
_SIZE_NEEDS: Final = ["visible_area_mm2", "length_mm", "width_mm"]


def _check_side(name: str, fruit: pd.DataFrame, marks: pd.DataFrame, match: SideMatch) -> None:
    _need(f"fruit_{name}", fruit, ("fruit", *_SIZE_NEEDS))
    _need(f"marks_{name}", marks, ("fruit", *_MARK_NEEDS))
    _check_numbers(f"fruit_{name}", fruit)
    absent = set(match.pairs[f"fruit_{name}"]) - set(fruit["fruit"])
    if absent:
        raise ValueError(f"match names fruit {min(absent)} of side {name}, which fruit_{name} lacks")


def _seen_on(fruit_a: Iterable[int], fruit_b: Iterable[int], match: SideMatch) -> list[dict[str, int]]:
    """Each fruit by its number on every side that shows it: those of both sides, then a's alone, then b's alone."""
    pairs = sorted(
        (int(number), int(other)) for number, other in zip(match.pairs["fruit_a"], match.pairs["fruit_b"], strict=True)
    )
    alone_a = sorted(int(number) for number in set(fruit_a).difference(match.pairs["fruit_a"]))
    alone_b = sorted(int(number) for number in set(fruit_b).difference(match.pairs["fruit_b"]))
    return [
        *({"a": number, "b": other} for number, other in pairs),
        *({"a": number} for number in alone_a),
        *({"b": number} for number in alone_b),
    ]


def _judged(
    seen: Mapping[str, int], sides: Mapping[str, tuple[pd.DataFrame, pd.DataFrame]], limits: Limits
) -> dict[str, object]:
    """One row of `both_sides`: a fruit by its number on each side, judged by what all of them show.

    ``sides`` holds the fruit, by number, and the marks of each side.
    """
    there = [(*sides[name], number) for name, number in seen.items()]
    marks = pd.concat([marks.loc[marks["fruit"] == number, _MARK_NEEDS] for _, marks, number in there])
    sizes = pd.concat([fruit.loc[[number], _SIZE_NEEDS] for fruit, _, number in there])
    visible_area_mm2 = float(sizes["visible_area_mm2"].sum(skipna=False))
    judged = judge_fruit(
        marks,
        visible_area_mm2=visible_area_mm2,
        length_mm=float(sizes["length_mm"].mean(skipna=False)),
        width_mm=float(sizes["width_mm"].mean(skipna=False)),
        limits=limits,
        both_sides=len(seen) == 2,
    )
    return {
        "fruit_a": seen.get("a"),
        "fruit_b": seen.get("b"),
        "sides": BOTH if len(seen) == 2 else A_ONLY if "a" in seen else B_ONLY,
        "visible_area_mm2": visible_area_mm2,
        "brown_area_mm2": judged.brown_area_mm2,
        "brown_fraction": judged.brown_fraction,
        "class": judged.class_name,
        "downgraded": judged.downgraded,
        "verdict": judged.verdict,
        "reason": judged.reason,
    }


def _explanations(a: _Side, b: _Side, size_cost: NDArray[np.float64], reach_mm: float) -> list[_Explanation]:
    """Different pairings of the whole tray, each under the move that suits it, the cheapest first."""
    found: dict[bytes, _Explanation] = {}
    for move in _promising_moves(a, b, size_cost, reach_mm):
        explanation = _settle(a, b, size_cost, move, reach_mm)
        key = explanation.partner.tobytes()
        if key not in found or explanation.cost < found[key].cost:
            found[key] = explanation
    return sorted(found.values(), key=lambda each: each.cost)


def _promising_moves(a: _Side, b: _Side, size_cost: NDArray[np.float64], reach_mm: float) -> list[_Move]:
    """Moves that lay two fruit over two others, one for each different pairing, those that promise most first."""
    chunks = [(np.ones(1, complex), np.zeros(1, complex)), *_moves_by_two(a, b, size_cost, reach_mm)]
    best: dict[bytes, tuple[float, _Move]] = {}
    for turns, shifts in chunks:
        moved = turns[:, None] * a.place_mm + shifts[:, None]
        gaps_mm = moved[:, :, None] - b.place_mm
        place_cost = (gaps_mm.real**2 + gaps_mm.imag**2) / reach_mm**2
        gain = np.where(place_cost <= 1, place_cost + size_cost - 2 * _ALONE, 0.0)
        np.minimum(gain, 0.0, out=gain)
        # no one-to-one pairing can gain more than each fruit with its favourite, seen from a or from b
        promise = np.maximum(gain.min(axis=2).sum(axis=1), gain.min(axis=1).sum(axis=1))
        favourite = np.where(gain.min(axis=2) < 0, gain.argmin(axis=2), -1)
        kinds, kind = np.unique(favourite, axis=0, return_inverse=True)
        order = np.lexsort((promise, kind.ravel()))
        first = order[np.r_[True, np.diff(kind.ravel()[order]) > 0]]
        for pairing, at in zip(kinds, first, strict=True):
            key = pairing.tobytes()
            if key not in best or promise[at] < best[key][0]:
                best[key] = (float(promise[at]), _Move(complex(turns[at]), complex(shifts[at])))
    ranked = sorted(best.values(), key=lambda each: each[0])
    return [_Move(1.0, 0.0), *(move for _, move in ranked[:_MOST_MOVES])]


def _moves_by_two(
    a: _Side, b: _Side, size_cost: NDArray[np.float64], reach_mm: float
) -> Iterator[tuple[NDArray[np.complex128], NDArray[np.complex128]]]:
    """Rotations and shifts that lay the middle and direction of two fruit of a over those of two of b, in chunks."""
    fits = np.isfinite(size_cost)
    (i, j), (k, m) = _bases(a.place_mm), _bases(b.place_mm)
    k, m = np.r_[k, m], np.r_[m, k]  # in both directions
    step_a, step_b = a.place_mm[j] - a.place_mm[i], b.place_mm[m] - b.place_mm[k]
    # either fruit may have rolled, but that both rolled apart by the whole reach is left out
    agree = np.abs(np.abs(step_a)[:, None] - np.abs(step_b)) <= reach_mm
    agree &= fits[np.ix_(i, k)] & fits[np.ix_(j, m)] & (np.abs(step_a)[:, None] > 0) & (np.abs(step_b) > 0)
    one, other = np.nonzero(agree)
    for start in range(0, len(one), _CHUNK):
        p, q = one[start : start + _CHUNK], other[start : start + _CHUNK]
        turns = step_b[q] * np.conj(step_a[p])
        turns /= np.abs(turns)
        middle_a = (a.place_mm[i[p]] + a.place_mm[j[p]]) / 2
        middle_b = (b.place_mm[k[q]] + b.place_mm[m[q]]) / 2
        yield turns, middle_b - turns * middle_a


def _bases(place_mm: NDArray[np.complex128]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of fruit to draw moves from; of very many, those furthest apart, for they tell the rotation best."""
    i, j = np.triu_indices(len(place_mm), 1)
    furthest = np.argsort(-np.abs(place_mm[j] - place_mm[i]), kind="stable")[:_MOST_BASES]
    return i[furthest], j[furthest]


def _settle(a: _Side, b: _Side, size_cost: NDArray[np.float64], move: _Move, reach_mm: float) -> _Explanation:
    """Assign, fit the move to the pairs, and again until the pairs stay the same; the cheapest round counts."""
    best: _Explanation | None = None
    for _ in range(_MOST_ROUNDS):
        cost = _pair_cost(a, b, size_cost, move, reach_mm)
        partner, total = _assign(cost)
        explanation = _Explanation(move, partner, total + _moving_cost(a, b, partner, reach_mm))
        if best is not None and not explanation.cost < best.cost - 1e-12:
            break
        best = explanation
        move = _fit_move(a, b, partner, move)
    assert best is not None
    return best


def _assign(cost: NDArray[np.float64]) -> tuple[NDArray[np.int64], float]:
    """Partner of each fruit of a in the cheapest one-to-one pairing, -1 for none, and its cost."""
    gain = np.minimum(cost - 2 * _ALONE, 0.0)
    rows, columns = linear_sum_assignment(gain)
    paired = gain[rows, columns] < 0
    partner = np.full(cost.shape[0], -1, np.int64)
    partner[rows[paired]] = columns[paired]
    return partner, _ALONE * sum(cost.shape) + float(gain[rows, columns].sum())


def _other_pairings(
    a: _Side, b: _Side, size_cost: NDArray[np.float64], best: _Explanation, reach_mm: float
) -> Iterator[_Explanation]:
    """The cheapest pairings without each pair of the best one and with each other pair, under the best or own move."""
    cost = _pair_cost(a, b, size_cost, best.move, reach_mm)
    for i, k in np.argwhere(np.isfinite(cost)):
        other = cost.copy()
        if best.partner[i] == k:
            other[i, k] = np.inf
        else:
            other[i, :] = other[:, k] = np.inf
            other[i, k] = cost[i, k]
        partner, total = _assign(other)
        paired = partner >= 0
        own_move = _fit_move(a, b, partner, best.move)
        own_cost = _pair_cost(a, b, size_cost, own_move, reach_mm)[paired, partner[paired]].sum()
        alone = sum(cost.shape) - 2 * int(paired.sum())
        total = min(total, float(own_cost) + _ALONE * alone)
        yield _Explanation(best.move, partner, total + _moving_cost(a, b, partner, reach_mm))


def _pair_cost(a: _Side, b: _Side, size_cost: NDArray[np.float64], move: _Move, reach_mm: float) -> NDArray[np.float64]:
    """Cost of each fruit of a with each of b, infinite beyond reach or tolerance."""
    place_cost = (np.abs(move(a.place_mm)[:, None] - b.place_mm) / reach_mm) ** 2
    return np.where(place_cost <= 1, place_cost + size_cost, np.inf)


def _size_cost(a: _Side, b: _Side, size_tolerance: float) -> NDArray[np.float64]:
    parts = [
        _difference(one[:, None], other) / size_tolerance
        for one, other in ((a.length_mm, b.length_mm), (a.width_mm, b.width_mm))
    ]
    return np.where((parts[0] <= 1) & (parts[1] <= 1), parts[0] ** 2 + parts[1] ** 2, np.inf)


def _difference(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Difference as a share of the mean, the same whichever comes first."""
    share: NDArray[np.float64] = np.abs(one - other) / ((one + other) / 2)
    return share


def _fit_move(a: _Side, b: _Side, partner: NDArray[np.int64], move: _Move) -> _Move:
    """Least squares of the places of the pairs (Kabsch's rotation, in the plane a single complex number)."""
    paired = partner >= 0
    if paired.sum() < 2:
        return move
    from_mm, to_mm = a.place_mm[paired], b.place_mm[partner[paired]]
    turn = complex(np.sum((to_mm - to_mm.mean()) * np.conj(from_mm - from_mm.mean())))
    turn = turn / abs(turn) if abs(turn) > 0 else move.turn
    return _Move(turn, complex(to_mm.mean() - turn * from_mm.mean()))


def _moving_cost(a: _Side, b: _Side, partner: NDArray[np.int64], reach_mm: float) -> float:
    """Cost of having moved the card: none while the fruit lie within reach of their old places, full from twice on.

    By the places of the pairs themselves, so that it is the same from b to a.
    """
    paired = partner >= 0
    if not paired.any():
        return 0.0
    moved_mm = np.sqrt(np.mean(np.abs(a.place_mm[paired] - b.place_mm[partner[paired]]) ** 2))
    return _FAR_MOVE * float(np.clip(moved_mm / reach_mm - 1, 0, 1))


def _side(name: str, table: pd.DataFrame) -> _Side:
    columns = ["x_mm", "y_mm", "length_mm", "width_mm"]
    _need(name, table, ("fruit", *columns))
    _check_numbers(name, table)
    values = table.sort_values("fruit")
    numbers = values[columns].to_numpy(float)
    known = np.isfinite(numbers).all(axis=1) & (numbers[:, 2:] > 0).all(axis=1)
    x_mm, y_mm, length_mm, width_mm = numbers[known].T
    return _Side(values["fruit"].to_numpy(np.int64)[known], x_mm + 1j * y_mm, length_mm, width_mm)


def _too_little(name: str, table: pd.DataFrame, side: _Side) -> str:
    if len(table) < FEWEST_FRUIT:
        return f"side {name} shows {len(table) or 'no'} fruit, and it takes two to tell how the tray lies."
    if len(side.fruit) < FEWEST_FRUIT:
        return f"places and sizes on side {name} are not known in mm; lay the reference card on the tray."
    return ""


def _too_weak(a: _Side, b: _Side, best: _Explanation, reach_mm: float) -> str:
    """Why even the best explanation may be chance, in words; empty where it is not."""
    matched, fewer, more = len(best.pairs()), *sorted((len(a.fruit), len(b.fruit)))
    if matched < max(FEWEST_FRUIT, LEAST_SHARE_MATCHED * fewer - 1e-9):
        return "too few fruit agree in place and size, so these are hardly two sides of one tray."
    # two fruit of some size and distance are soon found if the card may lie anywhere
    if matched == 2 and matched < more and _moving_cost(a, b, best.partner, reach_mm) > 0:
        return "only two fruit agree, too few to tell how the tray lies after the card was moved."
    return ""


def _pair_table(a: _Side, b: _Side, pairs: Sequence[tuple[int, int]], move: _Move) -> pd.DataFrame:
    i = np.array([pair[0] for pair in pairs], np.intp)
    k = np.array([pair[1] for pair in pairs], np.intp)
    table = pd.DataFrame(
        {
            "fruit_a": a.fruit[i],
            "fruit_b": b.fruit[k],
            "distance_mm": np.abs(move(a.place_mm[i]) - b.place_mm[k]),
            "length_difference": _difference(a.length_mm[i], b.length_mm[k]),
            "width_difference": _difference(a.width_mm[i], b.width_mm[k]),
        }
    )
    return table.astype(PAIR_DTYPES)


def _no_pairs() -> pd.DataFrame:
    return pd.DataFrame(columns=list(PAIR_DTYPES)).astype(PAIR_DTYPES)


def _match(
    a: pd.DataFrame, b: pd.DataFrame, pairs: pd.DataFrame, doubtful: tuple[tuple[int, int], ...], sentence: str
) -> SideMatch:
    unmatched_a = tuple(sorted(int(number) for number in set(a["fruit"]) - set(pairs["fruit_a"])))
    unmatched_b = tuple(sorted(int(number) for number in set(b["fruit"]) - set(pairs["fruit_b"])))
    if not sentence:
        sentence = f"{len(pairs) or 'No'} fruit of side a and side b belong together for sure"
        for name, unmatched in (("a", unmatched_a), ("b", unmatched_b)):
            if unmatched:
                sentence += f"; without partner on side {name}: {', '.join(map(str, unmatched))}"
        if doubtful:
            sentence += "; some of them could be either of two fruit, so each is judged by the side seen"
        sentence += "."
    return SideMatch(pairs, unmatched_a, unmatched_b, doubtful, sentence)


def _check_numbers(name: str, table: pd.DataFrame) -> None:
    if table["fruit"].duplicated().any():
        raise ValueError(f"{name} number fruit {table.loc[table['fruit'].duplicated(), 'fruit'].iloc[0]} twice")


def _need(name: str, table: pd.DataFrame, columns: Sequence[str]) -> None:
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise ValueError(f"{name} lack the columns {', '.join(missing)}")
