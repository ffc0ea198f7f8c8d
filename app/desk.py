"""What every page works on, opened once for all visitors: records, season, photos, and where things lie.

Figures are worked out once for each state of the season and shared by all visitors.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
import streamlit as st
from sqlalchemy import Engine

from app.settings import AppSettings, app_settings
from scorer.arrivals.store import PhotoStore
from scorer.fruit_rows import Countable, countable
from scorer.model_shelf.shelf import Shelf, shelf_beside
from scorer.records.database import open_records
from scorer.records.season import Season

Figure = TypeVar("Figure")


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

    @property
    def shelf(self) -> Shelf:
        """The fitted models."""
        return shelf_beside(self.settings.records_url)


@dataclass(frozen=True)
class SeasonPart:
    """Some fruit of a season, and how they were chosen.

    Parameters
    ----------
    fruit : shared by all visitors, so never changed.
    chosen : the state of the season, and what it was narrowed down to; figures are kept by it.
    """

    fruit: pd.DataFrame
    chosen: tuple[Hashable, ...]

    def narrowed(self, to: Hashable, narrow: Callable[[pd.DataFrame], pd.DataFrame]) -> SeasonPart:
        """A smaller part, or this one if all of it is left; ``to`` tells this way of narrowing from all others."""
        left = narrow(self.fruit)
        return self if left is self.fruit else SeasonPart(left, (*self.chosen, to))

    def figure(self, work_out: Callable[..., Figure], *about: object) -> Figure:
        """What a function of a module says of these fruit, worked out at the first asking; never changed.

        Parameters
        ----------
        work_out : is given the fruit and ``about``.
        about : values that tell by their ``repr`` all that is in them.
        """
        asked = repr((work_out.__module__, work_out.__qualname__, about))
        figure: Figure = _figure(repr(self.chosen), asked, lambda: work_out(self.fruit, *about))
        return figure


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


def whole_season(desk: Desk, *, any_hold: bool) -> tuple[SeasonPart, Countable]:
    """All fruit that count, to be narrowed down, and how many do not."""
    stamp = desk.season.stamp
    season = _counted(desk.season, stamp, any_hold)
    return SeasonPart(season.fruit, (stamp, any_hold)), season


@st.cache_resource(show_spinner=False, max_entries=4)
def _counted(_season: Season, stamp: object, any_hold: bool) -> Countable:
    return countable(_season.rows(), any_hold=any_hold)


@st.cache_resource(show_spinner=False, max_entries=300)
def _figure(chosen: str, asked: str, _work_out: Callable[[], Any]) -> Any:
    return _work_out()
