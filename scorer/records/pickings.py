"""Who picked what is on photos, and on which day: what trays are held apart by when a model is tried."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd
from sqlalchemy import Engine, select

from scorer.hold_time.clock import site_time, zone_of
from scorer.records.database import in_words
from scorer.records.tables import Bin, Crew, Photo, Site, Tray


def crew_and_day(engine: Engine, sha256s: Collection[str]) -> pd.DataFrame:
    """Crew and day of picking of some photos: sha256, crew, day (text, at the site); missing where not known.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    wanted = (
        select(Photo.sha256, Crew.name, Bin.picked_at, Site.zone)
        .join(Site, Photo.site_id == Site.id)
        .outerjoin(Tray, Photo.tray_id == Tray.id)
        .outerjoin(Bin, Tray.bin_id == Bin.id)
        .outerjoin(Crew, Bin.crew_id == Crew.id)
        .order_by(Photo.sha256)
    )
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        rows = [row for row in connection.execute(wanted) if row.sha256 in set(sha256s)]
    days = [
        None if row.picked_at is None else site_time(row.picked_at, zone_of(row.zone)).date().isoformat()
        for row in rows
    ]
    return pd.DataFrame(
        {
            "sha256": pd.Series([row.sha256 for row in rows], dtype="str"),
            "crew": pd.Series([row.name for row in rows], dtype="str"),
            "day": pd.Series(days, dtype="str"),
        }
    )
