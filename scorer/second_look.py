"""What an officer should look at again: doubtful marks, the least certain first; and fruit, drawn by lot.

These are two different things. Marks come by doubt: to put them right makes each tray's verdict better, but it says
nothing of how good the score is elsewhere, for they were picked because they were doubtful. Such words are therefore
never counted as checks. Only fruit that were drawn by lot, with the chance that is kept beside the word
(``scorer.records.checks.say_fruit``), enter figures made from both words (``scorer.crews.prediction_powered``).

Those figures weigh an officer's word on a fruit against the scorer's own. So all here works on the rows as they were
scored (``Season.rows(as_said=False)``): an officer who checks a fruit puts its marks right at the same time, and were
the corrected verdict taken for the scorer's, it would seem to err nowhere, just because it was looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import pandas as pd
from sqlalchemy import ColumnElement, Engine, Float, case, func, literal, select

from scorer.access.roles import Person, Right
from scorer.crews.next_checks import NEXT_CHECKS, TO_CHECK_COLUMNS, checks_worth, draw_checks
from scorer.crews.prediction_powered import shares_from_both
from scorer.errors import RecordsError, ScorerError
from scorer.fruit_rows import countable
from scorer.kinds import CLASSES, MarkModel, class_probabilities
from scorer.marks.measure import MEASURES
from scorer.records.database import in_words
from scorer.records.season import Season
from scorer.records.tables import Bin, Crew, Decision, FittedModel, Fruit, Mark, Photo, Score, Tray
from scorer.records.words_in_force import ON_MARKS, columns_of
from scorer.score_tables import KINDS, UNSURE

LOOK_COLUMNS: Final = (
    "mark_id",
    "sha256",
    "photo",
    "fruit",
    "mark",
    "kind",
    "probability",
    "second_kind",
    "second_probability",
    "crew",
)
WORTH_COLUMNS: Final = ("crew", "checked", "more", "narrower_by_points", "enough", "sentence")
SURE_OF_UNSURE: Final = 0.5
"""Of a mark whose kind nobody could name, about this part of its probability of being a mark falls to the likeliest
kind: a kind is only named when it has more (``sure_from`` on the model's card)."""
_USED: Final = ("good", "usable")
_SIZES: Final = {"area_mm2": Mark.area_mm2, "length_mm": Mark.length_mm, "width_mm": Mark.width_mm}


def marks_to_look_at(
    person: Person, engine: Engine, *, crew: str | None = None, number: int = 20, model: MarkModel | None = None
) -> pd.DataFrame:
    """Marks on whose kind nobody has a word that counts, the least certain first, taking the crews in turn.

    Marks of photos that are to be taken again are left out, and of each photo only the newest score's marks are in.

    Parameters
    ----------
    crew : only this crew's; None for all, those of bins without a crew among them.
    number : of marks at most.
    model : the model that named them, for the kind that came second; without it, and for marks that another model
        named, the second kind is missing, for the records do not hold it.

    Returns
    -------
    One row per mark with the columns LOOK_COLUMNS.

    Raises
    ------
    AccessError : they may not look at trays.
    RecordsError : the records cannot be read.
    ValueError : ``number`` is not at least 1.
    """
    person.must(Right.SEE_TRAYS)
    if number < 1:
        raise ValueError(f"The number of marks to look at must be at least 1, got {number}.")
    certainty = case((Mark.kind == UNSURE, Mark.probability * literal(SURE_OF_UNSURE, Float)), else_=Mark.probability)
    turn = func.row_number().over(partition_by=Bin.crew_id, order_by=(certainty, Mark.id))
    queue = select(Mark.id, certainty.label("certainty"), turn.label("turn")).select_from(Mark)
    queue = queue.join(Fruit, Mark.fruit_id == Fruit.id).join(Score).join(Photo)
    queue = queue.outerjoin(Tray).outerjoin(Bin, Tray.bin_id == Bin.id).outerjoin(Crew, Bin.crew_id == Crew.id)
    queue = queue.where(_is_newest(), Score.verdict.in_(_USED), Mark.id.not_in(_spoken_of()))
    if crew is not None:
        queue = queue.where(Crew.name == crew)
    first = queue.subquery()
    wanted = select(first.c.id).order_by(first.c.turn, first.c.certainty, first.c.id).limit(number)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        ids = connection.scalars(wanted).all()
        found = {row.id: row for row in connection.execute(_about_marks(Mark.id.in_(ids)))}
    return _queue([found[number] for number in ids], model)


def worth_looking(person: Person, season: Season, *, crew: str | None = None) -> pd.DataFrame:
    """Whether checking more fruit of a crew, drawn by lot, would still move its interval.

    Parameters
    ----------
    crew : only this one; None for all.

    Returns
    -------
    One row per crew with the columns WORTH_COLUMNS: ``more`` checks would make its interval narrower by
    ``narrower_by_points`` (percentage points; missing before it has one), ``sentence`` says so.

    Raises
    ------
    AccessError : they may not say what a fruit is.
    RecordsError : the records cannot be read.
    """
    person.must(Right.SAY)
    fruit = countable(season.rows(as_said=False)).fruit
    if fruit.empty:
        return pd.DataFrame(columns=list(WORTH_COLUMNS))
    figures = shares_from_both(fruit)[["crew", "fruit", "low", "high"]]  # of all crews: they share one weight
    rows = [_worth(row) for row in checks_worth(fruit).merge(figures, on="crew").to_dict("records")]
    worth = pd.DataFrame(rows, columns=list(WORTH_COLUMNS))
    return worth if crew is None else worth[worth["crew"] == crew].reset_index(drop=True)


def fruit_to_check(
    person: Person, season: Season, number: int, *, crew: str | None = None, seed: int | None = None
) -> pd.DataFrame:
    """Draw fruit to check by eye; what is seen goes with ``check_chance`` to ``scorer.records.checks.say_fruit``.

    Parameters
    ----------
    number : fruit to draw.
    crew : of this crew only; None spreads them over crews (see ``scorer.crews.next_checks.draw_checks``).
    seed : draws the same fruit again from the same season; None to draw one.

    Returns
    -------
    One row per fruit: sha256 and TO_CHECK_COLUMNS, without the scorer's word: who knows it sees what it says.

    Raises
    ------
    AccessError : they may not say what a fruit is.
    RecordsError : the records cannot be read, or two photos of one name are among those drawn.
    ScorerError : no fruit counts.
    ValueError : ``number`` is not at least 1, or ``seed`` is negative.
    """
    person.must(Right.SAY)
    counted = countable(season.rows(as_said=False))
    fruit = counted.fruit if crew is None else counted.fruit[counted.fruit["crew"] == crew]
    if fruit.empty:
        raise ScorerError(f"There is no fruit to draw from{f' of {crew}' if crew else ''}: {counted.sentence}")
    drawn = draw_checks(fruit.reset_index(drop=True), number, seed=seed).fruit
    bytes_of = _hashes(season.engine, drawn["photo"].unique().tolist())
    drawn.insert(0, "sha256", drawn["photo"].map(bytes_of).astype("str"))
    return drawn[["sha256", *(name for name in TO_CHECK_COLUMNS if name != "said")]]


def _is_newest() -> ColumnElement[bool]:
    newest = select(func.max(Score.scored_at)).where(Score.photo_id == Photo.id).correlate(Photo).scalar_subquery()
    return Score.scored_at == newest


def _spoken_of() -> Any:
    taken_back = select(Decision.about_id).where(Decision.about_id.is_not(None))
    words = select(Decision.mark_id).where(Decision.field.in_(ON_MARKS), Decision.mark_id.is_not(None))
    return words.where(Decision.about_id.is_(None), Decision.id.not_in(taken_back))


def _about_marks(wanted: ColumnElement[bool]) -> Any:
    return (
        select(
            Mark.id,
            Photo.sha256,
            Photo.name.label("photo"),
            Fruit.number.label("fruit"),
            Mark.number.label("mark"),
            Mark.kind,
            Mark.probability,
            Crew.name.label("crew"),
            Mark.measures,
            FittedModel.sha256.label("model"),
            *_SIZES.values(),
        )
        .select_from(Mark)
        .join(Fruit, Mark.fruit_id == Fruit.id)
        .join(Score, Fruit.score_id == Score.id)
        .join(FittedModel, Score.model_id == FittedModel.id)
        .join(Photo, Score.photo_id == Photo.id)
        .outerjoin(Tray, Photo.tray_id == Tray.id)
        .outerjoin(Bin, Tray.bin_id == Bin.id)
        .outerjoin(Crew, Bin.crew_id == Crew.id)
        .where(wanted)
    )


def _queue(marks: Sequence[Any], model: MarkModel | None) -> pd.DataFrame:
    rows = [
        (
            mark.id,
            mark.sha256,
            mark.photo,
            mark.fruit,
            mark.mark,
            mark.kind,
            mark.probability,
            *_second_kind(mark, model),
            mark.crew,
        )
        for mark in marks
    ]
    types = dict.fromkeys(("photo", "sha256", "kind", "second_kind", "crew"), "str")
    return columns_of(rows, LOOK_COLUMNS).astype(types | {"second_probability": "float64"})


def _second_kind(mark: Any, model: MarkModel | None) -> tuple[str | None, float | None]:
    """The likeliest kind other than the one named, and its probability; of an unsure mark, the second of all."""
    if model is None or model.sha256 != mark.model:
        return None, None
    held = {name: getattr(mark, name) for name in _SIZES} | mark.measures
    measures = pd.to_numeric(pd.Series(held).reindex(list(MEASURES)), errors="coerce")
    if measures.isna().any():  # a photo without a scale
        return None, None
    (p,) = class_probabilities(measures.to_numpy(float)[None], model)
    order = sorted(KINDS, key=lambda kind: -p[CLASSES.index(kind)])
    second = order[1] if mark.kind == UNSURE else next(kind for kind in order if kind != mark.kind)
    return second, float(p[CLASSES.index(second)])


def _worth(row: dict[Any, Any]) -> dict[str, Any]:
    more = min(NEXT_CHECKS, row["fruit"] - row["checked"])
    points = 100 * (row["high"] - row["low"]) * row["narrower_by"]
    about = {"crew": row["crew"], "checked": row["checked"], "more": more, "narrower_by_points": points}
    if not more or pd.isna(points):
        return about | {"enough": row["enough"], "sentence": row["sentence"]}
    if row["enough"]:
        sentence = f"{row['crew']}: enough; {more} more checks would narrow its interval by only {points:.1f} points."
    else:
        sentence = f"{more} more checks would narrow {row['crew']}'s interval by about {points:.1f} points."
    return about | {"enough": row["enough"], "sentence": sentence}


def _hashes(engine: Engine, photos: Sequence[str]) -> dict[str, str]:
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        wanted = select(Photo.name, Photo.sha256).where(Photo.name.in_(photos))
        found = [(name, sha256) for name, sha256 in connection.execute(wanted)]
    names = [name for name, _ in found]
    for name in names:
        if names.count(name) > 1:
            raise RecordsError(f"The records hold several photos named {name}; give one another name and draw anew.")
    return dict(found)
