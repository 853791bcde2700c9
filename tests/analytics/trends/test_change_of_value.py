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
