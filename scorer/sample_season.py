"""An invented season to try everything on: sample photos scored for real, and drawn figures of the weeks before."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Callable, Mapping
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from sqlalchemy import Engine

from scorer.access.roles import Person, Role
from scorer.arrivals.store import store_beside
from scorer.batch.run import Plan, score_paths
from scorer.batch.task import Outcome, Source, Wanted
from scorer.crews.next_checks import draw_checks
from scorer.drawn_weeks import DrawnPhoto, drawn_weeks
from scorer.errors import RecordsError
from scorer.fruit_rows import countable
from scorer.kinds import load_model
from scorer.limits import load_limits
from scorer.manifest import read_manifest
from scorer.marks.measure import MEASURES
from scorer.records.beside import place_beside
from scorer.records.checks import keep_checks
from scorer.records.database import FILE_NAME, open_records, records_url
from scorer.records.fruit import season_fruit
from scorer.records.keep import OpenImport, close_import, keep_score, open_import
from scorer.records.mark_words import say_kind, take_back
from scorer.records.words_in_force import NOT_A_MARK
from scorer.resources import sample_folder
from scorer.score_tables import UNSURE, TrayScore
from scorer.tables_in_place.edit import begin_own, changed
from scorer.tables_in_place.names import LIMITS, PRICES, TableName
from scorer.tag import Tag
from scorer.tray import DEFAULT_LIMITS, Settings, score_photo

SEED: Final = 2026
ZONE: Final = "Australia/Darwin"
CHECKS: Final = 130
CARTONS: Final = {"Bowerbird": 1100, "Paperbark": 950, "Curlew": 800, "Brolga": 700, "Quandong": 1250}
OFFICER: Final = Person("Wattle", frozenset({Role.OFFICER}))
ANALYST: Final = Person("Jarrah", frozenset({Role.ANALYST}))
DRAWN: Final = "drawn figures of an invented season, no photos"
DRAWN_CARD: Final = {
    "name": DRAWN,
    "limits_of_use": "Nothing was photographed or scored: bins, fruit and marks are drawn by chance to fill the pages.",
    "measures": list(MEASURES),
}
"""Card of what stands where a fitted model would, so that nobody takes the drawn figures for scores."""

_WRONG_WORD: Final = 0.08  # how often the officer of this season sees a fruit otherwise than scoring
_PART_OF_PHOTOS: Final = 0.7

Keep = Callable[[Path, str, Mapping[str, bytes]], None]
"""Moves a photo, known by its SHA-256, with its masks (PNG by ``fruit`` and ``marks``) to where it is kept."""


def make_sample_season(
    folder: Path,
    on_progress: Callable[[float], None] = lambda share: None,
    *,
    keep: Keep | None = None,
    seed: int = SEED,
    jobs: int = 2,
) -> Path:
    """Make the season's records with photos and tables beside them, as ``scorer.arrivals.store`` would lay them.

    Parameters
    ----------
    folder : empty, or not there yet: nothing invented may come between real figures.
    on_progress : told the share that is done, from 0 to 1.
    keep : keeps the sample photos; None keeps them in the photo store beside the records.
    seed : the same seed draws the same figures; moments of scoring and deciding are those of now.
    jobs : photos scored at once.

    Returns
    -------
    Path of the records.

    Raises
    ------
    RecordsError : the folder holds something, or cannot be written.
    OutputError : the photos cannot be kept.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RecordsError(
            f"{folder} is not empty; give a new folder, for an invented season must not mix with another."
        )
    path = folder / FILE_NAME
    url = records_url(path)
    engine = open_records(url)
    try:
        outcomes = _score_samples(engine, keep or store_beside(url).keep, jobs, on_progress)
        marks = pd.concat([outcome.marks for outcome in outcomes if len(outcome.marks)], ignore_index=True)
        photos = drawn_weeks(seed, load_limits(DEFAULT_LIMITS), marks)
        _keep_drawn(engine, photos, on_progress)
        draw = np.random.default_rng([seed, 1])
        _check_by_eye(engine, draw)
        _say_some_words(engine, outcomes)
        _make_tables(place_beside(url, "tables"))
    finally:
        engine.dispose()
    on_progress(1.0)
    return path


def _score_samples(engine: Engine, keep: Keep, jobs: int, on_progress: Callable[[float], None]) -> list[Outcome]:
    """Score the sample photos into the records and hand them to the store."""
    settings = Settings(zone=ZONE)
    model = load_model()
    batch = _open(engine, "sample photos", model.sha256, model.card)
    outcomes: list[Outcome] = []
    with tempfile.TemporaryDirectory() as work:
        arrived, out = Path(work) / "arrived", Path(work) / "out"
        arrived.mkdir()
        for photo in sorted(sample_folder().glob("*.jpg")):
            shutil.copyfile(photo, arrived / photo.name)  # the store takes what it is given
        number = len(list(arrived.iterdir()))

        def done(outcome: Outcome) -> None:
            outcomes.append(outcome)
            on_progress(_PART_OF_PHOTOS * len(outcomes) / number)

        manifest = read_manifest(sample_folder() / "manifest.csv")
        wanted = Wanted(masks=True)
        score = partial(_score, settings)
        plan = Plan(score, out=out, records=batch, wanted=wanted, manifest=manifest, jobs=jobs)
        score_paths([arrived], plan, on_done=done)
        for outcome in outcomes:
            masks = {Path(name).suffixes[0][1:]: data for name, data in outcome.files.items()}
            keep(arrived / outcome.name, str(outcome.photo["sha256"].iloc[0]), masks)
    return outcomes


def _score(settings: Settings, source: Source, photo: str, tag: Tag | None) -> TrayScore:
    return score_photo(source, name=photo, manifest_tag=tag, settings=settings)


def _keep_drawn(engine: Engine, photos: list[DrawnPhoto], on_progress: Callable[[float], None]) -> None:
    sha256 = hashlib.sha256(DRAWN.encode()).hexdigest()
    batch = _open(engine, DRAWN, sha256, DRAWN_CARD)
    for number, one in enumerate(photos, start=1):
        keep_score(batch, one.photo, one.fruit, one.marks)
        on_progress(_PART_OF_PHOTOS + (0.95 - _PART_OF_PHOTOS) * number / len(photos))
    close_import(batch, scored=len(photos), known=0, refused=0)


def _open(engine: Engine, source: str, model_sha256: str, card: Mapping[str, object]) -> OpenImport:
    software = version("mango-tray-scorer")
    return open_import(
        engine,
        source=source,
        model_sha256=model_sha256,
        model_card=card,
        software=software,
        limits=DEFAULT_LIMITS,
        zone=ZONE,
    )


def _check_by_eye(engine: Engine, draw: np.random.Generator) -> None:
    """An officer looks at fruit drawn by lot, and mostly sees them as scoring did."""
    fruit = countable(season_fruit(engine)).fruit
    drawn = draw_checks(fruit, CHECKS, seed=int(draw.integers(2**31))).fruit
    downgraded = (drawn["said"] == "downgraded") ^ (draw.random(len(drawn)) < _WRONG_WORD)
    checks = drawn[["photo", "fruit"]].assign(downgraded=downgraded, chance=drawn["check_chance"])
    keep_checks(engine, checks, who=OFFICER.name)


def _say_some_words(engine: Engine, outcomes: list[Outcome]) -> None:
    """Words on marks of the sample photos: on some that scoring could not name, and one that is taken back."""
    unsure = [
        (str(outcome.photo["sha256"].iloc[0]), int(row["fruit"]), int(row["mark"]))
        for outcome in outcomes
        for row in outcome.marks[outcome.marks["kind"] == UNSURE].to_dict("records")
    ]
    words = [
        say_kind(OFFICER, engine, mark, kind, why)
        for mark, kind, why in zip(
            unsure,
            ("abrasion", "sap_burn", NOT_A_MARK, "abrasion"),
            ("rubbed, the skin is dull", "runs from the stem end", "a speck of dirt", "seen by the lamp"),
            strict=False,
        )
    ]
    if words:
        take_back(OFFICER, engine, words[-1], "too faint to tell after all")


def _make_tables(folder: Path) -> None:
    """A price table with cartons, so that cost is shown, and a buyer's limits that were changed once."""
    prices = begin_own(ANALYST, folder, TableName(PRICES, "example"), "invented", "to show what damage costs")
    cartons = pd.DataFrame({"crew": list(CARTONS), "cartons": list(CARTONS.values())})
    why = "cartons of each crew, made up like all the rest"
    changed(ANALYST, folder, prices.which, {**prices.frames, "cartons": cartons}, why, basis=prices.version)
    buyer = begin_own(ANALYST, folder, TableName(LIMITS, "shed"), "invented_buyer")
    areas = buyer.frames["areas"].assign(area_cm2=[1.5, 6.0])
    why = "an invented buyer takes less"
    changed(ANALYST, folder, buyer.which, {**buyer.frames, "areas": areas}, why, basis=buyer.version)
