"""What every page works on, opened once for all visitors: records, season, photos, and where things lie."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import streamlit as st
from sqlalchemy import Engine

from app.settings import AppSettings, app_settings
from scorer.arrivals.store import PhotoStore
from scorer.fruit_rows import Countable, countable
from scorer.records.database import open_records
from scorer.records.season import Season


@dataclass(frozen=True)
class Desk:
    """The season as it lies open.

    Parameters
    ----------
    settings : of this server.
    engine : the records.
    season : the fruit of the season, kept fresh.
    store : the photos.
    """

    settings: AppSettings
    engine: Engine
    season: Season
    store: PhotoStore

    @property
    def tables_folder(self) -> Path:
        """The shed's own limit and price tables."""
        return self.settings.tables_folder


def the_desk() -> Desk:
    """The one desk of this server."""
    return _opened(app_settings())


@st.cache_resource(show_spinner=False)
def _opened(settings: AppSettings) -> Desk:
    engine = open_records(settings.records_url)
    return Desk(settings, engine, Season(engine), PhotoStore(settings.store_folder))


def counted(desk: Desk, *, any_hold: bool) -> Countable:
    """Fruit that count, worked out once for each state of the season; shared by all visitors, so never changed."""
    return _counted(desk.season, desk.season.stamp, any_hold)


@st.cache_resource(show_spinner=False, max_entries=4)
def _counted(_season: Season, stamp: object, any_hold: bool) -> Countable:
    return countable(_season.rows(), any_hold=any_hold)
