"""A clock that is off against other points of the exchanger, on simulated trends whose shift is known."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pandas as pd
import pytest

from demo_data.simulator import Logger, random_scenario, simulate
from demo_data.simulator.scenario import TEMPERATURES
from ingest.clock_offset import clock_offset, offset_sentence

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
