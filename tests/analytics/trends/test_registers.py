"""Registers of energy and volume: differences to mean rates, and what breaks the chain."""

import numpy as np
import pandas as pd
import pytest

from analytics.trends.registers import register_rate, resolution, typical_step

EDGES = np.arange(0.0, 24 * 3600.0 + 1, 3600.0)
MWH = 3.6e9


def _register(values, step_s=3600.0):
    index = pd.to_datetime(np.arange(len(values)) * step_s, unit="s", utc=True)
    return pd.Series(np.asarray(values, dtype=float), index=index)


def _rate(values, step_s=3600.0):
    return register_rate(_register(values, step_s), EDGES, largest_rate=2e7)


def test_differences_are_mean_power():
    """0.25 MWh in an hour is 250 kW."""
    values = 1000 * MWH + np.r_[0.0, np.cumsum(np.tile([0.25, 0.10], 12))] * MWH
    np.testing.assert_allclose(_rate(values).rate, np.tile([250e3, 100e3], 12), rtol=1e-9)


def test_readings_between_the_edges_are_shared_out_in_time():
    """Readings every 90 minutes, 0.3 MWh apart: 200 kW in every hour they cover."""
    got = _rate(500 * MWH + np.arange(17) * 0.3 * MWH, 5400.0)
    np.testing.assert_allclose(got.rate, 200e3, rtol=1e-9)


def test_a_reset_leaves_a_gap_and_nothing_else():
    values = 900 * MWH + np.arange(25) * 0.2 * MWH
    values[12:] -= values[12] - 0.01 * MWH
    rate = _rate(values).rate
    assert np.isnan(rate[11])
    np.testing.assert_allclose(np.delete(rate, 11), 200e3, rtol=1e-9)


def test_a_roll_over_leaves_a_gap():
    values = (99_999.9 * MWH + np.arange(25) * 0.2 * MWH) % (100_000 * MWH)
    rate = _rate(values).rate
    assert np.isnan(rate).sum() == 1
    np.testing.assert_allclose(rate[np.isfinite(rate)], 200e3, rtol=1e-6)


def test_a_jump_of_a_replaced_meter_is_refused():
    values = 100 * MWH + np.arange(25) * 0.2 * MWH
    values[8:] += 50 * MWH  # 50 GW for an hour
    rate = _rate(values).rate
    assert np.isnan(rate[7])
    assert np.nanmax(rate) == pytest.approx(200e3)


def test_readings_that_are_missing_leave_a_gap_when_far_apart():
    values = 100 * MWH + np.arange(25) * 0.2 * MWH
    values[5:10] = np.nan
    rate = _rate(values).rate
    assert np.isnan(rate[4:10]).all()
    assert np.isfinite(np.delete(rate, range(4, 10))).all()
    short = 100 * MWH + np.arange(25) * 0.2 * MWH
    short[5] = np.nan
    np.testing.assert_allclose(_rate(short).rate, 200e3, rtol=1e-9)


def test_a_coarse_register_says_how_coarse_it_is():
    """Rounded down to 0.01 MWh: the difference of two errors, each uniform, is step over root six."""
    rng = np.random.default_rng(5)
    power_W = rng.uniform(40e3, 60e3, 2400)
    true = np.r_[0.0, np.cumsum(power_W * 3600.0)]
    step = 0.01 * MWH
    edges = np.arange(0.0, 2401 * 3600.0, 3600.0)
    got = register_rate(_register(np.floor(true / step) * step), edges, largest_rate=2e7)
    assert got.deviation[0] == pytest.approx(step / np.sqrt(6) / 3600.0, rel=1e-6)
    assert np.std(got.rate - power_W) == pytest.approx(got.deviation[0], rel=0.05)


def test_too_few_readings_tell_nothing():
    for values in ([], [5.0], [np.nan, 5.0, np.nan]):
        assert np.isnan(_rate(values).rate).all()


def test_resolution_comes_from_the_first_moves_alone():
    values = np.cumsum(np.full(2000, 0.1))
    later = np.r_[values, values[-1] + np.cumsum(np.full(500, 1e-4))]
    assert typical_step(values, 0.02) == pytest.approx(0.1)
    assert typical_step(later, 0.02) == typical_step(values, 0.02)
    assert typical_step(np.full(9, 3.0), 0.02) == 0.0


def test_a_fine_register_of_large_moves_is_not_coarse():
    """Moves of 4 to 6 steps differ by whole steps; one without any step has none to speak of."""
    rng = np.random.default_rng(6)
    steps = np.cumsum(rng.integers(4, 7, 400)) * 0.01 * MWH
    assert resolution(1000 * MWH + steps) == pytest.approx(0.01 * MWH, rel=1e-6)
    assert resolution(np.cumsum(rng.uniform(4, 7, 400))) < 1e-3
    assert resolution(np.full(9, 3.0)) == 0.0
    assert resolution(np.array([1.0, 3.0, 5.0])) == pytest.approx(2.0)
