"""A season kept in memory for the pages: read once as a whole, afterwards only what has changed since."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd
from sqlalchemy import Connection, Engine, String, func, select, type_coerce

from scorer.limits import Limits
from scorer.records.database import in_words
from scorer.records.fruit import SeasonParts, laid_together, read_parts
from scorer.records.tables import Decision, Fruit, Photo, Score
from scorer.records.words_in_force import judged_as_said, limits_by_name, limits_of_words

MOST_EXCHANGED: Final = 500
"""Where more photos than this have changed, all are read anew, which is then as fast."""

Stamp = tuple[str, int]


@dataclass(frozen=True)
class _State:
    """What the records held when they were looked at: whatever changes a row of the season changes this.

    Scores and decisions are never changed, and photos by nothing but a better tag; so these few columns tell all. The
    limit tables are here too, for the marks that people spoke of are judged by them anew.
    """

    photos: frozenset[tuple[Any, ...]]
    decisions: frozenset[tuple[int, int]]
    limits: dict[str, Limits | None]


class Season:
    """The fruit of a season, as fresh as the records at each call.

    Holds a lock and what it has read, unlike the rest of scorer: threads of all visitors share one season, and two that
    come at once must neither read it twice nor find it half exchanged. Like an engine it asks nobody for a right;
    whoever hands out what is in it does.

    Parameters
    ----------
    engine : the records.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._lock = threading.Lock()
        self._state = _State(frozenset(), frozenset(), {})
        self._parts: SeasonParts | None = None
        self._rows: dict[bool, pd.DataFrame] = {}
        self._name = secrets.token_hex(8)
        self._changes = 0

    def rows(self, *, as_said: bool = True) -> pd.DataFrame:
        """The rows of ``scorer.records.fruit.season_fruit`` as the records are now; to be changed as anybody likes.

        Raises
        ------
        RecordsError : the records cannot be read.
        """
        with self._lock:
            parts = self._fresh()
            if as_said not in self._rows:
                self._rows[as_said] = laid_together(parts, as_said=as_said)
            return self._rows[as_said].copy(deep=False)  # pandas copies what is written to

    @property
    def stamp(self) -> Stamp:
        """Another one whenever anything has changed, for keeping figures by. Ask for it before the rows, not after.

        Raises
        ------
        RecordsError : the records cannot be read.
        """
        with self._lock:
            self._fresh()
            return self._name, self._changes

    def _fresh(self) -> SeasonParts:
        with in_words(self.engine), self.engine.connect().execution_options(reads=True) as connection:
            state = _look(connection, self._state)
            if self._parts is not None and state == self._state:
                return self._parts
            # looked at first and read then: what comes in between is read too early, and once more the next time
            self._parts = self._exchanged(connection, state)
        self._state = state
        self._rows = {}
        self._changes += 1
        return self._parts

    def _exchanged(self, connection: Connection, state: _State) -> SeasonParts:
        before = self._state
        changed = {row[0] for row in before.photos ^ state.photos} | {
            row[1] for row in before.decisions ^ state.decisions
        }
        if self._parts is None or len(changed) > MOST_EXCHANGED:
            return read_parts(connection)
        parts = self._parts
        if changed:
            parts = _exchange(parts, changed, read_parts(connection, sorted(changed)))
        if before.limits != state.limits:
            parts = replace(parts, judged=judged_as_said(connection))
        return parts


def _look(connection: Connection, before: _State) -> _State:
    photos = connection.execute(
        select(
            Photo.id,
            Photo.name,
            Photo.tray_id,
            Photo.side,
            type_coerce(Photo.taken_at, String),  # as it is kept, for comparing only
            Photo.hold,
            Score.id,
            type_coerce(Score.scored_at, String),
        ).join(Score, Score.photo_id == Photo.id)
    )
    decisions = before.decisions
    if connection.scalar(select(func.count()).select_from(Decision)) != len(decisions):
        of_photo = select(Decision.id, Score.photo_id).join(Fruit, Decision.fruit_id == Fruit.id)
        found = connection.execute(of_photo.join(Score, Fruit.score_id == Score.id))
        decisions = frozenset((number, photo) for number, photo in found)
    names = before.limits if decisions is before.decisions else limits_of_words(connection)
    return _State(frozenset(map(tuple, photos)), decisions, limits_by_name(names))


def _exchange(parts: SeasonParts, changed: Iterable[int], now: SeasonParts) -> SeasonParts:
    """The same parts, with other rows for the photos that changed."""
    gone = parts.photo["photo_id"].isin(set(changed))
    scores = set(parts.photo.loc[gone, "score_id"])
    of_gone = parts.fruit["score_id"].isin(scores)
    fruit = set(parts.fruit.loc[of_gone, "fruit_id"])
    return SeasonParts(
        _joined(parts.photo[~gone], now.photo),
        _joined(parts.fruit[~of_gone], now.fruit),
        _joined(parts.checks[~parts.checks["fruit_id"].isin(fruit)], now.checks),
        _joined(parts.judged[~parts.judged["fruit_id"].isin(fruit)], now.judged),
    )


def _joined(before: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([before, now], ignore_index=True)
