"""A whole season of drawn rows, written straight into the records, for looking at speed; the names are made up."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Engine, insert

from scorer.marks.measure import MEASURES
from scorer.records.tables import Base, Bin, Block, Crew, FittedModel, Fruit, Import, Mark, Photo, Score, Site, Tray
from scorer.score_tables import KINDS, MARK_COLUMNS, SETTLED, UNSURE
from scorer.verdict import OVER, WITHIN

CREWS: Final = (
    "Bowerbird", "Paperbark", "Curlew", "Brolga", "Quandong", "Banksia", "Dotterel", "Wattle", "Jabiru", "Pandanus",
    "Finch", "Lilly",
)  # fmt: skip
BLOCKS: Final = tuple(f"block {letter}" for letter in "ABCDEFGH")
METHODS: Final = ("hand_snap", "clippers", "picking_aid")
CULTIVARS: Final = ("Amber", "Russet")
FRUIT_OF_A_PHOTO: Final = 10
PHOTOS_OF_A_BIN: Final = 2
DAYS: Final = 60
SHARE_DOWNGRADED: Final = 0.10
LIKENESS: Final = 0.05
"""How alike fruit of one bin are (intraclass correlation)."""
FIRST_DAY: Final = datetime(2025, 10, 6, 21, 0, tzinfo=UTC)  # 6:30 in Darwin
_ROWS_AT_ONCE: Final = 20_000
_MEASURES: Final = tuple(name for name in MEASURES if name not in MARK_COLUMNS)

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def fill_large_season(engine: Engine, *, fruit: int = 200_000, seed: int = 1) -> None:
    """Write a season into empty records.

    Parameters
    ----------
    engine : records without a row.
    fruit : in all, ten a photo and two photos (trays) a bin; rounded down to whole bins.
    seed : draws the same season again.
    """
    draw = np.random.default_rng(seed)
    bins = fruit // (FRUIT_OF_A_PHOTO * PHOTOS_OF_A_BIN)
    with engine.begin() as connection:
        _insert_places(connection, draw, bins)
        _insert_photos(connection, bins)
        downgraded = _downgraded(draw, bins)
        marks = np.where(downgraded, draw.integers(1, 4, downgraded.size), draw.random(downgraded.size) < 0.3)
        _insert_fruit(connection, draw, downgraded, marks)
        _insert_marks(connection, draw, np.repeat(np.arange(marks.size), marks))


def _insert_places(connection: Connection, draw: np.random.Generator, bins: int) -> None:
    _insert(connection, Site, [{"name": "shed", "zone": "Australia/Darwin"}])
    for table, names in ((Crew, CREWS), (Block, BLOCKS)):
        _insert(connection, table, [{"site_id": 1, "name": name} for name in names])
    card = {"measures": list(MEASURES)}
    _insert(connection, FittedModel, [{"sha256": "a" * 64, "card": card, "first_used_at": FIRST_DAY}])
    batch = {"source": "photos", "software": "0.1.0", "model_id": 1, "scored": bins * PHOTOS_OF_A_BIN}
    batch |= {"started_at": FIRST_DAY, "finished_at": FIRST_DAY + timedelta(days=DAYS), "known": 0, "refused": 0}
    _insert(connection, Import, [batch])
    about = [
        {
            "site_id": 1,
            "lot": f"lot {number}",
            "name": f"T-{number}",
            "crew_id": int(draw.integers(len(CREWS))) + 1,
            "block_id": int(draw.integers(len(BLOCKS))) + 1,
            "cultivar": CULTIVARS[draw.integers(len(CULTIVARS))],
            "method": METHODS[draw.integers(len(METHODS))],
            "picked_at": FIRST_DAY + timedelta(days=number % DAYS, minutes=int(draw.integers(600))),
        }
        for number in range(bins)
    ]
    _insert(connection, Bin, about)
    trays = [{"bin_id": number + 1, "name": str(tray + 1)} for number in range(bins) for tray in range(PHOTOS_OF_A_BIN)]
    _insert(connection, Tray, trays)


def _insert_photos(connection: Connection, bins: int) -> None:
    photos, scores = [], []
    for number in range(bins * PHOTOS_OF_A_BIN):
        taken_at = FIRST_DAY + timedelta(days=number // PHOTOS_OF_A_BIN % DAYS + 2.5, seconds=number)
        name = f"season/photo_{number:06}.jpg"
        photo = {"sha256": hashlib.sha256(name.encode()).hexdigest(), "name": name, "site_id": 1, "side": "a"}
        photos.append(photo | {"tray_id": number + 1, "taken_at": taken_at, "hold": SETTLED})
        score = {"photo_id": number + 1, "model_id": 1, "import_id": 1, "software": "0.1.0", "limits": "shed"}
        score |= {"scored_at": taken_at + timedelta(hours=1), "card_found": True, "mm_per_px": 0.2, "seconds": 2.0}
        scores.append(score | {"verdict": "good", "fruit": FRUIT_OF_A_PHOTO})
    _insert(connection, Photo, photos)
    _insert(connection, Score, scores)


def _downgraded(draw: np.random.Generator, bins: int) -> Flags:
    """Whether each fruit is; shares of bins spread as a beta law, so that fruit of one bin are alike."""
    spread = 1 / LIKENESS - 1
    share = draw.beta(SHARE_DOWNGRADED * spread, (1 - SHARE_DOWNGRADED) * spread, bins)
    of_bin = FRUIT_OF_A_PHOTO * PHOTOS_OF_A_BIN
    return np.asarray(draw.random(bins * of_bin) < np.repeat(share, of_bin))


def _insert_fruit(connection: Connection, draw: np.random.Generator, downgraded: Flags, marks: Ints) -> None:
    brown = draw.uniform(0.001, 0.01, downgraded.size) * marks + 0.05 * downgraded
    rows = [
        {
            "score_id": number // FRUIT_OF_A_PHOTO + 1,
            "number": number % FRUIT_OF_A_PHOTO + 1,
            "length_mm": 110.0,
            "width_mm": 80.0,
            "visible_area_mm2": 12_000.0,
            "brown_fraction": fraction,
            "marks": count,
            "downgraded": over,
            "class_name": "second" if over else "first",
            "verdict": OVER if over else WITHIN,
            "reason": "sap burn and abrasion 4.1 cm2, over the 2 cm2 of first class. Table: shed table",
        }
        for number, (fraction, count, over) in enumerate(
            zip(brown.tolist(), marks.tolist(), downgraded.tolist(), strict=True)
        )
    ]
    _insert(connection, Fruit, rows)


def _insert_marks(connection: Connection, draw: np.random.Generator, owner: Ints) -> None:
    first = np.r_[True, owner[1:] != owner[:-1]] if owner.size else np.zeros(0, bool)
    place = np.arange(owner.size)
    number = place - np.maximum.accumulate(np.where(first, place, 0)) + 1
    kinds = draw.choice([*KINDS, UNSURE], owner.size, p=[0.35, 0.3, 0.1, 0.05, 0.1, 0.1])
    sure, area = draw.uniform(0.3, 1.0, owner.size), draw.uniform(5.0, 120.0, owner.size)
    some = [dict(zip(_MEASURES, row, strict=True)) for row in draw.random((50, len(_MEASURES))).tolist()]
    rows = [
        {"fruit_id": of + 1, "number": n, "kind": kind, "probability": p, "area_mm2": size, "measures": some[n % 50]}
        | {"length_mm": 2.0, "width_mm": 1.0, "because": "darkness, elongation"}
        for of, n, kind, p, size in zip(
            owner.tolist(), number.tolist(), kinds.tolist(), sure.tolist(), area.tolist(), strict=True
        )
    ]
    _insert(connection, Mark, rows)


def _insert(connection: Connection, table: type[Base], rows: list[dict[str, Any]]) -> None:
    for start in range(0, len(rows), _ROWS_AT_ONCE):
        connection.execute(insert(table), rows[start : start + _ROWS_AT_ONCE])
