"""A device's clock against ours. UTC_Offset is in minutes, positive to the west, as in ASHRAE 135
(from memory); the site's offsets are those of the tz database."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from ingest.bacnet.clock import DeviceClock, clock_findings

ZONE = ZoneInfo("CET")
WINTER = datetime(2025, 1, 15, 9, 0, tzinfo=UTC)
SUMMER = datetime(2025, 7, 15, 9, 0, tzinfo=UTC)


def findings(now, local_hour, second=0, offset=None, daylight=None):
    shown = datetime(now.year, now.month, now.day, local_hour) + timedelta(seconds=second)  # noqa: DTZ001
    clock = DeviceClock(local=shown, utc_offset_min=offset, daylight=daylight)
    return clock_findings(clock, now, ZONE)


@pytest.mark.parametrize(("second", "told"), [(0, 0), (119, 0), (-119, 0), (121, 1), (-121, 1)])
def test_two_minutes_are_let_pass(second, told):
    assert len(findings(WINTER, 10, second)) == told


def test_fast_and_slow_are_told_apart():
    assert "5.0 min fast" in findings(WINTER, 10, 300)[0]
    assert "5.0 min slow" in findings(WINTER, 10, -300)[0]


def test_the_site_zone_with_and_without_daylight_saving_is_no_finding():
    assert findings(WINTER, 10, offset=-60, daylight=False) == ()
    assert findings(SUMMER, 11, offset=-60, daylight=True) == ()


def test_a_clock_left_in_winter_is_an_hour_slow_and_in_another_offset():
    slow, offset = findings(SUMMER, 10, offset=-60, daylight=False)
    assert "60.0 min slow" in slow
    assert "+01:00 from UTC, the site's time is +02:00" in offset


def test_a_device_west_of_greenwich():
    assert "-05:30 from UTC" in findings(WINTER, 10, offset=330, daylight=False)[0]
