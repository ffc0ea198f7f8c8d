"""Which words on marks count at the moment, and what fruit are by the marks as they were said to be.

Of several words on one mark the newest counts, but for those taken back. A word belongs to the score that it was said
of: a new model's marks are others, on which nobody has said anything yet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import pandas as pd
from sqlalchemy import ColumnElement, Connection, Select, select

from scorer.errors import LimitsError
from scorer.limits import Limits, load_limits
from scorer.records.tables import Decision, Fruit, Mark, Score
from scorer.score_tables import KINDS, UNSURE
from scorer.verdict import judge_fruit

OF_KIND: Final = "kind"
OF_MISSED: Final = "missed"
ON_MARKS: Final = (OF_KIND, OF_MISSED)
NOT_A_MARK: Final = "not a mark"
SAID_KINDS: Final = (*KINDS, UNSURE, NOT_A_MARK)
"""What can be said of a mark."""

JUDGED_DTYPES: Final = {
    "fruit_id": "int64",
    "verdict": "str",
    "downgraded": "bool",
    "brown_fraction": "float64",
    **dict.fromkeys((*KINDS, UNSURE), "bool"),
}
_WORD_COLUMNS: Final = (
    "decision_id",
    "fruit_id",
    "mark_id",
    "field",
    "said_now",
    "who",
    "decided_at",
    "outline",
    "about_id",
)
_MARK_COLUMNS: Final = (
    "fruit_id",
    "mark_id",
    "mark",
    "scored_kind",
    "probability",
    "area_mm2",
    "length_mm",
    "width_mm",
)
_SIZES: Final = ("area_mm2", "length_mm", "width_mm")


def words_on_marks(connection: Connection, of: ColumnElement[bool] | None = None) -> pd.DataFrame:
    """Words on marks that count: decision_id, fruit_id, mark_id (missing for a missed mark), said_now, who, outline.

    Parameters
    ----------
    of : which fruit, as a condition on ``Fruit`` and ``Score``; None for all.
    """
    said = words_not_taken_back(connection, of).drop(columns="decided_at")
    overtaken = said["mark_id"].notna() & said.duplicated("mark_id", keep="last")
    return said[~overtaken].reset_index(drop=True)


def words_not_taken_back(connection: Connection, of: ColumnElement[bool] | None = None) -> pd.DataFrame:
    """All words on marks but those taken back, on one mark the newest last: what each person said, whether it counts.

    Parameters
    ----------
    of : as for ``words_on_marks``.

    Returns
    -------
    The columns of ``words_on_marks`` and decided_at (UTC); first the words on marks that were scored, then those on
    missed ones.
    """
    words = (
        select(
            Decision.id,
            Decision.fruit_id,
            Decision.mark_id,
            Decision.field,
            Decision.said_now,
            Decision.who,
            Decision.decided_at,
            Decision.outline,
            Decision.about_id,
        )
        .where(Decision.field.in_(ON_MARKS))
        .order_by(Decision.decided_at, Decision.id)
    )
    if of is not None:
        words = words.join(Fruit, Decision.fruit_id == Fruit.id).join(Score, Fruit.score_id == Score.id).where(of)
    said = columns_of(connection.execute(words).all(), _WORD_COLUMNS)
    said = said.astype({"mark_id": "Int64", "about_id": "Int64"})
    said = said[said["about_id"].isna() & ~said["decision_id"].isin(said["about_id"].dropna())]
    kinds = said[(said["field"] == OF_KIND) & said["mark_id"].notna()]
    missed = said[(said["field"] == OF_MISSED) & said["outline"].notna()]
    return pd.concat([kinds, missed]).drop(columns=["field", "about_id"]).reset_index(drop=True)


def marks_with_words(connection: Connection, words: pd.DataFrame, of: ColumnElement[bool]) -> pd.DataFrame:
    """Marks of fruit as they are said to be, what is no mark included.

    Parameters
    ----------
    words : as ``words_on_marks`` gives them, of these fruit.
    of : which fruit, as a condition on ``Fruit`` and ``Score``.

    Returns
    -------
    One row per mark: fruit_id, mark_id and mark (both missing for a missed mark), kind, scored_kind, probability,
    area_mm2, length_mm, width_mm, polygon_px, decision_id and who (of the word that counts, if any).
    """
    scored = select(
        Mark.fruit_id,
        Mark.id,
        Mark.number,
        Mark.kind,
        Mark.probability,
        Mark.area_mm2,
        Mark.length_mm,
        Mark.width_mm,
    )
    scored = scored.join(Fruit, Mark.fruit_id == Fruit.id).join(Score, Fruit.score_id == Score.id).where(of)
    marks = columns_of(connection.execute(scored.order_by(Mark.fruit_id, Mark.number)).all(), _MARK_COLUMNS)
    marks = marks.astype({"mark_id": "Int64", "mark": "Int64", **dict.fromkeys(_SIZES, "float64")})
    on_scored = words.loc[words["mark_id"].notna(), ["mark_id", "said_now", "decision_id", "who"]]
    marks = marks.merge(on_scored, on="mark_id", how="left")
    marks = marks.assign(kind=marks["scored_kind"].where(marks["said_now"].isna(), marks["said_now"]), polygon_px=None)
    missed = [_missed(word) for word in words[words["mark_id"].isna()].to_dict("records")]
    both = pd.concat([marks.drop(columns="said_now"), pd.DataFrame(missed)]) if missed else marks
    types = {"fruit_id": "int64", "mark_id": "Int64", "mark": "Int64", "decision_id": "Int64"}
    types |= dict.fromkeys(("probability", *_SIZES), "float64") | dict.fromkeys(("kind", "scored_kind", "who"), "str")
    return both.astype(types).drop(columns="said_now", errors="ignore").reset_index(drop=True)


def judged_as_said(connection: Connection, photo_ids: Sequence[int] | None = None) -> pd.DataFrame:
    """Fruit whose marks are said to be others than those that were scored, judged by them.

    The limit table is the one that each score names. Where it cannot be loaded any more, verdict and downgraded stay
    as scored; ``scorer.records.audit`` tells of it. Without a scale the brown fraction stays too, for nobody knows how
    much of it a mark makes up, but for a fruit that is left without any mark.

    Parameters
    ----------
    photo_ids : numbers of the photos wanted; None for all.

    Returns
    -------
    One row per fruit with the columns JUDGED_DTYPES.
    """
    wanted = None if photo_ids is None else Score.photo_id.in_(photo_ids)
    words = words_on_marks(connection, wanted)
    if words.empty:
        return _judged_table([])
    spoken_of = Fruit.id.in_(select(Decision.fruit_id).where(Decision.field.in_(ON_MARKS)))
    those = spoken_of if wanted is None else spoken_of & wanted
    marks = marks_with_words(connection, words, those)
    changed = marks.loc[marks["kind"] != marks["scored_kind"].fillna(NOT_A_MARK), "fruit_id"].unique()
    of_fruit = dict(iter(marks[marks["fruit_id"].isin(changed)].groupby("fruit_id")))
    fruit = connection.execute(_fruit_to_judge().where(those)).all()
    tables = limits_by_name({one.limits for one in fruit if one.id in of_fruit})
    return _judged_table([_judged(one, of_fruit[one.id], tables[one.limits]) for one in fruit if one.id in of_fruit])


def limits_by_name(names: Iterable[str]) -> dict[str, Limits | None]:
    """Limit tables by the names that scores give them; None for one that cannot be loaded."""
    return {name: _limits_or_none(name) for name in names}


def limits_of_words(connection: Connection) -> list[str]:
    """Names of the limit tables by which fruit are judged whose marks somebody spoke of."""
    names = select(Score.limits).join(Fruit, Fruit.score_id == Score.id).join(Decision, Decision.fruit_id == Fruit.id)
    return sorted(connection.scalars(names.where(Decision.field.in_(ON_MARKS)).distinct()))


def columns_of(rows: Sequence[Any], names: Sequence[str]) -> pd.DataFrame:
    """A table of what a query gave; by columns, for pandas takes rows ten times as slowly."""
    columns = zip(*rows, strict=True) if rows else ((),) * len(names)
    return pd.DataFrame({name: list(values) for name, values in zip(names, columns, strict=True)})


def _limits_or_none(name: str) -> Limits | None:
    try:
        return load_limits(name)
    except LimitsError:
        return None


def _missed(word: Mapping[Any, Any]) -> dict[str, Any]:
    outline = word["outline"]
    about = {"fruit_id": word["fruit_id"], "kind": word["said_now"], "decision_id": word["decision_id"]}
    return about | {"who": word["who"], "polygon_px": outline["polygon_px"]} | {name: outline[name] for name in _SIZES}


def _fruit_to_judge() -> Select[*tuple[Any, ...]]:
    return select(
        Fruit.id,
        Fruit.visible_area_mm2,
        Fruit.length_mm,
        Fruit.width_mm,
        Fruit.brown_fraction,
        Fruit.downgraded,
        Fruit.verdict,
        Score.limits,
    ).join(Score, Fruit.score_id == Score.id)


def _judged(fruit: Any, marks: pd.DataFrame, limits: Limits | None) -> dict[str, Any]:
    left = marks[marks["kind"] != NOT_A_MARK]
    skin_mm2, brown_mm2 = fruit.visible_area_mm2, float(left["area_mm2"].sum(skipna=False))
    fraction = fruit.brown_fraction
    if left.empty:
        fraction = 0.0
    elif skin_mm2 and not pd.isna(brown_mm2):
        fraction = min(brown_mm2 / skin_mm2, 1.0)
    row = {"fruit_id": fruit.id, "verdict": fruit.verdict, "downgraded": fruit.downgraded, "brown_fraction": fraction}
    row |= {kind: bool((left["kind"] == kind).any()) for kind in (*KINDS, UNSURE)}
    if limits is None:
        return row
    judged = judge_fruit(
        left, visible_area_mm2=skin_mm2, length_mm=fruit.length_mm, width_mm=fruit.width_mm, limits=limits
    )
    return row | {"verdict": judged.verdict, "downgraded": judged.downgraded}


def _judged_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(JUDGED_DTYPES)).astype(JUDGED_DTYPES)
