"""Hours from picking to photo, and whether damage had time to show by then.

Sap and rub marks take one to two days to show on the skin (common practice, no source). A phone's clock and a tag
written by hand can both be wrong; hours that cannot be true are not used, and the reason is said in words.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from scorer.errors import ClockError
from scorer.score_tables import BETWEEN, EARLY, SETTLED, UNKNOWN_HOLD

EARLY_UNTIL_H: Final = 24.0
SETTLED_FROM_H: Final = 48.0
LONGEST_H: Final = 21 * 24.0
"""Picked mangoes are ripe and gone within three weeks (common practice, no source): a longer time is a wrong clock."""
CLOCKS_DIFFER_BY: Final = timedelta(minutes=10)
"""By how much a photo may seem to come before picking, for two clocks never agree and tags are written in haste."""


@dataclass(frozen=True)
class HoldTime:
    """How long fruit were held before the photo.

    Parameters
    ----------
    hours : since picking; None where it is not known or cannot be true.
    hold : one of ``HOLDS``: early before 24 h, settled from 48 h on, between in the middle, else unknown.
    trouble : what is wrong with the clocks, in words; empty where nothing is.
    """

    hours: float | None
    hold: str
    trouble: str = ""


def zone_of(name: str) -> ZoneInfo:
    """Time zone by its name in the IANA database, such as ``Australia/Darwin``.

    Raises
    ------
    ClockError : there is no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ClockError(
            f"There is no time zone {name}; give its name in the IANA database, such as Australia/Darwin."
        ) from error


def moment_of(local: datetime, zone: ZoneInfo) -> datetime:
    """The moment, in UTC, of a local time; of a time that comes twice when clocks go back, the first.

    Raises
    ------
    ClockError : the time does not exist, for the clocks went forward over it.
    """
    if local.tzinfo is not None:
        raise ValueError(f"local time has no zone of its own, got {local.isoformat()}")
    moment = local.replace(tzinfo=zone).astimezone(UTC)
    if site_time(moment, zone) != local:
        raise ClockError(
            f"{local:%Y-%m-%d %H:%M} does not exist in {zone.key}, for the clocks went forward; correct the time."
        )
    return moment


def site_time(moment: datetime, zone: ZoneInfo) -> datetime:
    """Local time, without its zone, of a moment."""
    return moment.astimezone(zone).replace(tzinfo=None, fold=0)


def camera_time(local: datetime | None, ahead: timedelta | None, zone: ZoneInfo | None) -> datetime | None:
    """When a photo was taken, by the site's clock, also where the phone is set to another zone and says so.

    Parameters
    ----------
    local : by the phone's clock, without a zone; None where not told.
    ahead : of the phone's clock against UTC; None where not told, and then it is taken to be the site's.
    zone : the site's; None takes the phone's clock as it is.
    """
    if local is None or ahead is None or zone is None:
        return local
    return site_time((local - ahead).replace(tzinfo=UTC), zone)


def hold_time(picked_at: datetime | None, taken_at: datetime | None, zone: ZoneInfo | None = None) -> HoldTime:
    """Judge how long fruit were held.

    Parameters
    ----------
    picked_at, taken_at : local times without a zone, by the tag and by the camera; None where not told.
    zone : the site's, so that a night on which clocks change counts its true hours; None takes the clocks as they are.
    """
    if picked_at is None or taken_at is None:
        return HoldTime(None, UNKNOWN_HOLD)
    try:
        picked, taken = (moment_of(time, zone) if zone else time for time in (picked_at, taken_at))
    except ClockError as error:
        return HoldTime(None, UNKNOWN_HOLD, str(error))
    waited = taken - picked
    if waited < -CLOCKS_DIFFER_BY:
        return HoldTime(
            None,
            UNKNOWN_HOLD,
            f"the photo's time {taken_at:%Y-%m-%d %H:%M} lies before picking at {picked_at:%Y-%m-%d %H:%M}: "
            "check the phone's clock and the tag",
        )
    hours = max(waited.total_seconds() / 3600, 0.0)
    if hours > LONGEST_H:
        return HoldTime(
            None,
            UNKNOWN_HOLD,
            f"the photo's time lies {hours / 24:.0f} days after picking: check the phone's date and the tag",
        )
    if hours < EARLY_UNTIL_H:
        return HoldTime(hours, EARLY)
    return HoldTime(hours, SETTLED if hours >= SETTLED_FROM_H else BETWEEN)
