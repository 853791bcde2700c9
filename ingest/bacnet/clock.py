"""What a device's clock says, held against ours. Nothing is moved by it: a finding is told."""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

_OFF_MOST = timedelta(minutes=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceClock:
    """Local_Date and Local_Time, UTC_Offset, Daylight_Savings_Status (ASHRAE 135, Device object)."""

    local: datetime  # without a zone, as the device shows it
    utc_offset_min: int | None = None  # positive to the west of Greenwich
    daylight: bool | None = None


def clock_findings(
    clock: DeviceClock, now_utc: datetime, zone: tzinfo, whose: str = "the site's"
) -> tuple[str, ...]:
    """Return what is wrong with a device's clock, in sentences.

    Stamps of log records are the device's local time and are read as ``whose`` time, so it is the
    local time that counts; a device of another zone that shows it is told of all the same.
    """
    name = zone.key if isinstance(zone, ZoneInfo) else str(zone)
    ours = now_utc.astimezone(zone)
    found = []
    off = clock.local - ours.replace(tzinfo=None)
    if abs(off) > _OFF_MOST:
        way = "fast" if off > timedelta(0) else "slow"
        found.append(
            f"the device's clock is {abs(off) / timedelta(minutes=1):,.1f} min {way} against "
            f"{whose} time ({name}): stamps are taken as they are. Set the clock, or the zone in the "
            "register."
        )
    site = ours.utcoffset()
    if clock.utc_offset_min is not None and clock.daylight is not None and site is not None:
        theirs = timedelta(minutes=60 * clock.daylight - clock.utc_offset_min)
        if theirs != site:
            found.append(
                f"the device says it is {_signed(theirs)} from UTC, {whose} time is "
                f"{_signed(site)} ({name}). Set its UTC_Offset and Daylight_Savings_Status, or the "
                "zone in the register."
            )
    return tuple(found)


def _signed(offset: timedelta) -> str:
    minutes = round(offset / timedelta(minutes=1))
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
