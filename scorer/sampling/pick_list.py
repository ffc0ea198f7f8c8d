"""A random list of what to take from which bin and when, so that nobody takes the nice fruit.

Fruit chosen by eye are fruit from the top, from the near side, from the bin that stands handy, at the hour when there
is time. So bins, times, layers and places are drawn by lot, and the seed of the lot stands in the result: anybody can
draw the same list again and see that it was not chosen.

The generator is PCG64 (O'Neill 2014, HMC-CS-2014-0905) as numpy has it. Only its raw 64-bit numbers are used, because
numpy promises that these stay the same from version to version, and does not promise it for what a Generator makes of
them (NumPy enhancement proposal 19). Everything else here is whole numbers, so the same seed gives the same list on any
machine.
"""

from __future__ import annotations

import secrets
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import TypeVar

import numpy as np
import pandas as pd

LAYERS = ("top", "middle", "bottom")
PLACES = ("near left corner", "near right corner", "far left corner", "far right corner", "centre")
"""Seen by someone who stands before the tag of the bin."""

PICK_DTYPES = {
    "bin": "str",
    "crew": "str",
    "time": "datetime64[s]",
    "layer": "str",
    "place": "str",
    "fruit": "int64",
}

_SEED_BITS = 32  # short enough to be read out and typed in again
_RAW = 2**64

Item = TypeVar("Item")


@dataclass(frozen=True)
class PickList:
    """What to take.

    Parameters
    ----------
    seed : draws the same list again.
    picks : one row for each place in a bin, by time, with the columns of `PICK_DTYPES`: bin, crew ("" where none is
        given), time (local, to the minute; the same for all places of a bin), layer, place, and fruit to take there.
    sentence : how the list was drawn, in plain words.
    """

    seed: int
    picks: pd.DataFrame
    sentence: str


def draw_pick_list(
    bins: int | Sequence[str],
    bins_to_pick: int,
    fruit_per_bin: int,
    *,
    shift_start: datetime,
    shift_end: datetime,
    crew_of_bin: Mapping[str, str] | None = None,
    same_for_every_crew: bool = False,
    arriving_in_order: bool = False,
    places_per_bin: int = 3,
    seed: int | None = None,
) -> PickList:
    """Draw by lot which bins to sample, when in the shift, and where in the bin.

    Bins: every bin is equally likely, bins_to_pick / bins. With crews each crew gets its share, its fraction of a bin
    rounded up or down by lot, so that this still holds (systematic sampling from a list ordered by crew, Cochran 1977,
    Sampling Techniques, chapter 8). With ``same_for_every_crew`` each crew gets as many as the others, to within one,
    and bins are equally likely within a crew only: better to hold crews against each other, worse for one figure over
    all.

    Times: the shift is cut into as many equal stretches as bins are picked, and each has one time drawn within it.
    Crews take turns over the shift, so that none is seen in the heat of the afternoon only: that would look like
    careless picking.

    Places: as many layers as can be, then a different place in each, all drawn by lot.

    Parameters
    ----------
    bins : names of the bins, all different; or how many there are, to be called "1", "2" and so on.
    bins_to_pick : bins to sample, not more than there are.
    fruit_per_bin : fruit to take from each of them.
    shift_start, shift_end : local times without a zone; whole minutes count.
    crew_of_bin : crew that picked each bin; None where that does not matter.
    same_for_every_crew : whether every crew gets the same number of bins, whatever its share.
    arriving_in_order : whether bins stand in the order in which they come in, evenly over the shift. Each is then
        picked in the stretch in which it is awaited, and picks are spread over that order. False for bins that stand
        ready all through the shift.
    places_per_bin : places in a bin over which its fruit are spread as evenly as can be, 1 to 15; at most one for each
        fruit.
    seed : 0 or more; None to draw one from the randomness of the system. It draws the same list again for the same
        bins in the same order.

    Raises
    ------
    ValueError : a number out of its range, bins without or with the same name, a bin without a crew, a crew with fewer
        bins than its equal number, times with a zone, or a shift with fewer minutes than picks.
    """
    names = _names(bins)
    first_minute = _first_whole_minute(shift_start)
    minutes = _shift_minutes(first_minute, shift_end)
    _check_numbers(len(names), bins_to_pick, fruit_per_bin, places_per_bin, minutes)
    crews = _crews(names, crew_of_bin)
    lot = _Lot(seed)
    bins_of_crew = _bins_of_crew(crews)
    numbers = _equal_numbers if same_for_every_crew else _numbers_by_share
    number_of_crew = numbers(bins_of_crew, bins_to_pick, lot)
    when_to_pick = _picked_as_they_arrive if arriving_in_order else _picked_in_turns
    rows = [
        (names[index], crews[index], first_minute + timedelta(minutes=minute), layer, place, fruit)
        for index, minute in when_to_pick(bins_of_crew, number_of_crew, minutes, lot)
        for layer, place, fruit in _spread_in_bin(fruit_per_bin, places_per_bin, lot)
    ]
    sentence = (
        f"{bins_to_pick} of {len(names)} bins, their times from {first_minute:%H:%M} to {shift_end:%H:%M} and the "
        f"places in them were drawn by lot with seed {lot.seed}{_in_words(number_of_crew, bins_of_crew)}. Where a bin "
        "cannot be reached, note it and take no other in its place, for that one would be chosen."
    )
    return PickList(lot.seed, pd.DataFrame(rows, columns=list(PICK_DTYPES)).astype(PICK_DTYPES), sentence)


class _Lot:
    """Draws by lot, all from one seed and all in whole numbers."""

    def __init__(self, seed: int | None) -> None:
        if seed is not None and seed < 0:
            raise ValueError(f"the seed must be 0 or more, got {seed}")
        self.seed = secrets.randbits(_SEED_BITS) if seed is None else int(seed)
        self._bits = np.random.PCG64(self.seed)

    def below(self, number: int) -> int:
        """One of 0 to number - 1, all equally likely: raw numbers that would favour the small ones are drawn again."""
        fair = _RAW - _RAW % number
        while (raw := int(self._bits.random_raw())) >= fair:
            pass
        return raw % number

    def some_of(self, items: Sequence[Item], number: int) -> list[Item]:
        """So many of the items in random order (Fisher and Yates)."""
        mixed = list(items)
        for place in range(number):
            other = place + self.below(len(mixed) - place)
            mixed[place], mixed[other] = mixed[other], mixed[place]
        return mixed[:number]

    def one_in_each_stretch(self, length: int, stretches: int) -> list[int]:
        """A whole number from each of so many equal stretches of 0 to length - 1."""
        ends = [stretch * length // stretches for stretch in range(stretches + 1)]
        return [start + self.below(end - start) for start, end in pairwise(ends)]

    def spread_over(self, items: Sequence[Item], number: int) -> list[Item]:
        """So many of the items, spread over their order, in that order; all equally likely.

        Stretches that do not divide evenly differ in length, so the order is first turned like a wheel.
        """
        if number == 0:
            return []
        turn = self.below(len(items))
        drawn = self.one_in_each_stretch(len(items), number)
        return [items[index] for index in sorted((index + turn) % len(items) for index in drawn)]


def _names(bins: int | Sequence[str]) -> list[str]:
    if isinstance(bins, int):
        return [str(number) for number in range(1, bins + 1)]
    if isinstance(bins, str):
        raise ValueError(f"bins must be a list of names or how many there are, got the text {bins!r}")
    names = [str(name) for name in bins]
    twice = sorted(name for name, times in Counter(names).items() if times > 1)
    if twice:
        raise ValueError(f"bin {twice[0]!r} is in the list more than once: give each bin a name of its own")
    if any(not name.strip() for name in names):
        raise ValueError("a bin in the list has no name: give each bin a name of its own")
    return names


def _first_whole_minute(shift_start: datetime) -> datetime:
    whole = shift_start.replace(second=0, microsecond=0)
    return whole if whole == shift_start else whole + timedelta(minutes=1)


def _shift_minutes(first_minute: datetime, shift_end: datetime) -> int:
    if first_minute.tzinfo is not None or shift_end.tzinfo is not None:
        raise ValueError("the times of the shift are local and have no zone: leave the zone out")
    return (shift_end - first_minute) // timedelta(minutes=1)


def _check_numbers(there: int, bins_to_pick: int, fruit_per_bin: int, places_per_bin: int, minutes: int) -> None:
    if not 1 <= bins_to_pick <= there:
        raise ValueError(f"bins to pick must be 1 to the {there} there are, got {bins_to_pick}")
    if fruit_per_bin < 1:
        raise ValueError(f"fruit per bin must be at least 1, got {fruit_per_bin}")
    if not 1 <= places_per_bin <= len(LAYERS) * len(PLACES):
        raise ValueError(f"places per bin must be 1 to {len(LAYERS) * len(PLACES)}, got {places_per_bin}")
    if minutes < bins_to_pick:
        raise ValueError(
            f"the shift must last at least one minute for each of {bins_to_pick} bins, got {minutes}: check its start "
            "and end, with their dates"
        )


def _crews(names: Sequence[str], crew_of_bin: Mapping[str, str] | None) -> list[str]:
    """The crew of each bin; "" where crews do not matter."""
    if crew_of_bin is None:
        return [""] * len(names)
    without = [name for name in names if not crew_of_bin.get(name)]
    if without:
        raise ValueError(f"no crew is given for bin {without[0]!r}: name one for each bin, or none at all")
    return [crew_of_bin[name] for name in names]


def _bins_of_crew(crews: Sequence[str]) -> dict[str, list[int]]:
    """Places in the list of bins, by crew."""
    bins_of_crew: dict[str, list[int]] = {}
    for index, crew in enumerate(crews):
        bins_of_crew.setdefault(crew, []).append(index)
    return bins_of_crew


def _numbers_by_share(bins_of_crew: Mapping[str, Sequence[int]], number: int, lot: _Lot) -> dict[str, int]:
    """Bins to pick of each crew: on the average exactly its share, and never off by a whole bin."""
    crew_by_place = [crew for crew in lot.some_of(list(bins_of_crew), len(bins_of_crew)) for _ in bins_of_crew[crew]]
    there = len(crew_by_place)
    start = lot.below(there)
    picked = Counter(crew_by_place[(start + step * there) // number] for step in range(number))
    return {crew: picked[crew] for crew in bins_of_crew}


def _equal_numbers(bins_of_crew: Mapping[str, Sequence[int]], number: int, lot: _Lot) -> dict[str, int]:
    """Bins to pick of each crew: all alike, what is left over by lot to those that have a further bin."""
    each, left_over = divmod(number, len(bins_of_crew))
    for crew, members in bins_of_crew.items():
        if len(members) < each:
            raise ValueError(
                f"crew {crew} has {len(members)} bins and {each} of each crew are to be picked: pick fewer, or let "
                "every crew have its share"
            )
    with_more = [crew for crew, members in bins_of_crew.items() if len(members) > each]
    if len(with_more) < left_over:
        raise ValueError(
            f"{number} bins do not divide evenly among {len(bins_of_crew)} crews, and too few have a bin left for the "
            f"rest: pick {each * len(bins_of_crew)}"
        )
    one_more = set(lot.some_of(with_more, left_over))
    return {crew: each + (crew in one_more) for crew in bins_of_crew}


def _picked_in_turns(
    bins_of_crew: Mapping[str, Sequence[int]], number_of_crew: Mapping[str, int], minutes: int, lot: _Lot
) -> list[tuple[int, int]]:
    """Bins drawn from each crew's own, crews in turns, and a minute of the shift for each."""
    chosen = {crew: lot.some_of(members, number_of_crew[crew]) for crew, members in bins_of_crew.items()}
    turns = _taking_turns(chosen, lot)
    return list(zip(turns, lot.one_in_each_stretch(minutes, len(turns)), strict=True))


def _taking_turns(chosen: Mapping[str, Sequence[int]], lot: _Lot) -> list[int]:
    """All chosen bins in an order in which each crew's are spread from beginning to end.

    The i-th of a crew's k bins stands at a random point of the i-th of k equal parts.
    """
    points = [
        (Fraction(turn * _RAW + lot.below(_RAW), len(members)), index)
        for members in chosen.values()
        for turn, index in enumerate(members)
    ]
    return [index for _, index in sorted(points)]


def _picked_as_they_arrive(
    bins_of_crew: Mapping[str, Sequence[int]], number_of_crew: Mapping[str, int], minutes: int, lot: _Lot
) -> list[tuple[int, int]]:
    """Bins drawn spread over each crew's own, in their order, and a minute of the stretch in which each is awaited."""
    there = sum(map(len, bins_of_crew.values()))
    chosen = [lot.spread_over(members, number_of_crew[crew]) for crew, members in bins_of_crew.items()]
    when = []
    for index in sorted(index for members in chosen for index in members):
        start, end = index * minutes // there, (index + 1) * minutes // there
        when.append((index, start + lot.below(max(end - start, 1))))
    return when


def _spread_in_bin(fruit: int, places: int, lot: _Lot) -> list[tuple[str, str, int]]:
    """Layer, place and fruit to take there, from the top down."""
    places = min(places, fruit)
    layers = lot.some_of(range(len(LAYERS)), len(LAYERS))
    places_of_layer = [lot.some_of(range(len(PLACES)), len(PLACES)) for _ in LAYERS]
    spots = [(layers[turn % len(LAYERS)], turn // len(LAYERS)) for turn in range(places)]
    each, left_over = divmod(fruit, places)
    one_more = set(lot.some_of(range(places), left_over))
    cells = sorted(
        (layer, places_of_layer[layer][turn], each + (spot in one_more)) for spot, (layer, turn) in enumerate(spots)
    )
    return [(LAYERS[layer], PLACES[place], number) for layer, place, number in cells]


def _in_words(number_of_crew: Mapping[str, int], bins_of_crew: Mapping[str, Sequence[int]]) -> str:
    if set(number_of_crew) == {""}:
        return ""
    shares = [f"{crew} {number} of {len(bins_of_crew[crew])}" for crew, number in sorted(number_of_crew.items())]
    return f" ({', '.join(shares)})"
