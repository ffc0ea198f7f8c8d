"""Choose the two things to look at for a crew, from what its marks cost, where they lie and when they came."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from scorer.advice.costliest import Costliest, KindCost, costliest_kinds
from scorer.advice.evidence import Sighting, enough_marks, sightings
from scorer.advice.kind_words import KIND_WORDS
from scorer.advice.practice_table import ALWAYS, LINES_SHOWN, START_MM, PracticeLine, Practices, load_practices
from scorer.language import Saying, message
from scorer.score_tables import KINDS

MAIN_DAMAGE: Final = message("Main damage on {count} of {total} downgraded fruit: {kind}.")
MAIN_ON_MARKED: Final = message("No fruit was downgraded. Main damage on {count} of {total} marked fruit: {kind}.")
SAME_DAMAGE: Final = message("For the same damage: {kind}.")
TOO_FEW_MARKS: Final = message("Marks of it: {marks}, bins with them: {bins}. Too few to say where they come from.")
NO_PATTERN: Final = message("Its {marks} marks show no clear place or hour, so this is a general check.")
NO_MARKS: Final = message("No mark of this crew could be named. These two checks are worth their minute for any crew.")
TOO_CLOSE: Final = message("Which costs more cannot be told yet: {kind} or {other_kind}.")
STEM_END_TAKEN: Final = message("The stem end is taken to be the fuller end of each fruit.")
NO_METHOD: Final = message(
    "The picking method of these bins is not named, or not known here: the checks are for any method."
)

_STEM_MEASURES: Final = {START_MM, "stem_distance_mm", "stem_direction", "along"}


@dataclass(frozen=True)
class ChosenPractice:
    """A line to look at, and why it was chosen, in sentences with their numbers."""

    line: PracticeLine
    reasons: tuple[Saying, ...]


@dataclass(frozen=True)
class Advice:
    """What to look at for one crew.

    Parameters
    ----------
    crew : its name.
    chosen : two lines, the one to look at first in front.
    cautions : source texts of the cautions for them and for any work in the orchard.
    notes : what must be known when reading the reasons.
    kinds : the kinds of marks by what they cost the crew, the dearest first; empty without a named mark.
    """

    crew: str
    chosen: tuple[ChosenPractice, ...]
    cautions: tuple[str, ...]
    notes: tuple[Saying, ...]
    kinds: tuple[KindCost, ...]


def choose_practices(
    fruit: pd.DataFrame,
    marks: pd.DataFrame,
    crew: str,
    *,
    practices: Practices | None = None,
    open_wounds_mm: Mapping[str, float] | None = None,
    cluster: str = "bin",
    defective: str = "defective",
) -> Advice:
    """Choose two lines for a crew.

    Both are for the kind of mark that costs the crew most, or one each for the two dearest kinds where it cannot be
    told which of them costs more. Of a kind's lines for the crew's picking method those go first whose pattern the
    marks show. With too few marks, or without any, the lines are general and the reasons say so.

    Parameters
    ----------
    fruit : one row per fruit, all crews together: ``photo``, ``fruit``, ``crew``, and the columns named by ``cluster``
        and ``defective``; ``method`` (free text) and ``hour`` of picking (0 to 23), where known.
    marks : one row per mark as in ``marks.csv``; marks of fruit that are not in ``fruit`` do not count. Without mm
        (no card) a mark tells no place.
    crew : the crew's name.
    practices : the table; None is the shipped one.
    open_wounds_mm : length from which a wound keeps a fruit out of every class, by kind, as the limit table has it.

    Raises
    ------
    ValueError : a column is missing or has gaps, or the crew has no fruit in the table.
    PracticesError : the shipped table cannot be read.
    """
    practices = practices or load_practices()
    fruit = _checked_fruit(fruit, crew, cluster, defective)
    marks = _of_fruit(marks, fruit)
    cost = costliest_kinds(fruit, marks, crew, open_wounds_mm=open_wounds_mm or {})
    method = _usual_method(fruit[fruit["crew"] == crew], practices)
    chosen: list[ChosenPractice] = []
    seen: dict[str, Sighting] = {}
    for kind, wanted in _wanted(cost):
        own = marks[(marks["crew"] == crew) & (marks["kind"] == kind.kind)]
        of_kind = sightings(practices.patterns.values(), kind.kind, fruit, marks, crew)
        lines = _in_order(practices, kind.kind, method, of_kind)[:wanted]
        chosen += [
            ChosenPractice(line, tuple(_reasons(kind, line, of_kind, own, follows=number > 0)))
            for number, line in enumerate(lines)
        ]
        seen |= {line.when: of_kind[line.when] for line in lines if line.when in of_kind}
    if not chosen:
        lines = _in_order(practices, KINDS[0], method, {})[:LINES_SHOWN]
        chosen = [ChosenPractice(lines[0], (Saying(NO_MARKS),)), *(ChosenPractice(line, ()) for line in lines[1:])]
    return Advice(
        crew=str(crew),
        chosen=tuple(chosen),
        cautions=_cautions(practices, chosen),
        notes=tuple(_notes(cost, seen, method)),
        kinds=cost.kinds,
    )


def _checked_fruit(fruit: pd.DataFrame, crew: str, cluster: str, defective: str) -> pd.DataFrame:
    """The table under its plain names, without what is not needed."""
    needed = {"photo": "photo", "fruit": "fruit", "crew": "crew", cluster: "bin", defective: "defective"}
    for column in needed:
        if column not in fruit.columns:
            raise ValueError(f"The table of fruit has no column {column!r}: name the right one or add it.")
        if missing := int(fruit[column].isna().sum()):
            raise ValueError(
                f"{missing} of {len(fruit)} fruit have no value in the column {column!r}: fill it in, or leave those "
                "fruit out."
            )
    if not (fruit["crew"] == crew).any():
        raise ValueError(f"The table of fruit has no fruit of the crew {crew!r}: check the name, or sample its bins.")
    known = [column for column in ("method", "hour") if column in fruit.columns]
    return fruit[[*needed, *known]].rename(columns=needed)


def _of_fruit(marks: pd.DataFrame, fruit: pd.DataFrame) -> pd.DataFrame:
    """Marks of the fruit in the table, with their crew and bin."""
    for column in ("photo", "fruit", "kind", "area_mm2", "length_mm"):
        if column not in marks.columns:
            raise ValueError(f"The table of marks has no column {column!r}: take the marks of the same scoring.")
    bare = marks.drop(columns=["crew", "bin"], errors="ignore")
    return bare.merge(fruit[["photo", "fruit", "crew", "bin"]], on=["photo", "fruit"])


def _usual_method(own: pd.DataFrame, practices: Practices) -> str:
    """The table's name of the method by which most of a crew's fruit were picked; "" where it knows none."""
    if "method" not in own.columns:
        return ""
    counts = own["method"].map(practices.method).value_counts()
    return str(counts.index[0]) if len(counts) else ""


def _wanted(cost: Costliest) -> Iterator[tuple[KindCost, int]]:
    """Kinds to take lines for, and how many of each."""
    if cost.first_stands_out:
        yield cost.kinds[0], LINES_SHOWN
    else:
        for kind in cost.kinds[:LINES_SHOWN]:
            yield kind, 1


def _in_order(practices: Practices, kind: str, method: str, seen: Mapping[str, Sighting]) -> list[PracticeLine]:
    """Lines of a kind that suit a method: those whose pattern is seen, the general ones, then the rest."""
    suited = [line for line in practices.lines if line.kind == kind and (not line.methods or method in line.methods)]
    return sorted(suited, key=lambda line: 0 if line.when in seen else 2 if line.when else 1)


def _reasons(
    kind: KindCost, line: PracticeLine, seen: Mapping[str, Sighting], marks: pd.DataFrame, *, follows: bool
) -> Iterator[Saying]:
    words = Saying(KIND_WORDS[kind.kind])
    if follows:
        yield Saying(SAME_DAMAGE, {"kind": words})
    else:
        main = MAIN_DAMAGE if kind.downgraded else MAIN_ON_MARKED
        yield Saying(main, {"count": kind.fruit, "total": kind.of_fruit, "kind": words})
    if line.when in seen:
        yield seen[line.when].saying
    elif follows:
        return
    elif not enough_marks(marks):
        yield Saying(TOO_FEW_MARKS, {"marks": len(marks), "bins": marks["bin"].nunique()})
    elif not seen:
        yield Saying(NO_PATTERN, {"marks": len(marks)})


def _cautions(practices: Practices, chosen: list[ChosenPractice]) -> tuple[str, ...]:
    """Cautions of the chosen lines and those of every sheet, in the table's order: what harms most stands on top."""
    needed = {name for each in chosen for name in each.line.cautions} | set(ALWAYS)
    return tuple(text for name, text in practices.cautions.items() if name in needed)


def _notes(cost: Costliest, seen: Mapping[str, Sighting], method: str) -> Iterator[Saying]:
    if len(cost.kinds) > 1 and not cost.first_stands_out:
        first, second = (Saying(KIND_WORDS[each.kind]) for each in cost.kinds[:2])
        yield Saying(TOO_CLOSE, {"kind": first, "other_kind": second})
    if any(_STEM_MEASURES & set(each.pattern.measures) for each in seen.values()):
        yield Saying(STEM_END_TAKEN)
    if not method:
        yield Saying(NO_METHOD)
