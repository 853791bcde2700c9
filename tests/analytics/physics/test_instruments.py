"""Limits of error of heat meters and platinum thermometers against hand-worked tables."""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats

from analytics.physics.instruments import (
    calculator_limit,
    flow_meter_uncertainty,
    flow_sensor_limit,
    heat_meter_difference_uncertainty,
    heat_meter_limit,
    platinum_resistance,
    platinum_temperature,
    platinum_tolerance,
    standard_uncertainty_of_limit,
    temperature_pair_limit,
)
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import FlowMeter

TURNDOWN = np.array([1.0, 2.0, 10.0, 25.0, 50.0, 100.0, 250.0])
DIFFERENCES_K = np.array([3.0, 5.0, 10.0, 20.0, 30.0, 50.0])


@pytest.mark.parametrize(
    ("accuracy_class", "percent"),
    [
        (1, [1.01, 1.02, 1.10, 1.25, 1.50, 2.00, 3.50]),
        (2, [2.02, 2.04, 2.20, 2.50, 3.00, 4.00, 5.00]),
        (3, [3.05, 3.10, 3.50, 4.25, 5.00, 5.00, 5.00]),
    ],
)
def test_flow_sensor(accuracy_class, percent):
    """EN 1434-1 (class 1 from memory), by hand; the cap of 5 % acts on the last figures."""
    limit = flow_sensor_limit(10.0 / TURNDOWN, 10.0, accuracy_class)
    np.testing.assert_allclose(limit * 100, percent, rtol=1e-12)


def test_temperature_pair_calculator_and_complete_meter():
    """EN 1434-1 with a least difference of 3 K, class 2 at full flow; sum by 2014/32/EU Annex VI."""
    pair, calculator = temperature_pair_limit(DIFFERENCES_K), calculator_limit(DIFFERENCES_K)
    np.testing.assert_allclose(pair * 100, [3.5, 2.3, 1.4, 0.95, 0.80, 0.68])
    np.testing.assert_allclose(calculator * 100, [1.5, 1.1, 0.8, 0.65, 0.60, 0.56])
    total = heat_meter_limit(5.0, 5.0, DIFFERENCES_K, 2)
    np.testing.assert_allclose(total * 100, [7.02, 5.42, 4.22, 3.62, 3.42, 3.26])


def test_platinum_resistance():
    """IEC 60751 reference table for 100 ohm (from memory); R at -50 degC is 80.31 ohm."""
    t = [0.0, 10.0, 50.0, 80.0, 100.0, 130.0]
    ohm = [100.0000, 103.9025, 119.3971, 130.8968, 138.5055, 149.8319]
    np.testing.assert_allclose(platinum_resistance(t), ohm, atol=1e-4)
    assert platinum_resistance(-50.0) == pytest.approx(80.31, abs=0.005)
    assert platinum_resistance(100.0, 1000.0) == pytest.approx(1385.055)


@given(t=floats(0.0, 850.0))
def test_platinum_temperature_turns_resistance_back(t):
    assert platinum_temperature(platinum_resistance(t)) == pytest.approx(t, abs=1e-9)


def test_platinum_tolerance():
    """IEC 60751 classes (from memory) at 90 degC; the sign of the temperature does not matter."""
    tolerances = [float(platinum_tolerance(90.0, c)) for c in ("AA", "A", "B", "C")]
    assert tolerances == pytest.approx([0.253, 0.33, 0.75, 1.5])
    assert platinum_tolerance(-90.0, "B") == platinum_tolerance(90.0, "B")


def test_a_limit_is_a_rectangular_distribution():
    """JCGM 100:2008, 4.3.7: the limit over the square root of three, as uniform draws show too."""
    draws = np.random.default_rng(3).uniform(-0.75, 0.75, 400_000)
    u = standard_uncertainty_of_limit(0.75)
    assert u == pytest.approx(0.75 / sqrt(3))
    assert u == pytest.approx(float(draws.std()), rel=5e-3)


def test_bad_samples_become_nan():
    assert np.isnan(flow_sensor_limit([0.0, -1.0, np.nan], 1.0, 2)).all()
    assert np.isnan(temperature_pair_limit([0.0, -3.0, np.nan])).all()
    assert np.isnan(platinum_resistance([-201.0, 851.0, np.nan])).all()
    assert np.isnan(platinum_temperature([99.0, 1e9, np.nan])).all()


def test_an_unknown_class_is_refused():
    with pytest.raises(EvaluationError, match=r"class 4 is not known. Use one of \[1, 2, 3\]"):
        flow_sensor_limit(1.0, 1.0, 4)
    with pytest.raises(EvaluationError, match="'D'"):
        platinum_tolerance(50.0, "D")


def test_uncertainty_of_a_registered_meter_follows_its_class_down_to_its_lowest_flow():
    """EN 1434-1 class 2 at q = qp, qp/10, qp/100, by hand; in service twice that, rectangular."""
    meter = FlowMeter(
        role="primary_flow", accuracy_class=2, nominal_flow_m3_s=10.0, low_flow_m3_s=0.1
    )
    u = flow_meter_uncertainty(meter, [10.0, 1.0, 0.1, 0.09, 0.0])
    np.testing.assert_allclose(u[:3], 2 * np.array([0.0202, 0.022, 0.04]) / sqrt(3))
    assert np.isnan(u[3:]).all()
    plain = FlowMeter(role="primary_flow", relative_standard_uncertainty=0.015)
    np.testing.assert_allclose(flow_meter_uncertainty(plain, [10.0, 0.01]), 0.015)


def test_uncertainty_of_a_matched_pair_and_calculator():
    """EN 1434-1, least difference 3 K, by hand: at 30 K 0.80 % and 0.60 %, together 1.0 %."""
    u = heat_meter_difference_uncertainty([30.0, 3.0, 0.0], 3.0)
    assert u[0] == pytest.approx(2 * 0.010 / sqrt(3))
    assert u[1] == pytest.approx(2 * np.hypot(0.035, 0.015) / sqrt(3))
    assert np.isnan(u[2])
