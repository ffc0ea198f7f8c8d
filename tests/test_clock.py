"""Hours from picking to photo, over changes of the clocks and past clocks that are wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.errors import ClockError
from scorer.hold_time.clock import LONGEST_H, camera_time, hold_time, moment_of, site_time, zone_of

PICKED = datetime(2026, 1, 12, 6, 30)
zones = st.sampled_from(["Australia/Darwin", "Europe/Madrid", "America/Lima", "Asia/Kolkata", "Australia/Adelaide"])


@pytest.mark.parametrize(
    ("hours", "hold"),
    [(0, "early"), (23.98, "early"), (24, "between"), (47.98, "between"), (48, "settled"), (LONGEST_H, "settled")],
)
def test_marks_are_settled_from_48_hours_on(hours: float, hold: str) -> None:
    """Sap and rub marks take one to two days to show: common practice, no source."""
    held = hold_time(PICKED, PICKED + timedelta(hours=hours))
    assert held.hold == hold
    assert held.hours == pytest.approx(hours, abs=0.01)
    assert held.trouble == ""


def test_times_not_told_are_unknown_and_no_trouble() -> None:
    for picked, taken in ((None, PICKED), (PICKED, None), (None, None)):
        held = hold_time(picked, taken)
        assert (held.hours, held.hold, held.trouble) == (None, "unknown", "")


def test_a_photo_before_its_picking_is_told_and_not_used() -> None:
    held = hold_time(PICKED, PICKED - timedelta(hours=2))
    assert (held.hours, held.hold) == (None, "unknown")
    assert held.trouble == (
        "the photo's time 2026-01-12 04:30 lies before picking at 2026-01-12 06:30: check the phone's clock and the tag"
    )
    assert hold_time(PICKED, PICKED - timedelta(minutes=5)).hours == 0, "two clocks never agree to the minute"


def test_a_phone_that_is_a_year_off_is_told_and_not_used() -> None:
    later = hold_time(PICKED, PICKED + timedelta(days=367))
    assert (later.hours, later.hold) == (None, "unknown")
    assert "367 days after picking: check the phone's date" in later.trouble
    assert "before picking" in hold_time(PICKED, PICKED - timedelta(days=363)).trouble


# Changes of the clocks: IANA time zone database. Madrid 2026-03-29 2:00 -> 3:00 and 2026-10-25 3:00 -> 2:00.
def test_a_night_on_which_clocks_change_counts_its_true_hours() -> None:
    madrid = ZoneInfo("Europe/Madrid")
    assert hold_time(datetime(2026, 3, 28, 12), datetime(2026, 3, 29, 12), madrid).hours == 23
    assert hold_time(datetime(2026, 10, 24, 12), datetime(2026, 10, 25, 12), madrid).hours == 25
    assert hold_time(datetime(2026, 3, 28, 12), datetime(2026, 3, 29, 12)).hours == 24


def test_an_hour_that_never_was_is_told() -> None:
    with pytest.raises(ClockError, match="2026-03-29 02:30 does not exist in Europe/Madrid"):
        moment_of(datetime(2026, 3, 29, 2, 30), ZoneInfo("Europe/Madrid"))
    held = hold_time(datetime(2026, 3, 29, 2, 30), datetime(2026, 3, 30, 12), ZoneInfo("Europe/Madrid"))
    assert (held.hours, held.hold) == (None, "unknown")
    assert "does not exist" in held.trouble


def test_an_hour_that_comes_twice_is_the_first_of_both() -> None:
    moment = moment_of(datetime(2026, 10, 25, 2, 30), ZoneInfo("Europe/Madrid"))
    assert moment == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


@given(st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)), zones)
def test_every_moment_comes_back_from_its_local_time_or_its_twin(moment: datetime, zone: str) -> None:
    there = zone_of(zone)
    local = site_time(moment.replace(tzinfo=UTC), there)
    back = moment_of(local, there)
    assert site_time(back, there) == local
    assert moment.replace(tzinfo=UTC) - back in (timedelta(0), timedelta(hours=1))


def test_a_phone_set_to_another_zone_is_read_by_the_sites_clock() -> None:
    """EXIF's OffsetTimeOriginal (CIPA DC-008): 09:00 in Lima (UTC-5) is 23:30 in Darwin (UTC+9:30)."""
    darwin, nine = zone_of("Australia/Darwin"), datetime(2026, 1, 14, 9, 0)
    assert camera_time(nine, timedelta(hours=-5), darwin) == datetime(2026, 1, 14, 23, 30)
    assert camera_time(nine, timedelta(hours=9, minutes=30), darwin) == nine
    assert camera_time(nine, None, darwin) == camera_time(nine, timedelta(hours=-5), None) == nine
    assert camera_time(None, timedelta(0), darwin) is None


def test_a_zone_that_is_none_is_one_sentence() -> None:
    for name in ("Moon/Sea", "../etc/passwd", ""):
        with pytest.raises(ClockError, match="There is no time zone"):
            zone_of(name)
