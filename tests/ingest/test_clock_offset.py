"""A clock that is off against other points of the exchanger, on simulated trends whose shift is known."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from demo_data.simulator import Logger, random_scenario, simulate
from demo_data.simulator.scenario import TEMPERATURES
from ingest.clock_offset import clock_offset, offset_sentence, stays_on_one_offset

START = datetime(2025, 11, 3, tzinfo=UTC)
BMS = (*TEMPERATURES, "valve_position")
METER = ("primary_flow", "heat_power")


@cache
def logged(seed):
    scenario = random_scenario(np.random.default_rng(seed), fault=None)
    logger = Logger(roles=(*BMS, *METER), interval_minutes=15)
    scenario = replace(scenario, step_minutes=15, logger=logger)
    frame = simulate(scenario, START, START + timedelta(days=21)).logged
    return frame[list(BMS)], frame[list(METER)]


def moved(frame, hours):
    return frame.set_axis(frame.index + pd.Timedelta(hours=hours))


@pytest.mark.parametrize("seed", [1, 2, 4, 5])
def test_clocks_that_agree_are_not_doubted(seed):
    bms, meter = logged(seed)
    assert clock_offset(bms, meter) is None
    assert clock_offset(meter, bms) is None


@pytest.mark.parametrize("hours", [1, -1])
@pytest.mark.parametrize("seed", [1, 2, 5])
def test_an_hour_off_is_found_with_its_sign(seed, hours):
    bms, meter = logged(seed)
    late = moved(bms, hours)
    found = clock_offset(late, meter)
    assert found.late_s == pytest.approx(hours * 3600.0, abs=400.0)
    assert ("late" if hours > 0 else "early") in offset_sentence(found, late, meter)


@pytest.mark.parametrize("seed", [2, 4, 7])
def test_a_clock_that_jumps_is_dated(seed):
    """Set an hour on after two weeks; the windows are four days long."""
    bms, meter = logged(seed)
    after = bms.index >= START + timedelta(days=14)
    jumped = bms.set_axis(bms.index + pd.to_timedelta(np.where(after, 3600, 0), unit="s"))
    found = clock_offset(jumped, meter)
    assert found.late_s == pytest.approx(3600.0, abs=400.0)
    assert abs(found.since_utc - pd.Timestamp(START + timedelta(days=14))) <= pd.Timedelta(days=4)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_hourly_means_stamped_at_the_end_are_told(seed):
    bms, meter = logged(seed)
    hourly = meter.resample("1h").mean()
    at_end = moved(hourly, 1)
    assert "--stamp end" in offset_sentence(clock_offset(at_end, bms), at_end, bms)
    found = clock_offset(hourly, bms)
    assert found is None or offset_sentence(found, hourly, bms) is None


def test_a_few_days_or_points_that_stand_say_nothing():
    bms, meter = logged(2)
    assert clock_offset(moved(bms, 1).iloc[:200], meter) is None
    assert clock_offset(bms * 0.0, meter) is None
    assert clock_offset(bms[["primary_supply_temperature"]], meter) is None


BELGRADE = ZoneInfo("Europe/Belgrade")
CHANGES = ["2020-03-29", "2020-10-25", "2021-03-28", "2022-03-27", "2022-10-30", "2023-03-26", "2023-10-29"]  # fmt: skip


@cache
def weather(substation):
    """Outdoor temperature of a real plant, hourly; where from stands in the README beside the file."""
    path = Path(__file__).parents[1] / f"analytics/data/substation-{substation}-hourly.csv.gz"
    logged = pd.read_csv(path, parse_dates=["datetime"]).set_index("datetime")["t_amb"].sort_index()
    logged = logged[logged.between(-35.0, 45.0) & (logged != 0.0)]
    return as_read(logged)


def as_read(wall):
    utc = wall.index.tz_localize(BELGRADE, ambiguous="NaT", nonexistent="NaT").tz_convert("UTC")
    return wall.set_axis(utc)[utc.notna()]


def on_winter_time(outdoor):
    """What a logger on +01:00 all year shows, read as local time."""
    return as_read(outdoor.set_axis(outdoor.index.tz_convert("Etc/GMT-1").tz_localize(None)))


def sides(substation, change):
    at, month = pd.Timestamp(change, tz="UTC"), pd.Timedelta(days=35)
    outdoor = weather(substation)
    return outdoor[at - month : at], outdoor[at : at + month]


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("substation", [4, 17])
def test_the_weather_tells_a_clock_that_stays_on_winter_time(substation, change):
    before, after = sides(substation, change)
    assert stays_on_one_offset(after, before, BELGRADE) is None
    assert stays_on_one_offset(before, after, BELGRADE) is None
    fixed = on_winter_time(before), on_winter_time(after)
    text = stays_on_one_offset(fixed[1], fixed[0], BELGRADE)
    if text is None:  # autumn's weather may be too restless; then nothing is said
        assert "-10-" in change
        return
    assert '--time-zone +01:00, or logger_time_zone = "+01:00"' in text
    assert stays_on_one_offset(fixed[0], fixed[1], BELGRADE) == text


def test_too_few_days_or_no_change_between_say_nothing():
    before, after = sides(4, "2021-03-28")
    assert stays_on_one_offset(on_winter_time(after)[:300], before, BELGRADE) is None
    assert stays_on_one_offset(on_winter_time(after), before, ZoneInfo("UTC")) is None
    assert stays_on_one_offset(after[:0], before, BELGRADE) is None
    assert stays_on_one_offset(after * np.nan, before, BELGRADE) is None
