"""Records thinned by change of value: silence within the increment is no gap, a gap is one.

The thinning rule is the simulator's own (``demo_data.shapes.changes``), which shares no code with the
analysis; BACnet calls the same thing COV reporting with a COV increment (ASHRAE 135, clause 13.1).
"""

import dataclasses
from datetime import UTC, datetime
from functools import cache

import numpy as np
import pandas as pd
import pytest

from analytics.trends.grid import LONGEST_HOLD_s, epoch_seconds, holding_times, to_grid
from analytics.trends.quality import sample_reasons
from demo_data.shapes import changes
from demo_data.simulator import random_scenario, simulate

NEVER = 10**9


@cache
def logged(seed):
    """Return two weeks without anything missing or stuck."""
    scenario = random_scenario(np.random.default_rng(seed))
    whole = dataclasses.replace(
        scenario.logger, gaps_per_year=0, stuck_per_year=0, spikes_per_year=0, sentinels_per_year=0
    )
    start, end = datetime(2025, 10, 1, tzinfo=UTC), datetime(2025, 10, 15, tzinfo=UTC)
    return simulate(dataclasses.replace(scenario, logger=whole), start, end).logged


def thinned(series, increment):
    series = series.dropna()
    return series[changes(series.to_numpy(), increment, NEVER)].to_frame()


@pytest.mark.parametrize("seed", [1, 2, 5])
@pytest.mark.parametrize("role", ["primary_supply_temperature", "secondary_return_temperature"])
def test_silence_is_covered_and_held_within_the_increment(seed, role):
    series = logged(seed)[role]
    full, thin = to_grid(series.to_frame(), 3600.0), to_grid(thinned(series, 0.5), 3600.0)
    a, b = full.mean(role), thin.mean(role)
    assert np.isfinite(b).mean() >= 0.9 * np.isfinite(a).mean()
    both = np.isfinite(a) & np.isfinite(b)
    # an hour of which only a part is covered may miss what came when the longest hold had run out
    assert np.quantile(np.abs(a - b)[both], 0.98) <= 0.5
    covered = both & (thin.columns[role].coverage > 0.99)
    assert np.abs(a - b)[covered].max() <= 0.5


def test_a_quiet_day_keeps_the_habit_of_the_days_before_and_not_of_those_after():
    rng = np.random.default_rng(3)
    busy = np.sort(rng.uniform(0, 86_400, 60))
    time_s = np.concatenate([[43_000.0], 86_400 + busy, 2 * 86_400 + np.array([3_000.0])])
    hold, on_change, _ = holding_times(time_s)
    assert on_change.tolist() == [False] + [True] * 61
    assert hold[-1] == LONGEST_HOLD_s
    earlier = holding_times(time_s[:-1])[0]
    assert np.array_equal(earlier, hold[:-1])


def test_a_point_that_changes_at_most_ticks_is_known_by_its_silences():
    """Every minute for a quarter of an hour, then silent for a while: as it settles after a change."""
    rng = np.random.default_rng(4)
    ticks = np.flatnonzero(np.arange(1440) % 20 < 15) * 60.0
    values = 60 + 0.5 * np.cumsum(rng.choice([-1, 1], ticks.size))
    assert holding_times(ticks, values)[1].all()


def test_gaps_in_a_regular_log_stay_gaps():
    """The same spacings, but what is logged drifts on while the logger is down, and repeats values."""
    time_s = np.flatnonzero(np.arange(1440) % 20 < 15) * 60.0
    values = np.round(60 + 10 * np.sin(time_s / 86_400 * 40), 1)
    hold, on_change, _ = holding_times(time_s, values)
    assert not on_change.any()
    assert hold.max() < 120.0


def test_a_stuck_thermometer_is_told_from_one_that_did_not_change():
    """A regular log repeats the stuck value while others move; a log on change says nothing."""
    frame = logged(1).iloc[: 3 * 24 * 60]
    role = "secondary_return_temperature"
    stuck = frame.copy()
    stuck.iloc[len(stuck) // 3 :, stuck.columns.get_loc(role)] = stuck[role].iloc[len(stuck) // 3]
    assert (sample_reasons(stuck)[role] > 0).mean() > 0.3
    silent = thinned(stuck[role], 0.5).reindex(stuck.index)
    quiet = stuck.drop(columns=role).join(silent)
    assert (sample_reasons(quiet)[role] > 0).sum() == 0
    # and after the longest hold nothing is claimed of it any more
    grid = to_grid(quiet, 3600.0)
    last = pd.Timestamp(epoch_seconds(silent.dropna().index)[-1], unit="s", tz="UTC")
    after = grid.start > last + pd.Timedelta(seconds=LONGEST_HOLD_s)
    assert np.isnan(grid.mean(role)[after]).all()


# --- declared in the register ------------------------------------------------------------------------


def test_what_the_register_says_goes_before_the_habit():
    """A day that looks regular, but the register knows that the point is logged on change."""
    time_s = np.array([0.0, 900.0, 1800.0, 2700.0, 3600.0, 4500.0, 20_000.0])
    values = np.array([60.0, 61.0, 62.0, 61.0, 60.0, 61.0, 62.0])
    assert not holding_times(time_s, values)[1].any()
    hold, on_change, spacing = holding_times(time_s, values, declared=True)
    assert on_change.all()
    assert (hold == LONGEST_HOLD_s).all()
    assert (spacing == 900.0).all()
    index = pd.to_datetime(time_s, unit="s", utc=True)
    frame = pd.DataFrame({"primary_flow": values}, index=index)
    found, told = (to_grid(frame, 3600.0, None, roles) for roles in ((), ("primary_flow",)))
    assert found.columns["primary_flow"].coverage[3] == 0.0
    assert told.columns["primary_flow"].coverage[:5] == pytest.approx(1.0)


def test_the_increment_of_the_register_is_the_doubt_of_a_mean():
    from analytics.physics.fluids import fluid_properties
    from analytics.trends.hours import hour_table
    from analytics.vocabulary.records import Exchanger, Fluid

    role = "primary_supply_temperature"
    frame = thinned(logged(1)[role], 0.5)
    water, reasons = fluid_properties(Fluid()), sample_reasons(frame)
    found, told = (
        hour_table(Exchanger(tag="A", change_increments=said), frame, reasons, water)
        for said in ({}, {role: 0.3})
    )
    known = told.temperature_variance[:, 0] > 0
    assert known.mean() > 0.9
    assert told.temperature_variance[known, 0] == pytest.approx(0.3**2 / 12)
    assert not np.allclose(found.temperature_variance[known, 0], 0.3**2 / 12)


def test_stuck_is_told_from_constant_in_a_declared_log():
    """A stuck value that a regular log repeats is refused; hourly signs of life of a controlled
    temperature, within its increment, are not, unless the others moved by several increments."""
    role = "secondary_return_temperature"
    frame = logged(1).iloc[: 3 * 24 * 60]
    stuck = frame.copy()
    stuck.iloc[len(stuck) // 3 :, stuck.columns.get_loc(role)] = stuck[role].iloc[len(stuck) // 3]
    assert (sample_reasons(stuck, None, {role: 0.2})[role] > 0).mean() > 0.3
    silent = thinned(stuck[role], 0.5).reindex(stuck.index)
    quiet = stuck.drop(columns=role).join(silent)
    assert (sample_reasons(quiet, None, {role: 0.5})[role] > 0).sum() == 0
    last = pd.Timestamp(epoch_seconds(silent.dropna().index)[-1], unit="s", tz="UTC")
    grid = to_grid(quiet, 3600.0, None, (role,))
    assert np.isnan(grid.mean(role)[grid.start > last + pd.Timedelta(hours=6)]).all()

    hours = pd.date_range("2025-10-01", periods=24, freq="1h", tz="UTC")
    swing = np.sin(np.arange(24) / 24 * 2 * np.pi)
    alive = pd.DataFrame(
        {
            "primary_supply_temperature": 80 + 1.6 * swing, "primary_return_temperature": 45 + 1.6 * swing,
            "secondary_supply_temperature": 60.0, "secondary_return_temperature": 40 + 1.6 * swing,
        },
        index=hours,
    )  # fmt: skip
    constant = "secondary_supply_temperature"
    assert (sample_reasons(alive)[constant] > 0).any()
    assert not (sample_reasons(alive, None, {constant: 1.0})[constant] > 0).any()
    far = alive.assign(
        primary_supply_temperature=80 + 9 * swing, primary_return_temperature=45 + 9 * swing
    )
    assert (sample_reasons(far, None, {constant: 1.0})[constant] > 0).any()
