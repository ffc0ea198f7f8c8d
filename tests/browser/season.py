"""A season from photos that were handed in and scored for real, and the photos that are kept back to be handed in."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from PIL import Image

from app.background import scoring
from app.settings import AppSettings, settings_beside
from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import Delivery, begin_delivery
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.outcomes import PhotoOutcome, outcomes_of, progress_of
from scorer.arrivals.store import PhotoStore
from scorer.labels.take_in import take_in
from scorer.model_shelf.shelf import KeptModel, add_model, shelf_beside
from scorer.records.database import open_records, records_url
from tests.label_files import annotation, coco
from tests.other_models import change_card, write_other_model

SAMPLES: Final = Path(__file__).parents[2] / "sample_images"
IN_SEASON: Final = tuple(
    SAMPLES / f"{name}.jpg" for name in ("T014_a", "T021_a", "T026_a", "T029_a", "T038_a", "T046_a", "T048_a")
)
"""Each crew is in it, some with two bins; not more, for each takes seconds to score."""
KEPT_BACK: Final = (SAMPLES / "T017_a.jpg", SAMPLES / "T052_a.jpg")
"""Photos that are in no season yet, to be handed in by a test."""
LAST: Final = SAMPLES / "T055_a.jpg"
"""One more photo that is in no season yet, to be handed in once another model is in use."""
OFFICER: Final = Person("Wattle", frozenset({Role.OFFICER}))
ANALYST: Final = Person("Brush Box", frozenset({Role.ANALYST}))
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


def add_labels(folder: Path, photo: Path = IN_SEASON[0]) -> None:
    """Labels of two people on a photo of the season: they agree on three marks and differ on one."""
    settings = settings_of(folder)
    engine, store = open_records(settings.records_url), PhotoStore(settings.store_folder)
    with Image.open(photo) as picture:
        width, height = picture.size
    images = [{"id": 1, "file_name": photo.name, "width": width, "height": height}]
    categories = [{"id": 1, "name": "sap_burn"}, {"id": 2, "name": "cut"}]
    for who, kinds in (("Sedge", (1, 1, 2, 1)), ("Reed", (1, 1, 2, 2))):
        drawn = [
            annotation([[100 * n, 50, 100 * n + 60, 50, 100 * n + 60, 110]], id=n, category_id=kind)
            for n, kind in enumerate(kinds, start=1)
        ]
        info = {"contributor": who, "date_created": "2026-02-14T07:30:00Z"}
        document = coco(info=info, images=images, annotations=drawn, categories=categories)
        data = json.dumps(document).encode()
        take_in(ANALYST, engine, store.photo_path, f"{who}.json", data, zone=ZoneInfo(ZONE))
    engine.dispose()


def add_other_model(folder: Path) -> KeptModel:
    """A second model on the season's shelf, that sees a little less; its card has figures as fitting writes them."""
    figure = {"value": 0.9, "low": 0.8, "high": 0.95}
    held_out = {
        "per_kind": {"sap_burn": {"f1": figure, "precision": figure, "recall": figure, "n": 41}},
        "verdicts_right": figure,
        "brown_error_mm2": {"value": 21.5, "low": 18.0, "high": 25.0},
        "reliability": [{"said": 0.05, "true": 0.03, "n": 412}, {"said": 0.95, "true": 0.99, "n": 211}],
    }
    said = "No evidence: 30 labelled fruit on 3 trays are too few to tell two models apart; label fruit on 6 trays."
    fitted = write_other_model(folder / "north block", shift=0.5)
    change_card(fitted, figures_held_out=held_out, compared={"with": "", "verdict": "", "sentence": said})
    kept = add_model(ANALYST, shelf_beside(settings_of(folder).records_url), fitted)
    shutil.rmtree(fitted)
    return kept


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
