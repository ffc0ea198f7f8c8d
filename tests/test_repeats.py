"""What the records tell by trays photographed more than once; the figures themselves are held by test_browning and
test_sides."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import Engine

from scorer.hold_time.clock import hold_time
from scorer.limits import load_limits
from scorer.records.export import export_records
from scorer.records.keep import keep_score
from scorer.records.repeats import browning_shares, turned_trays
from scorer.score_tables import TrayScore
from tests.drawn_records import batch_into, tray_score
from tests.test_cli import run

PICKED = datetime(2026, 1, 12, 6, 0)


def photographed(tray: int, hours: float, brown_mm2: float, side: str = "a") -> TrayScore:
    """A tray's score at some hour: six fruit in two rows, each with one mark and an equal share of the brown area."""
    taken_at = PICKED + timedelta(hours=hours)
    held = hold_time(PICKED, taken_at)
    score = tray_score(f"T-{tray}_{hours:g}h_{side}.jpg", bin=f"T-{tray}", picked_at=PICKED, side=side)
    numbers = np.arange(6)
    fruit = score.fruit.assign(
        brown_area_mm2=brown_mm2 / 6,
        visible_area_mm2=12_000.0,
        length_mm=100.0 + 5 * numbers,
        width_mm=75.0 + 3 * numbers,
        x_mm=120.0 * (numbers % 3),
        y_mm=110.0 * (numbers // 3),
    )
    marks = score.marks.assign(area_mm2=brown_mm2 / 6, length_mm=8.0, width_mm=4.0, kind="abrasion")
    photo = score.photo.assign(taken_at=pd.Timestamp(taken_at), hours_since_picking=held.hours, hold=held.hold)
    return replace(score, photo=photo, fruit=fruit, marks=marks)


def keep(engine: Engine, *scores: TrayScore) -> None:
    batch = batch_into(engine)
    for score in scores:
        keep_score(batch, score.photo, score.fruit, score.marks)


def test_the_share_that_shows_at_24_hours_is_pooled_over_trays(records: Engine) -> None:
    for tray in range(14):
        keep(records, photographed(tray, 24, 60.0 + 6 * (tray % 3)), photographed(tray, 50, 120.0))
    shares = browning_shares(records).set_index("from_h")
    day = shares.loc[18.0]
    assert day["trays"] == 14
    early = sum(60 + 6 * (tray % 3) for tray in range(14))
    assert day["share"] == pytest.approx(early / (14 * 120))
    assert day["enough"]
    assert shares.loc[0.0, "missing_trays"] == 12


def test_fruit_turned_over_are_judged_from_both_sides(records: Engine, tmp_path: Path) -> None:
    a, b = photographed(1, 50, 300.0), photographed(1, 50.2, 900.0, "b")
    b = replace(b, fruit=b.fruit.iloc[:5])  # one was taken out in between
    b = replace(b, marks=b.marks[b.marks["fruit"] <= 5], photo=b.photo.assign(fruit=5))
    keep(records, photographed(1, 2, 60.0), photographed(1, 2.2, 60.0, "b"), a, b)
    limits = load_limits("shed")
    (tray,) = turned_trays(records, limits)
    assert (tray.photo_a, tray.photo_b, tray.bin) == ("T-1_50h_a.jpg", "T-1_50.2h_b.jpg", "T-1")
    assert tray.fruit["sides"].tolist() == ["both"] * 5 + ["a only"]
    assert tray.fruit["fruit_a"].tolist()[:5] == tray.fruit["fruit_b"].tolist()[:5]
    assert tray.fruit["brown_area_mm2"].tolist() == pytest.approx([200.0] * 5 + [50.0])
    export_records(records, tmp_path, limits)
    assert pd.read_csv(tmp_path / "both_sides.csv")["sides"].value_counts().to_dict() == {"both": 5, "a only": 1}


def test_early_photos_are_not_judged_from_both_sides(records: Engine) -> None:
    keep(records, photographed(1, 3, 60.0), photographed(1, 3.1, 60.0, "b"))
    assert list(turned_trays(records, load_limits("shed"))) == []


def test_empty_records_say_what_is_missing(records: Engine) -> None:
    assert browning_shares(records)["missing_trays"].tolist() == [12] * 4
    assert list(turned_trays(records, load_limits("shed"))) == []


def test_the_command_says_it_in_words(tmp_path: Path) -> None:
    from scorer.records.database import open_records, records_url

    engine = open_records(records_url(tmp_path / "season.sqlite"))
    keep(engine, photographed(1, 24, 60.0), photographed(1, 50, 120.0))
    engine.dispose()
    result = run("records", "browning", "--records", tmp_path / "season.sqlite")
    assert result.exit_code == 0, result.output
    assert len(result.output.splitlines()) == 4
    assert "From 18 to 30 h after picking: not known, for one tray says nothing of others" in result.output
    asked = run("records", "browning", "--records", tmp_path / "season.sqlite", "--fraction", "0.02", "--hours", "24")
    assert asked.exit_code == 0, asked.output
    assert "is not known well enough: about 11 trays more" in asked.output
    assert run("records", "browning", "--hours", "24").exit_code == 2
