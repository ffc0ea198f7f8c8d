"""The health of a season: what waits, what lacks, what room there is, counted by hand on small records."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import Engine, text

from scorer.access.roles import Person, Role
from scorer.errors import AccessError
from scorer.health import FILES_LOOKED_AT, Health, audit_in_words, health_of
from scorer.hold_time.clock import hold_time
from scorer.records.checks import keep_checks
from scorer.records.keep import close_import, keep_score
from tests.drawn_records import MODEL, OTHER_MODEL, batch_into, fresh_records, tray_score

OFFICER = Person("Wattle", frozenset({Role.OFFICER}))
PICKED = datetime(2026, 1, 12, 6, 30)
NOW = datetime(2026, 1, 13, 0, 0, tzinfo=UTC)  # 9:30 in Darwin, which keeps UTC+9:30 all year (IANA database)


def keep(
    engine: Engine, name: str, *, after_h: float | None, verdict: str = "good", model: str = MODEL, **tag: Any
) -> None:
    """A photo of a tray, taken so long after picking."""
    score = tray_score(name, **({"picked_at": PICKED, "side": "a"} | tag))
    picked_at = tag.get("picked_at", PICKED)
    taken_at = picked_at + timedelta(hours=after_h) if after_h is not None and picked_at else None
    held = hold_time(picked_at, taken_at)
    photo = score.photo.assign(
        taken_at=pd.Series([taken_at], dtype="datetime64[s]"),
        hours_since_picking=held.hours if held.hours is not None else float("nan"),
        hold=held.hold,
        verdict=verdict,
        reasons="" if verdict == "good" else "too dark",
    )
    batch = batch_into(engine, model)
    keep_score(batch, photo, score.fruit, score.marks)
    close_import(batch, scored=1, known=0, refused=0)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "season.photos"


def look(engine: Engine, store: Path, now: datetime = NOW) -> Health:
    return health_of(OFFICER, engine, store, now=now)


def test_of_empty_records_nothing_is_told_but_the_room(records: Engine, store: Path) -> None:
    health = look(records, store)
    assert (health.photos, health.fruit, health.decisions) == (0, 0, 0)
    assert (health.last_photo, health.last_photo_at, health.last_score_at) == (None, None, None)
    assert (health.photo_bytes, health.photos_fit) == (None, None)
    assert health.waiting.empty
    assert health.retakes.empty
    assert health.crewless.empty
    assert len(health.sentences) == 2
    assert "GB are free on the disk" in health.sentences[0]


def test_an_early_photo_waits_until_its_fruit_have_been_held_48_hours(records: Engine, store: Path) -> None:
    keep(records, "early.jpg", after_h=5, bin="T-1")
    keep(records, "between.jpg", after_h=30, bin="T-2")
    waiting = look(records, store).waiting
    assert waiting["photo"].tolist() == ["between.jpg", "early.jpg"]
    assert waiting["crew"].tolist() == ["Curlew", "Curlew"]
    assert (waiting["settles_at"] == pd.Timestamp("2026-01-14 06:30")).all()
    assert waiting["taken_at"].tolist() == [pd.Timestamp("2026-01-13 12:30"), pd.Timestamp("2026-01-12 11:30")]
    assert not waiting["due"].any()
    ripe = datetime(2026, 1, 13, 21, 0, tzinfo=UTC)  # 6:30 in Darwin two days after picking
    assert look(records, store, ripe).waiting["due"].all()
    assert not look(records, store, ripe - timedelta(seconds=1)).waiting["due"].any()


def test_a_settled_photo_of_the_same_side_ends_the_waiting_and_no_other_does(records: Engine, store: Path) -> None:
    for number in range(1, 7):
        keep(records, f"early_{number}.jpg", after_h=5, bin=f"T-{number}", tray="1", block="east")
    keep(records, "settled.jpg", after_h=50, bin="T-1", tray="1", side="A")  # tagged without the block
    keep(records, "other_side.jpg", after_h=50, bin="T-2", tray="1", block="east", side="b")
    keep(records, "other_tray.jpg", after_h=50, bin="T-3", tray="2", block="east")
    keep(records, "too_dark.jpg", after_h=50, bin="T-4", tray="1", block="east", verdict="retake")
    keep(records, "other_crew.jpg", after_h=50, bin="T-5", tray="1", block="east", crew="Brolga")
    keep(records, "still_early.jpg", after_h=20, bin="T-6", tray="1", block="east")
    waiting = look(records, store).waiting.set_index("photo")["settled_since"]
    assert waiting.pop("early_1.jpg")
    assert not waiting.any()


def test_long_after_it_was_followed_an_early_photo_is_no_longer_shown(records: Engine, store: Path) -> None:
    keep(records, "followed.jpg", after_h=5, bin="T-1")
    keep(records, "settled.jpg", after_h=50, bin="T-1")
    keep(records, "forgotten.jpg", after_h=5, bin="T-2")
    assert len(look(records, store).waiting) == 2
    keep(records, "a_week_later.jpg", after_h=50, bin="T-3", picked_at=PICKED + timedelta(days=7))
    assert look(records, store).waiting["photo"].tolist() == ["forgotten.jpg"]


def test_a_retake_is_outstanding_until_a_later_photo_of_that_side_can_be_used(records: Engine, store: Path) -> None:
    keep(records, "before.jpg", after_h=49, bin="T-1")
    keep(records, "bad_after_good.jpg", after_h=50, bin="T-1", verdict="retake")
    keep(records, "bad_before_good.jpg", after_h=50, bin="T-2", verdict="retake")
    keep(records, "good.jpg", after_h=51, bin="T-2", verdict="usable")
    keep(records, "bad_twice_1.jpg", after_h=50, bin="T-3", verdict="retake")
    keep(records, "bad_twice_2.jpg", after_h=51, bin="T-3", verdict="refused")
    retakes = look(records, store).retakes
    assert retakes["photo"].tolist() == ["bad_twice_2.jpg", "bad_twice_1.jpg", "bad_after_good.jpg"]
    assert retakes["verdict"].tolist() == ["refused", "retake", "retake"]
    assert set(retakes["reasons"]) == {"too dark"}


def test_where_no_camera_told_the_time_the_photo_handed_in_later_is_the_later(records: Engine, store: Path) -> None:
    keep(records, "good.jpg", after_h=None, bin="T-1")
    keep(records, "bad.jpg", after_h=None, bin="T-1", verdict="retake")
    assert look(records, store).retakes["photo"].tolist() == ["bad.jpg"]
    keep(records, "better.jpg", after_h=None, bin="T-1")
    assert look(records, store).retakes.empty


def test_only_the_newest_score_of_a_photo_counts(records: Engine, store: Path) -> None:
    keep(records, "tray.jpg", after_h=50, verdict="retake")
    assert len(look(records, store).retakes) == 1
    keep(records, "tray.jpg", after_h=50, verdict="good", model=OTHER_MODEL)
    health = look(records, store)
    assert health.retakes.empty
    assert (health.photos, health.fruit) == (1, 12)


def test_bins_without_crew_and_photos_without_bin_are_told(records: Engine, store: Path) -> None:
    keep(records, "a.jpg", after_h=50, bin="T-1", crew=None, side="a")
    keep(records, "b.jpg", after_h=50, bin="T-1", crew=None, side="b")
    keep(records, "c.jpg", after_h=50, bin="T-2")
    keep(records, "d.jpg", after_h=None, bin=None, crew=None, picked_at=None, method=None)
    health = look(records, store)
    assert health.crewless.values.tolist() == [["T-1", pd.Timestamp(PICKED), 2]]
    assert health.binless == 1
    assert "1 bin has no crew, so their fruit count for nobody." in health.sentences
    assert "1 photo is of no known bin; say by a manifest what they show." in health.sentences


def test_the_newest_photo_and_the_counts_are_told(records: Engine, store: Path) -> None:
    start = datetime.now(UTC)
    keep(records, "later.jpg", after_h=52, bin="T-1")
    keep(records, "sooner.jpg", after_h=50, bin="T-2")
    keep_checks(
        records, pd.DataFrame({"photo": ["later.jpg"], "fruit": [1], "downgraded": [True], "chance": [0.5]}), who="W"
    )
    health = look(records, store)
    assert (health.last_photo, health.last_photo_at) == ("later.jpg", PICKED + timedelta(hours=52))
    assert health.last_score_at is not None
    assert start <= health.last_score_at <= datetime.now(UTC)
    assert (health.photos, health.fruit, health.decisions) == (2, 12, 1)
    assert "The records hold 2 photos, 12 fruit and 1 decision." in health.sentences


def test_sentences_ask_first_for_what_is_to_be_done(records: Engine, store: Path) -> None:
    keep(records, "due.jpg", after_h=5, bin="T-1")
    keep(records, "not_yet.jpg", after_h=5, bin="T-2", picked_at=PICKED + timedelta(days=2))
    keep(records, "bad.jpg", after_h=50, bin="T-3", verdict="retake")
    now = datetime(2026, 1, 14, 0, 0, tzinfo=UTC)
    assert look(records, store, now).sentences[:3] == (
        "1 tray has been held for 48 h and can be photographed again.",
        "1 early photo waits for the second day; the next is ready at 2026-01-16 06:30.",
        "1 photo is to be taken again.",
    )


def files(store: Path, sha256: str, *sizes: int) -> None:
    place = store / sha256[:2]
    place.mkdir(parents=True, exist_ok=True)
    for number, size in enumerate(sizes):
        (place / f"{sha256}.{number}.png").write_bytes(b"x" * size)


def test_a_photo_takes_up_the_room_of_all_its_files(records: Engine, store: Path) -> None:
    files(store, "aa" + "0" * 62, 700, 200, 100)
    files(store, "ab" + "0" * 62, 2000)
    health = look(records, store)
    assert health.photo_bytes == 1500
    assert replace(health, free_bytes=15_500).photos_fit == 10
    assert "which is about" in health.sentences[0]


def test_of_a_large_store_whole_folders_stand_for_all(records: Engine, store: Path) -> None:
    for number in range(FILES_LOOKED_AT // 2):
        files(store, f"aa{number:062d}", 1)
        files(store, f"ab{number:062d}", 3)
    files(store, "ac" + "0" * 62, 10**6)
    assert look(records, store).photo_bytes == 2


@pytest.mark.skipif(not hasattr(os, "statvfs"), reason="this system has no statvfs")
def test_the_room_is_that_of_the_disk(records: Engine, store: Path) -> None:
    """Against what the operating system itself tells (POSIX statvfs)."""
    told = os.statvfs(store.parent)
    assert look(records, store).free_bytes == pytest.approx(told.f_bavail * told.f_frsize, rel=0.05)


def test_the_audit_is_told_in_words(tmp_path: Path) -> None:
    engine = fresh_records("sqlite", tmp_path, lambda: "")
    keep(engine, "tray.jpg", after_h=50)
    assert audit_in_words(OFFICER, engine) == ()
    with engine.begin() as connection:
        connection.execute(text("DROP TRIGGER score_no_update"))
        connection.execute(text("UPDATE score SET fruit = 7"))
    told = audit_in_words(OFFICER, engine)
    assert any("tray.jpg was scored with 7 fruit, but 6 are recorded" in sentence for sentence in told)
    assert any("no longer protected from change" in sentence for sentence in told)
    engine.dispose()


def test_who_has_no_role_sees_nothing(records: Engine, store: Path) -> None:
    nobody = Person("Nobody", frozenset())
    for see in (lambda: health_of(nobody, records, store), lambda: audit_in_words(nobody, records)):
        with pytest.raises(AccessError, match="may not see the health of the records"):
            see()
