"""What people say of marks: that one is of another kind or none at all, and that scoring missed one.

Every word is a decision of its own beside the score: who, when, from what to what. Nothing is changed; to take a word
back is a further decision about it. Which words count is told in ``scorer.records.words_in_force``.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Connection, Engine, insert, select

from scorer.access.roles import Person, Right
from scorer.errors import RecordsError
from scorer.hold_time.clock import site_time, zone_of
from scorer.records.checks import BY_EYE
from scorer.records.database import in_words
from scorer.records.decisions import all_decisions
from scorer.records.newest_fruit import named, newest_fruit, newest_scored_at
from scorer.records.tables import Decision, Fruit, Mark, Photo, Score
from scorer.records.words_in_force import (
    NOT_A_MARK,
    OF_KIND,
    OF_MISSED,
    ON_MARKS,
    SAID_KINDS,
    columns_of,
    marks_with_words,
    words_on_marks,
)

Point = tuple[float, float]
MarkOfPhoto = tuple[str, int, int]
"""SHA-256 of the photo, number of the fruit on it, number of the mark on it."""

MOST_POINTS: Final = 2000
WORD_COLUMNS: Final = (
    "decision_id",
    "fruit",
    "mark",
    "field",
    "said_before",
    "said_now",
    "who",
    "said_at",
    "why",
    "chance",
    "takes_back",
    "counts",
)


def say_kind(person: Person, engine: Engine, mark: int | MarkOfPhoto, said_now: str, why: str = "") -> int:
    """Say what a mark is; to say the same as the score is to confirm it, and is kept too.

    Parameters
    ----------
    mark : its number in the records (``mark_id``), or photo, fruit and mark as a MarkOfPhoto.
    said_now : one of SAID_KINDS.
    why : in words, if they give a reason.

    Returns
    -------
    Number of the decision.

    Raises
    ------
    AccessError : they may not say what a mark is.
    RecordsError : there is no such kind, or no such mark in the photo's newest score; nobody is named; the records
        cannot be written.
    """
    person.must(Right.SAY)
    who = named(person.name)
    if said_now not in SAID_KINDS:
        raise RecordsError(f"There is no kind {said_now!r} of mark; say one of {', '.join(SAID_KINDS)}.")
    with in_words(engine), engine.begin() as connection:
        found = _mark(connection, mark)
        before = _held_for(connection, found.id, found.kind)
        return _add(
            connection,
            who,
            why,
            fruit_id=found.fruit_id,
            mark_id=found.id,
            field=OF_KIND,
            said_before=before if before != said_now else None,
            said_now=said_now,
        )


def say_missed(
    person: Person,
    engine: Engine,
    sha256: str,
    fruit: int,
    kind: str,
    polygon_px: Sequence[Point],
    mm_per_px: float | None = None,
    why: str = "",
) -> int:
    """Point out a mark that scoring missed.

    Parameters
    ----------
    sha256 : of the photo.
    fruit : number of the fruit that bears it.
    kind : of the mark; anything of SAID_KINDS that is a mark.
    polygon_px : its outline as (x, y) in pixels of the upright full photo, 3 to MOST_POINTS points; see
        ``outline_in_box`` for a box. A line that crosses itself counts what it surrounds the other way round as less.
    mm_per_px : scale at the mark; None takes the photo's own, and where that has none the mark has no sizes.

    Returns
    -------
    Number of the decision.

    Raises
    ------
    AccessError : they may not say what a mark is.
    RecordsError : kind, outline or scale cannot be; the fruit is not in the photo's newest score; nobody is named; the
        records cannot be written.
    """
    person.must(Right.SAY)
    who = named(person.name)
    if kind not in SAID_KINDS or kind == NOT_A_MARK:
        kinds = ", ".join(each for each in SAID_KINDS if each != NOT_A_MARK)
        raise RecordsError(f"There is no kind {kind!r} of mark to point out; say one of {kinds}.")
    points = _outline(polygon_px)
    if mm_per_px is not None and not 0 < mm_per_px < np.inf:
        raise RecordsError(f"The scale {mm_per_px:g} mm per pixel cannot be; leave it out to take the photo's own.")
    with in_words(engine), engine.begin() as connection:
        of = newest_fruit(connection, Photo.sha256 == sha256, f"The photo {sha256[:12]}", fruit)
        sizes = _sizes(points, mm_per_px or of.mm_per_px)
        outline = {"polygon_px": points.round(1).tolist(), "kind": kind} | sizes
        return _add(connection, who, why, fruit_id=of.id, field=OF_MISSED, said_now=kind, outline=outline)


def take_back(person: Person, engine: Engine, decision_id: int, why: str = "") -> int:
    """Take back a word on a mark, whoever said it; it stays in the records and counts no more.

    Returns
    -------
    Number of the decision that takes it back.

    Raises
    ------
    AccessError : they may not say what a mark is.
    RecordsError : there is no such word, it is taken back already or takes back another itself, or it is on a fruit and
        not on a mark; nobody is named; the records cannot be written.
    """
    person.must(Right.SAY)
    who = named(person.name)
    with in_words(engine), engine.begin() as connection:
        word = _to_take_back(connection, decision_id)
        before, now = word.said_now, NOT_A_MARK
        if word.field == OF_KIND:
            scored = connection.execute(select(Mark.kind).where(Mark.id == word.mark_id)).scalar_one()
            before = _held_for(connection, word.mark_id, scored)
            now = _held_for(connection, word.mark_id, scored, without=decision_id)
        return _add(
            connection,
            who,
            why,
            fruit_id=word.fruit_id,
            mark_id=word.mark_id,
            field=word.field,
            said_before=before if before != now else None,
            said_now=now,
            about_id=decision_id,
        )


def words_of(person: Person, engine: Engine, sha256: str) -> pd.DataFrame:
    """All that was ever said of a photo's marks and fruit, the oldest first.

    Returns
    -------
    One row per decision with WORD_COLUMNS: ``mark`` is missing for words on fruit and for missed marks; ``said_before``
    where nothing was changed; ``said_at`` is the site's own time; ``takes_back`` is the decision that this one takes
    back; ``counts`` says whether it counts at the moment, which no word on an earlier model's score does.

    Raises
    ------
    AccessError : they may not look at trays.
    RecordsError : the records cannot be read.
    """
    person.must(Right.SEE_TRAYS)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        found = connection.execute(all_decisions().where(Photo.sha256 == sha256)).all()
        newest = _newest_score(connection, sha256)
        on_marks = set(words_on_marks(connection, Score.id == newest)["decision_id"])
    by_eye = {row.fruit_id: row.decision for row in found if row.field == BY_EYE and row.score_id == newest}
    counting = on_marks | set(by_eye.values())
    rows = [
        (
            row.decision,
            row.fruit,
            row.mark,
            row.field,
            row.said_before,
            row.said_now,
            row.who,
            site_time(row.decided_at, zone_of(row.zone)),
            row.why,
            row.chance,
            row.takes_back,
            row.decision in counting,
        )
        for row in found
    ]
    types = dict.fromkeys(("mark", "takes_back"), "Int64") | {"chance": "float64", "counts": "bool"}
    return columns_of(rows, WORD_COLUMNS).astype(types | {"said_at": "datetime64[s]"})


def marks_as_said(person: Person, engine: Engine, sha256: str, *, dropped: bool = False) -> pd.DataFrame:
    """A photo's marks, as its newest score and the words on them have it, for drawing and judging.

    Parameters
    ----------
    dropped : whether marks come too that are said to be none; their kind is then NOT_A_MARK.

    Returns
    -------
    One row per mark: fruit, mark (number in the mask; missing for a missed mark), kind, scored_kind (missing likewise),
    probability (of the scored kind), area_mm2, length_mm, width_mm, polygon_px (of missed marks), mark_id, decision_id
    and who (of the word that counts, if any).

    Raises
    ------
    AccessError : they may not look at trays.
    RecordsError : the records cannot be read.
    """
    person.must(Right.SEE_TRAYS)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        of_photo = Score.id == _newest_score(connection, sha256)
        words = words_on_marks(connection, of_photo)
        marks = marks_with_words(connection, words, of_photo)
        numbers = connection.execute(select(Fruit.id, Fruit.number).join(Score).where(of_photo))
        fruit = {row.id: row.number for row in numbers}
    marks.insert(0, "fruit", marks.pop("fruit_id").map(fruit).astype("int64"))
    kept = marks if dropped else marks[marks["kind"] != NOT_A_MARK]
    return kept.sort_values(["fruit", "mark"], kind="stable").reset_index(drop=True)


def outline_in_box(left: float, top: float, right: float, bottom: float, points: int = 32) -> list[Point]:
    """Outline of the mark in a box: the ellipse that touches its sides.

    Marks are round rather than square, so that the box itself would count a quarter more than there is.

    Parameters
    ----------
    left, top, right, bottom : sides of the box in pixels of the upright full photo.
    points : of the outline.
    """
    turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
    x = (left + right) / 2 + (right - left) / 2 * np.cos(turn)
    y = (top + bottom) / 2 + (bottom - top) / 2 * np.sin(turn)
    return list(zip(x.tolist(), y.tolist(), strict=True))


def _newest_score(connection: Connection, sha256: str) -> int | None:
    newest = select(Score.id).join(Photo).where(Photo.sha256 == sha256, Score.scored_at == newest_scored_at())
    return connection.scalar(newest)


def _mark(connection: Connection, mark: int | MarkOfPhoto) -> Any:
    wanted = select(Mark.id, Mark.kind, Mark.fruit_id).join(Fruit, Mark.fruit_id == Fruit.id).join(Score).join(Photo)
    wanted = wanted.where(Score.scored_at == newest_scored_at())
    if isinstance(mark, tuple):
        sha256, fruit, number = mark
        wanted = wanted.where(Photo.sha256 == sha256, Fruit.number == fruit, Mark.number == number)
        called = f"Mark {number} on fruit {fruit} of the photo {sha256[:12]}"
    else:
        wanted = wanted.where(Mark.id == mark)
        called = f"Mark {mark}"
    found = connection.execute(wanted).first()
    if found is None:
        raise RecordsError(f"{called} is not in the newest score of a photo; nothing was kept. Open the photo anew.")
    return found


def _held_for(connection: Connection, mark_id: int, scored: str, *, without: int | None = None) -> str:
    """The kind that a mark is held for, by the newest word that counts; ``without`` leaves one decision out."""
    taken_back = select(Decision.about_id).where(Decision.mark_id == mark_id, Decision.about_id.is_not(None))
    words = select(Decision.said_now).where(
        Decision.mark_id == mark_id,
        Decision.field == OF_KIND,
        Decision.about_id.is_(None),
        Decision.id.not_in(taken_back),
    )
    if without is not None:
        words = words.where(Decision.id != without)
    return connection.scalar(words.order_by(Decision.decided_at.desc(), Decision.id.desc()).limit(1)) or scored


def _to_take_back(connection: Connection, decision_id: int) -> Any:
    wanted = select(Decision.fruit_id, Decision.mark_id, Decision.field, Decision.said_now, Decision.about_id)
    word = connection.execute(wanted.where(Decision.id == decision_id)).first()
    if word is None:
        raise RecordsError(f"There is no decision {decision_id} to take back; open the photo anew.")
    if word.field not in ON_MARKS:
        raise RecordsError(f"Decision {decision_id} is on a fruit and not on a mark; say the other verdict instead.")
    if word.about_id is not None:
        raise RecordsError(f"Decision {decision_id} takes back another; say the word anew instead.")
    if connection.scalar(select(Decision.id).where(Decision.about_id == decision_id)) is not None:
        raise RecordsError(f"Decision {decision_id} is taken back already; open the photo anew.")
    return word


def _add(connection: Connection, who: str, why: str, **values: Any) -> int:
    row = values | {"who": who, "why": why.strip() or None, "decided_at": datetime.now(UTC)}
    return int(connection.execute(insert(Decision).returning(Decision.id), row).scalar_one())


def _outline(polygon_px: Sequence[Point]) -> NDArray[np.float64]:
    if not 3 <= len(polygon_px) <= MOST_POINTS:
        raise RecordsError(f"An outline has 3 to {MOST_POINTS} points, this one {len(polygon_px)}; draw it anew.")
    points = np.array([[float(x), float(y)] for x, y in polygon_px])
    if not (np.isfinite(points).all() and (points >= 0).all()):
        raise RecordsError("A point of the outline lies outside of the photo; draw it anew.")
    if _area_px(points) < 1:
        raise RecordsError("The outline surrounds less than a pixel; draw it around the mark.")
    return points


def _area_px(points: NDArray[np.float64]) -> float:
    x, y = (points - points.mean(axis=0)).T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def _sizes(points: NDArray[np.float64], mm_per_px: float | None) -> dict[str, float | None]:
    """Area, and length and width of the tightest box however turned; None without a scale."""
    if mm_per_px is None:
        return {"area_mm2": None, "length_mm": None, "width_mm": None}
    sides = cv2.minAreaRect((points - points.mean(axis=0)).astype(np.float32))[1]
    return {
        "area_mm2": _area_px(points) * mm_per_px**2,
        "length_mm": max(sides) * mm_per_px,
        "width_mm": min(sides) * mm_per_px,
    }
