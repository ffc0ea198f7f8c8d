"""Read what people decided, the oldest first, each decision with the photo, fruit and mark that it is on."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Select, select

from scorer.records.tables import Decision, Fruit, Mark, Photo, Score, Site


def all_decisions() -> Select[*tuple[Any, ...]]:
    """Every decision ever kept, in the order in which they were said; to be narrowed down by conditions.

    Returns
    -------
    A query for one row per decision: decision (its number), photo (name), score_id, fruit_id, fruit and mark (their
    numbers; no mark for words on fruit and for missed marks), field, said_before, said_now, who, decided_at, why,
    chance, takes_back (the decision that this one takes back), outline, zone (of the site). Conditions may be on
    ``Decision``, ``Fruit``, ``Score``, ``Photo``, ``Site`` and ``Mark``.
    """
    wanted: Select[*tuple[Any, ...]] = (
        select(
            Decision.id.label("decision"),
            Photo.name.label("photo"),
            Fruit.score_id,
            Decision.fruit_id,
            Fruit.number.label("fruit"),
            Mark.number.label("mark"),
            Decision.field,
            Decision.said_before,
            Decision.said_now,
            Decision.who,
            Decision.decided_at,
            Decision.why,
            Decision.chance,
            Decision.about_id.label("takes_back"),
            Decision.outline,
            Site.zone,
        )
        .select_from(Decision)
        .join(Fruit, Decision.fruit_id == Fruit.id)
        .join(Score, Fruit.score_id == Score.id)
        .join(Photo, Score.photo_id == Photo.id)
        .join(Site, Photo.site_id == Site.id)
        .outerjoin(Mark, Decision.mark_id == Mark.id)
        .order_by(Decision.decided_at, Decision.id)
    )
    return wanted
