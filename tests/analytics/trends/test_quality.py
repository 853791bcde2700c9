"""Samples with a reason against them, and those without."""

import numpy as np
import pandas as pd
import pytest

from analytics.trends.quality import flat_lined, out_of_range, sample_reasons, spikes
from analytics.vocabulary.quantities import REASON_BITS, TEMPERATURES

RANGE, FLAT, SPIKE = (REASON_BITS[n] for n in ("out_of_range", "flat_lined", "spike"))


def _frame(days=3, seed=0, **columns):
    """Four thermometers that move over the day, every quarter of an hour."""
    rng = np.random.default_rng(seed)
    index = pd.date_range("2025-11-03", periods=96 * days, freq="15min", tz="UTC", name="time_utc")
    swing = np.sin(np.arange(len(index)) * 2 * np.pi / 96)
    middles = (85.0, 47.0, 60.0, 43.0)
    frame = pd.DataFrame(
        {
            role: np.round(middle + 3 * swing + rng.normal(0, 0.1, len(index)), 1)
            for role, middle in zip(TEMPERATURES, middles, strict=True)
        },
        index=index,
    )
    return frame.assign(**columns)


@pytest.mark.parametrize("word", [-39.9, 0.0, 850.0, -9999.0, 327.67])
def test_missing_data_words_of_thermometers_are_out_of_range(word):
    frame = _frame()
    frame.iloc[40, 1] = word
    reasons = sample_reasons(frame)
    assert reasons.iloc[40, 1] & RANGE
    assert (reasons.to_numpy() != 0).sum() == 1


def test_missing_data_words_of_meters():
    """A power of 8,000,001.4 kW and a register of nought, as a real heat meter logged them."""
    assert out_of_range(np.array([8_000_001.4e3, 250e3, np.nan]), "heat_power").tolist() == [
        True, False, False,
    ]  # fmt: skip
    assert out_of_range(np.array([0.0, 3.6e12]), "heat_energy").tolist() == [True, False]
    assert out_of_range(np.array([0.0, 1e-3, 5.0]), "primary_flow").tolist() == [False, False, True]


def test_a_cold_day_is_no_missing_word():
    assert not out_of_range(np.array([-20.0, 0.0, 35.0]), "outdoor_temperature").any()


def test_a_stuck_thermometer_is_flat_lined_once_it_is_plain():
    frame = _frame()
    frame.iloc[96:192, 2] = 61.3
    bits = sample_reasons(frame)["secondary_supply_temperature"].to_numpy()
    flagged = np.flatnonzero(bits & FLAT)
    assert flagged[0] >= 96 + 24  # six hours on
    assert flagged[0] <= 96 + 48
    assert flagged[-1] == 191
    assert (np.diff(flagged) == 1).all()
    assert not sample_reasons(frame)[list(TEMPERATURES[:2])].to_numpy().any()


def test_rest_of_all_is_no_fault():
    """In summer all four stand still for days; none of them is stuck."""
    frame = _frame()
    frame.iloc[96:] = [24.1, 23.9, 24.0, 24.2]
    assert not sample_reasons(frame).to_numpy().any()


def test_one_mover_does_not_prove_another_stuck():
    frame = _frame()
    frame.iloc[:, 1:] = [45.0, 60.0, 43.0]
    assert not flat_lined(frame, "secondary_return_temperature").any()


def test_single_readings_far_off_are_spikes():
    flow = np.full(288, 2e-3)
    flow[100] = 9e-3
    frame = _frame(secondary_flow=flow)
    frame.iloc[50, 0] = 40.0
    reasons = sample_reasons(frame)
    assert reasons.iloc[50, 0] == SPIKE
    assert reasons["secondary_flow"].to_numpy().nonzero()[0].tolist() == [100]
    assert (reasons.to_numpy() != 0).sum() == 2


def test_steps_and_starts_are_no_spikes():
    frame = _frame(days=1)
    frame.iloc[40:, 0] -= 20.0
    flow = np.where(np.arange(96) < 30, 0.0, 3e-3)
    reasons = sample_reasons(frame.assign(secondary_flow=flow))
    assert not reasons.to_numpy().any()


def test_a_short_draw_of_usual_size_is_no_spike():
    """Hot water is drawn for minutes; the flow is usual though its neighbours are nought."""
    flow = np.tile(np.r_[np.full(50, 2e-3), np.zeros(46)], 3)
    flow[[60, 160, 260]] = 3e-3
    assert not spikes(pd.Series(flow, _frame().index, name="primary_flow")).any()


def test_registers_and_valves_have_no_spikes():
    values = np.zeros(288)
    values[50] = 1.0
    for role in ("valve_position", "pump_running", "heat_energy"):
        assert not spikes(pd.Series(values, _frame().index, name=role)).any()


def test_reasons_use_nothing_later_than_their_day():
    """Flows grow a hundredfold after the cut, a thermometer sticks across it, words come and go."""
    rng = np.random.default_rng(4)
    frame = _frame(days=8, seed=3)
    flow = rng.lognormal(-6.5, 1.2, len(frame)) * np.where(np.arange(len(frame)) < 400, 0.01, 1.0)
    frame = frame.assign(primary_flow=flow)
    frame.iloc[350:480, 3] = 44.4
    frame.iloc[rng.integers(0, len(frame), 30), 0] = 850.0
    whole = sample_reasons(frame)
    assert (whole.to_numpy() != 0).sum() > 50
    for day in range(1, 8):
        pd.testing.assert_frame_equal(
            sample_reasons(frame.iloc[: 96 * day]), whole.iloc[: 96 * day]
        )


def test_a_frame_of_nothing_has_no_reasons():
    frame = _frame(days=1) * np.nan
    assert not sample_reasons(frame).to_numpy().any()


def test_a_mixture_may_run_below_zero_but_not_below_its_freezing_point():
    """Zero to the last digit stays a word for missing."""
    values = [12.0, -5.0, 0.0, -20.0, -39.9, 101.0]
    index = pd.date_range("2026-01-05", periods=6, freq="h", tz="UTC")
    role = "secondary_return_temperature"
    frame = pd.DataFrame({role: values, "primary_return_temperature": values}, index=index)
    bits = sample_reasons(frame, {role: (-14.6, 100.0), "primary_return_temperature": (0.0, 158.8)})
    out, liquid = REASON_BITS["out_of_range"], REASON_BITS["outside_liquid"]
    # the spike test has its own say on some of these
    mixture = (bits[role] & (out | liquid)).tolist()
    assert mixture == [0, 0, out, out, out, liquid]
    water = (bits["primary_return_temperature"] & (out | liquid)).tolist()
    assert water == [0, out, out, out, out, 0]
