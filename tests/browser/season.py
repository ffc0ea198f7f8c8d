"""A season from photos that were handed in and scored for real, and the photos that are kept back to be handed in."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from app.background import scoring
from app.settings import AppSettings, settings_beside
from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import Delivery, begin_delivery
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.outcomes import PhotoOutcome, outcomes_of, progress_of
from scorer.records.database import records_url

SAMPLES: Final = Path(__file__).parents[2] / "sample_images"
IN_SEASON: Final = tuple(
    SAMPLES / f"{name}.jpg" for name in ("T014_a", "T021_a", "T026_a", "T029_a", "T038_a", "T046_a", "T048_a")
)
"""Each crew is in it, some with two bins; not more, for each takes seconds to score."""
KEPT_BACK: Final = (SAMPLES / "T017_a.jpg", SAMPLES / "T052_a.jpg")
"""Photos that are in no season yet, to be handed in by a test."""
OFFICER: Final = Person("Wattle", frozenset({Role.OFFICER}))
ZONE: Final = "Australia/Darwin"
RECORDS: Final = "season.sqlite"
_PATIENCE_S: Final = 300


def settings_of(folder: Path) -> AppSettings:
    """Settings for the season in a folder."""
    return settings_beside(records_url(folder / RECORDS), site="shed", zone=ZONE)


def make_season(folder: Path, photos: Sequence[Path] = IN_SEASON) -> None:
    """Hand in photos, and wait until they are scored."""
    settings = settings_of(folder)
    delivery = begin_delivery(OFFICER, settings.inbox_folder)
    for path in photos:
        hand_in(delivery, path.name, path.read_bytes())
    with scoring(settings):
        outcomes = scored(delivery)
    assert {one.verdict for one in outcomes} <= {"good", "usable", "retake"}, outcomes


def hand_in(delivery: Delivery, name: str, data: bytes) -> None:
    """Hand in one photo, as the server does with what a page sends."""
    with Receiving(delivery, name) as receiving:
        receiving.add(data)
        receiving.finish()


def scored(delivery: Delivery) -> tuple[PhotoOutcome, ...]:
    """What became of the photos of a delivery, once all are dealt with."""
    give_up = time.monotonic() + _PATIENCE_S
    while progress_of(outcomes_of(delivery)).left:
        assert time.monotonic() < give_up, "the photos were not scored"
        time.sleep(0.05)
    return outcomes_of(delivery)
