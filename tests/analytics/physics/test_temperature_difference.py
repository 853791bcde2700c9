"""LMTD, correction factor and approach against worked textbook examples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats
from scipy.integrate import solve_bvp

from analytics.physics.effectiveness import outlet_temperatures
from analytics.physics.temperature_difference import (
    approach_cold_end,
    approach_hot_end,
    correction_factor,
    log_mean,
    log_mean_temperature_difference,
    surface_mean_temperatures,
)


def parallel_lmtd(hot_in, hot_out, cold_in, cold_out):
    return log_mean(hot_in - cold_in, hot_out - cold_out)


def test_lmtd_of_textbook_oil_cooler():
    """Bergman et al., Introduction to Heat Transfer, 6th ed., Example 11.1: prints 43.2 K."""
    lmtd_K = log_mean_temperature_difference(100.0, 60.0, 30.0, 40.2)
    assert lmtd_K == pytest.approx(43.2, abs=0.05)
    assert lmtd_K == pytest.approx(43.20041, abs=1e-5)
    assert parallel_lmtd(100.0, 60.0, 30.0, 40.2) == pytest.approx(39.7525, abs=1e-4)


@pytest.mark.parametrize(
    ("ends", "U", "duty_W", "lmtd_K", "area_m2"),
    [
        # Som, Introduction to Heat Transfer, Example 10.1, water 55 to 40 by water 8 to 14
        ((55.0, 40.0, 8.0, 14.0), 800.0, 11286.0, 36.314, 0.3885),
        # Som, Example 10.2, oil 200 to 70 by oil to 150
        ((200.0, 70.0, 55.095, 150.0), 650.0, 190190.0, 28.996, 10.091),
        # Holman, Heat Transfer, Example 10-4 (from memory): prints 37.44 K and 15.82 m2
        ((110.0, 75.0, 35.0, 75.0), 320.0, 189490.0, 37.444, 15.815),
        # Kreith, Principles of Heat Transfer, 7th ed., Example 8.1: prints 29.4 K
        ((65.6, 39.4, 10.0, 36.225), 568.0, 691766.0, 29.387, 41.44),
    ],
)
def test_worked_examples(ends, U, duty_W, lmtd_K, area_m2):
    result = log_mean_temperature_difference(*ends)
    assert result == pytest.approx(lmtd_K, abs=2e-3)
    assert duty_W / (U * result) == pytest.approx(area_m2, rel=5e-4)


def test_parallel_flow_examples():
    """Som, Example 10.1: 35.470 K; Kreith, Example 8.1: 18.312 K."""
    assert parallel_lmtd(55.0, 40.0, 8.0, 14.0) == pytest.approx(35.470, abs=1e-3)
    assert parallel_lmtd(65.6, 39.4, 10.0, 36.225) == pytest.approx(18.312, abs=2e-3)


@pytest.mark.parametrize(
    ("ends", "lmtd_K"),
    [
        ((90, 50, 45, 75), 9.102),
        ((85, 55, 45, 75), 10.0),
        ((110, 50, 45, 75), 15.417),
        ((80, 50, 45, 75), 5.0),
        ((78, 48, 45, 75), 3.0),
    ],
)
def test_design_sets_of_a_heating_exchanger(ends, lmtd_K):
    """Secondary 45 to 75 degC at 1500 kW; computed by hand."""
    assert log_mean_temperature_difference(*ends) == pytest.approx(lmtd_K, abs=5e-4)


def test_a_temperature_cross_is_nan():
    """Some libraries give the first end difference here: -5 and 10."""
    assert np.isnan(log_mean_temperature_difference(70.0, 40.0, 30.0, 75.0))
    assert np.isnan(log_mean_temperature_difference(70.0, 40.0, 45.0, 60.0))
    assert np.isnan(log_mean_temperature_difference([np.nan, np.inf, 50.0], 40.0, 30.0, 50.0)).all()


@pytest.mark.parametrize("gap", [0.0, 1e-15, 1e-12, 1e-9, 1e-6])
def test_digits_survive_where_both_ends_are_nearly_equal(gap):
    """The naive form gives 10.00443 for ends of 10 and 10 + 1e-12 K."""
    assert log_mean(10.0, 10.0 + gap) == pytest.approx(10.0 + gap / 2, rel=1e-14)


@given(end_a_K=floats(0.01, 80.0), end_b_K=floats(0.01, 80.0))
def test_lmtd_lies_between_geometric_and_arithmetic_mean(end_a_K, end_b_K):
    lmtd_K = float(log_mean(end_a_K, end_b_K))
    assert lmtd_K == pytest.approx(float(log_mean(end_b_K, end_a_K)), rel=1e-13)
    assert np.sqrt(end_a_K * end_b_K) * (1 - 1e-12) <= lmtd_K
    assert lmtd_K <= (end_a_K + end_b_K) / 2 * (1 + 1e-12)


@given(
    N=floats(0.2, 4.0), R=floats(0.2, 1.0), hot_in=floats(70.0, 120.0), cold_in=floats(5.0, 50.0)
)
def test_duty_is_conductance_times_corrected_lmtd(N, R, hot_in, cold_in):
    C_hot, C_cold = 4e4 * R, 4e4
    for arrangement in ("counterflow", "1-2"):
        UA = N * C_hot
        hot, cold = outlet_temperatures(hot_in, cold_in, C_hot, C_cold, UA, arrangement)
        lmtd_K = log_mean_temperature_difference(hot_in, hot, cold_in, cold, arrangement)
        if np.isfinite(lmtd_K):  # beyond N of about 2 two passes may cross
            assert C_hot * (hot_in - hot) == pytest.approx(float(UA * lmtd_K), rel=1e-6)
        else:
            assert hot < cold + 1e-6 or arrangement == "1-2"


def test_correction_factor():
    ends = (90.0, 50.0, 45.0, 75.0)
    assert correction_factor(*ends, "counterflow") == pytest.approx(1.0)
    assert correction_factor(*ends, "2-2") == pytest.approx(1.0)
    mild = (130.0, 110.0, 15.0, 85.0)
    # Two passes against one lie below counterflow and above parallel flow.
    one_two = float(correction_factor(*mild, "1-2"))
    assert parallel_lmtd(*mild) / log_mean_temperature_difference(*mild) < one_two < 1.0
    assert np.isnan(correction_factor(*ends, "1-2"))  # out of its reach
    assert np.isnan(log_mean_temperature_difference(*ends, "1-2"))


def test_correction_factor_at_a_published_point():
    """R1 = 0.5, N1 = 1.5 in passes 1-2 give P1 = 0.6439306988 (test value of the `ht` library).

    Counterflow needs N = ln((1 - P R)/(1 - P))/(1 - R) = 1.288146 for the same P, by hand.
    """
    hot_out, cold_out = 100.0 - 80.0 * 0.6439306988, 20.0 + 40.0 * 0.6439306988
    factor = correction_factor(100.0, hot_out, 20.0, cold_out, "1-2")
    by_hand = np.log((1 - 0.5 * 0.6439306988) / (1 - 0.6439306988)) / 0.5
    assert factor == pytest.approx(by_hand / 1.5, rel=1e-8)


def test_approach_temperatures():
    assert approach_cold_end(50.0, 45.0) == 5.0
    np.testing.assert_array_equal(approach_hot_end([90.0, 70.0], [75.0, 75.0]), [15.0, -5.0])


@pytest.mark.parametrize(
    ("flows", "UA"), [((1.0, 1.0), 3.0), ((1.0, 1.0001), 0.5), ((0.4, 1.0), 2.0), ((1.0, 0.3), 1.5)]
)
def test_mean_temperatures_over_the_surface_against_the_differential_equations(flows, UA):
    """General-purpose reference: scipy.integrate.solve_bvp on dT/da = -+UA (T1 - T2)/C."""
    C1, C2 = flows

    def slopes(_, T):
        return np.stack([-UA * (T[0] - T[1]) / C1, -UA * (T[0] - T[1]) / C2])

    found = solve_bvp(
        slopes, lambda hot, cold: np.array([hot[0] - 90.0, cold[1] - 40.0]),
        np.linspace(0, 1, 200), np.tile([[70.0], [60.0]], (1, 200)), tol=1e-10,
    )  # fmt: skip
    a = np.linspace(0, 1, 20001)
    T = found.sol(a)
    hot, cold = surface_mean_temperatures(T[0, 0], T[0, -1], T[1, -1], T[1, 0])
    assert float(hot) == pytest.approx(np.trapezoid(T[0], a), abs=1e-4)
    assert float(cold) == pytest.approx(np.trapezoid(T[1], a), abs=1e-4)


def test_mean_temperatures_stay_finite_where_readings_cross():
    hot, cold = surface_mean_temperatures(90.0, 39.5, 40.0, 70.0)
    assert 39.5 < float(hot) < 64.75
    assert 40.0 < float(cold) < 55.0
