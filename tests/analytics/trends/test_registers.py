"""Registers of energy and volume: means, sums, and what breaks the chain."""

import numpy as np
import pandas as pd
import pytest

from analytics.trends.registers import (
    ENERGY_COUNTED_IN_J,
    VOLUME_COUNTED_IN_m3,
    day_sums,
    read_chain,
    register_rate,
    resolution,
    typical_step,
)

HOUR, DAY = 3600.0, 86400.0
EDGES = np.arange(0.0, DAY + 1, HOUR)
MWH = 3.6e9


def _register(values, step_s=HOUR, first_s=0.0):
    index = pd.to_datetime(first_s + np.arange(len(values)) * step_s, unit="s", utc=True)
    return pd.Series(np.asarray(values, dtype=float), index=index)


def _chain(values, step_s=HOUR, largest=2e7, **how):
    how = {"counted_in": ENERGY_COUNTED_IN_J, **how}
    return read_chain(_register(values, step_s), largest_rate=largest, **how)


def _even(n, rise=0.2):
    """A register that rises by ``rise``, give or take a four-hundredth: else that were its step."""
    return np.r_[0.0, np.cumsum(rise * (1.0 + np.tile([0.0025, -0.0025], n)))][:n]


def _rate(values, step_s=HOUR, edges=EDGES, **how):
    return register_rate(_chain(values, step_s, **how), edges)


def test_differences_are_mean_power():
    """0.25 MWh in an hour is 250 kW; the day's last hour closes with a reading of the next day."""
    values = (1000 + np.r_[0.0, np.cumsum(np.tile([0.25, 0.10, 0.251], 8))]) * MWH
    rate = _rate(values).rate
    np.testing.assert_allclose(rate[:23], np.tile([250e3, 100e3, 251e3], 8)[:23], rtol=1e-9)
    assert np.isnan(rate[23])


def test_readings_between_the_edges_are_shared_out_in_time():
    """Readings every 90 minutes, 0.3 MWh apart: 200 kW in every hour they cover."""
    got = _rate(500 * MWH + _even(17, 0.3) * MWH, 5400.0)
    np.testing.assert_allclose(got.rate[:22], 200e3, rtol=3e-3)


def test_readings_a_quarter_of_an_hour_apart_tell_of_the_last_hour_too():
    got = _rate(500 * MWH + _even(97, 0.05) * MWH, 900.0)
    np.testing.assert_allclose(got.rate, 200e3, rtol=3e-3)


def test_an_hourly_register_says_nothing_of_quarters_of_an_hour():
    quarters = np.arange(0.0, DAY + 1, 900.0)
    assert np.isnan(_rate(500 * MWH + _even(25) * MWH, edges=quarters).rate).all()


def test_a_reset_leaves_a_gap_and_nothing_else():
    values = 900 * MWH + _even(25) * MWH
    values[12:] -= values[12] - 0.01 * MWH
    rate = _rate(values).rate
    assert np.isnan(rate[11])
    np.testing.assert_allclose(np.delete(rate, [11, 23]), 200e3, rtol=3e-3)


@pytest.mark.parametrize("digits", [3, 4, 5, 6, 7, 8])
@pytest.mark.parametrize(
    ("unit", "counted_in"), [(3.6e6, ENERGY_COUNTED_IN_J), (1e9, ENERGY_COUNTED_IN_J), (1.0, VOLUME_COUNTED_IN_m3)]
)  # fmt: skip
def test_a_roll_over_at_any_number_of_digits_loses_nothing(digits, unit, counted_in):
    """99999 to 0, in kWh (and MWh), GJ, m3: the course goes on."""
    top = unit * 10.0**digits
    step = top / 5000.0
    values = (top - 30.3 * step + _even(49, step)) % top
    rate = _rate(
        values, counted_in=counted_in, edges=np.arange(0.0, 2 * DAY + 1, HOUR), largest=np.inf
    ).rate
    known = np.isfinite(rate)
    assert known.sum() == 46
    np.testing.assert_allclose(rate[known], step / HOUR, rtol=3e-3)


def test_a_meter_that_begins_anew_near_no_power_of_ten_did_not_roll_over():
    values = np.r_[912.0 + _even(30), 0.1 + _even(19)] * MWH
    rate = _rate(values, edges=np.arange(0.0, 2 * DAY + 1, HOUR)).rate
    assert np.isnan(rate[29])
    assert np.nanmax(rate) == pytest.approx(200e3, rel=3e-3)


def test_a_jump_of_a_replaced_meter_is_refused():
    values = 100 * MWH + _even(25) * MWH
    values[8:] += 50 * MWH  # 50 GW for an hour
    rate = _rate(values).rate
    assert np.isnan(rate[7])
    assert np.nanmax(rate) == pytest.approx(200e3, rel=3e-3)


def test_a_jump_that_only_this_exchanger_cannot_make_is_refused_too():
    """5 MW for an hour could be; not where the day before has shown 200 kW."""
    values = 100 * MWH + _even(49) * MWH
    values[30:] += 5 * MWH
    rate = _rate(values, edges=np.arange(0.0, 2 * DAY + 1, HOUR)).rate
    assert np.isnan(rate[29])
    assert np.nanmax(rate) == pytest.approx(200e3, rel=3e-3)


def test_a_summer_of_trickling_is_no_measure_of_the_winter():
    """All but the first day of heat is known; that one is 50 times what the register has shown."""
    trickle, heat = (
        0.004 * (1 + 0.1 * np.sin(np.arange(240))),
        0.2 * (1 + 0.1 * np.sin(np.arange(241))),
    )
    values = (100 + np.cumsum(np.r_[trickle, heat])) * MWH
    rate = _rate(values, edges=np.arange(0.0, 20 * DAY + 1, HOUR)).rate
    assert np.isnan(rate[240:264]).all()
    assert np.isfinite(rate[264:479]).sum() == 215 - 8  # the last of each day


def test_a_logged_replacement_breaks_the_chain_and_is_learnt_anew():
    """From steps of 1 kWh to a new meter that begins at 0.3 MWh and counts by 10 kWh."""
    old = 100 * MWH + np.arange(30) * 0.107 * MWH
    new = old[-1] + np.r_[0.1, 0.1 + np.cumsum(np.tile([0.10, 0.11], 9))] * MWH
    values, edges = np.r_[old, new], np.arange(0.0, 2 * DAY + 1, HOUR)
    silent = _rate(values, edges=edges)
    told = _rate(values, edges=edges, replaced_s=[29.5 * HOUR])
    assert np.isfinite(silent.rate[29])
    assert np.isnan(told.rate[29])
    assert told.deviation[40] == pytest.approx(0.01 * MWH / np.sqrt(6) / HOUR, rel=1e-6)


def test_a_missing_reading_leaves_its_hours_unknown_and_the_sum_known():
    """The sum over the gap is known, its course is not: no power is made up inside."""
    power = 200e3 * (1 + 0.4 * np.sin(np.arange(72)))
    true = 100 * MWH + np.r_[0.0, np.cumsum(power) * HOUR]
    for missing in (slice(29, 30), slice(29, 40)):
        values = true.copy()
        values[missing] = np.nan
        chain = _chain(values)
        rate = register_rate(chain, np.arange(0.0, 3 * DAY + 1, HOUR)).rate
        assert np.isnan(rate[28 : missing.stop]).all()
        assert np.isfinite(np.delete(rate[24:47], range(4, missing.stop - 24))).all()
        # from the last reading of the first day to that of the second
        assert day_sums(chain)[1] == pytest.approx(true[47] - true[23], rel=1e-12)


def test_days_without_a_reading_have_no_sum_and_lend_none_to_their_neighbours():
    values = 100 * MWH + _even(24 * 6) * MWH
    values[40:100] = np.nan
    assert day_sums(_chain(values)).index.tolist() == [1, 5]
    values = 100 * MWH + _even(24 * 4) * MWH
    values[50:] -= 80 * MWH
    assert day_sums(_chain(values)).dropna().index.tolist() == [1, 3]


def test_repeated_stamps_and_disorder_of_none():
    register = _register(100 * MWH + _even(25) * MWH)
    doubled = pd.concat([register, register.iloc[[5, 9]] + [0.0, 0.0]]).sort_index(kind="stable")
    got = register_rate(read_chain(doubled, largest_rate=2e7), EDGES)
    np.testing.assert_allclose(got.rate[:23], 200e3, rtol=3e-3)


def test_a_register_that_froze_and_caught_up_tells_its_sum_and_not_its_course():
    """Three hours of the same reading, then four hours' heat at once: less than a jump, no power."""
    true = (100 + np.r_[0.0, np.cumsum(0.2 * (1 + 0.1 * np.sin(np.arange(72))))]) * MWH
    frozen = true.copy()
    frozen[33:36] = frozen[32]
    edges = np.arange(0.0, 3 * DAY + 1, HOUR)
    plain, got = _rate(true, edges=edges).rate, _rate(frozen, edges=edges).rate
    assert np.isnan(got[32:36]).all()
    np.testing.assert_array_equal(np.delete(got, range(32, 36)), np.delete(plain, range(32, 36)))
    assert day_sums(_chain(frozen))[1] == pytest.approx(day_sums(_chain(true))[1])


def test_a_night_without_heat_is_no_frozen_register():
    """Off from ten to five, then a boost of a fifth above what any hour has shown."""
    load = np.tile(np.r_[np.zeros(5), np.full(17, 0.2), np.zeros(2)], 4)
    load *= 1 + 0.1 * np.sin(np.arange(96))
    load[77] = 0.26
    got = _rate((100 + np.r_[0.0, np.cumsum(load)]) * MWH, edges=np.arange(0.0, 4 * DAY + 1, HOUR))
    known = np.isfinite(got.rate)
    assert known.sum() == 96 - 4  # the last hour of each day closes with a reading of the next
    np.testing.assert_allclose(got.rate[known], load[known] * 1e6, atol=1.0)


def test_a_fine_register_that_stands_says_stopped():
    values = 100 * MWH + np.r_[_even(30), np.full(19, _even(30)[-1])] * MWH
    rate = _rate(values, edges=np.arange(0.0, 2 * DAY + 1, HOUR))
    assert (rate.rate[29:47] == 0.0).all()


def test_a_coarse_register_that_stands_says_nothing():
    """Steps of 1 MWh at 50 kW: one in 20 hours; no hour of them is known, nor that heat stopped."""
    values = np.floor(100.3 + np.arange(24 * 20) * 0.05) * MWH
    got = _rate(values, edges=np.arange(0.0, 20 * DAY + 1, HOUR))
    assert np.isnan(got.rate).all()
    assert day_sums(_chain(values)).sum() == pytest.approx(0.05 * 24 * 19 * MWH, abs=1 * MWH)


def test_a_coarse_register_says_how_coarse_it_is():
    """Rounded down to 0.01 MWh: the difference of two errors, each uniform, is step over root six."""
    rng = np.random.default_rng(5)
    power_W = rng.uniform(90e3, 150e3, 2400)
    true = np.r_[0.0, np.cumsum(power_W * HOUR)]
    step = 0.01 * MWH
    edges = np.arange(0.0, 2401 * HOUR, HOUR)
    got = _rate(np.floor(true / step) * step, edges=edges)
    known = np.isfinite(got.rate)
    assert known.sum() == 2300
    assert got.deviation[5] == pytest.approx(step / np.sqrt(6) / HOUR, rel=1e-6)
    assert np.std((got.rate - power_W)[known]) == pytest.approx(got.deviation[5], rel=0.05)


def test_a_register_of_1_kWh_every_5_minutes_is_noise_there_and_a_measurement_over_the_hour():
    """At 12 kW one step is one reading: a mean over 5 minutes would be off by two fifths."""
    rng = np.random.default_rng(9)
    power = (
        12e3 * np.exp(0.1 * np.sin(np.arange(288 * 30) / 40.0)) * rng.uniform(0.9, 1.1, 288 * 30)
    )
    true = np.r_[0.0, np.cumsum(power * 300.0)]
    register = 5e11 + np.floor(true / 3.6e6) * 3.6e6
    hourly = np.add.reduceat(power, np.arange(0, len(power), 12)) / 12
    got = _rate(register, 300.0, edges=np.arange(0.0, 30 * DAY + 1, HOUR))
    known = np.isfinite(got.rate)
    assert known.all()
    error = got.rate / hourly - 1
    assert abs(error.mean()) < 0.002
    assert np.std(error) < 0.05
    assert np.std(error) == pytest.approx(np.median(got.deviation / got.rate), rel=0.3)
    fine = _rate(register, 300.0, edges=np.arange(0.0, 30 * DAY + 1, 900.0))
    assert np.nanmedian(fine.deviation / fine.rate) > np.median(got.deviation / got.rate)


def test_what_a_day_tells_does_not_change_with_the_days_after():
    rng = np.random.default_rng(4)
    values = np.floor(np.cumsum(rng.uniform(0.02, 0.2, 24 * 12)) / 0.03) * 0.03 * MWH + 50 * MWH
    edges = np.arange(0.0, 12 * DAY + 1, HOUR)
    whole, sums = _rate(values, edges=edges), day_sums(_chain(values))
    for days in (4, 7, 11):
        part = values[: 24 * days]
        got = _rate(part, edges=edges[: 24 * days + 1])
        np.testing.assert_array_equal(got.rate, whole.rate[: 24 * days])
        np.testing.assert_array_equal(got.deviation, whole.deviation[: 24 * days])
        assert day_sums(_chain(part)).equals(sums[sums.index < days])


def test_registers_of_different_steps_give_the_month_within_their_steps():
    """Mean hourly moves and steps of a residential meter, the course made up.

    Sci. Data 9, 2022, doi 10.1038/s41597-022-01502-3: 1.966 kWh and 0.049 m3 an hour, registers of
    1 kWh and 1 litre.
    """
    rng = np.random.default_rng(12)
    energy = rng.gamma(4.0, 1.966 / 4.0, 24 * 31)
    for amount, step in ((energy, 1.0), (energy * 0.049 / 1.966, 0.001)):
        true = 4000.0 + np.cumsum(amount)
        chain = _chain(np.floor(true / step) * step * 3.6e6)
        counted = day_sums(chain)
        expected = (true[-1] - true[23]) * 3.6e6
        assert len(counted) == 30
        assert counted.sum() == pytest.approx(expected, abs=step * 3.6e6)


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
