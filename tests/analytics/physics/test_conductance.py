"""Overall coefficient, fouling and cleanliness against definitions and a Wilson plot."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats

from analytics.physics.conductance import (
    cleanliness_factor,
    coefficient_in_series,
    conductance,
    fouled_coefficient,
    fouling_from_cleanliness,
    fouling_resistance,
    overall_coefficient,
    oversurface,
    wall_resistance,
)
from analytics.physics.temperature_difference import log_mean_temperature_difference


@pytest.mark.parametrize(
    ("ends", "UA_kW_K", "U"),
    [
        ((90, 50, 45, 75), 164.79, 5624),
        ((85, 55, 45, 75), 150.00, 5119),
        ((110, 50, 45, 75), 97.30, 3321),
        ((80, 50, 45, 75), 300.00, 10239),
        ((78, 48, 45, 75), 500.00, 17065),
    ],
)
def test_design_sets_of_1500_kW_on_29_3_m2(ends, UA_kW_K, U):
    """Computed by hand: duty over LMTD, then over the area."""
    UA = conductance(1.5e6, log_mean_temperature_difference(*ends))
    assert float(UA) == pytest.approx(UA_kW_K * 1e3, abs=6.0)
    assert overall_coefficient(UA, 29.3) == pytest.approx(U, abs=0.6)


def test_fouling_by_definition():
    """5000 clean, 4000 now: 5e-5 m2 K/W, 0.80, 25 % (Kakac & Liu, from memory)."""
    assert fouling_resistance(4000.0, 5000.0) == pytest.approx(5.0e-5)
    assert cleanliness_factor(4000.0, 5000.0) == pytest.approx(0.80)
    assert oversurface(4000.0, 5000.0) == pytest.approx(0.25)
    assert oversurface(4000.0, 5000.0) == pytest.approx(5000.0 * 5.0e-5)
    assert fouled_coefficient(5000.0, 8.6e-6) == pytest.approx(4793.9, abs=0.05)
    assert fouled_coefficient(5000.0, 1.761e-4) == pytest.approx(2659.0, abs=0.5)


@pytest.mark.parametrize(
    ("U_clean", "expected"),
    [(3000.0, [3.704e-5, 8.333e-5, 1.4286e-4]), (7000.0, [1.587e-5, 3.571e-5, 6.122e-5])],
)
def test_fouling_that_belongs_to_a_cleanliness_factor(U_clean, expected):
    result = fouling_from_cleanliness([0.9, 0.8, 0.7], U_clean)
    np.testing.assert_allclose(result, expected, rtol=2e-4)


def test_series_resistance_on_a_wilson_plot():
    """Synthetic: 1/U = 1.1e-4 + 1/(1200 m^0.7); a line through 1/U over m^-0.7 gives both back."""
    m = np.array([4.0, 5.0, 6.0, 8.0, 10.0, 12.0])
    U = coefficient_in_series(1200.0 * m**0.7, 1e5, wall_m2K_W=1.0e-4)
    printed = [2348.66, 2630.82, 2875.66, 3285.35, 3619.62, 3900.92]
    np.testing.assert_allclose(U, printed, atol=0.006)
    slope, intercept = np.polyfit(m**-0.7, 1 / U, 1)
    assert 1 / slope == pytest.approx(1200.0, rel=1e-9)
    assert intercept == pytest.approx(1.1e-4, rel=1e-9)


@given(h1=floats(500.0, 3e4), h2=floats(500.0, 3e4), fouling=floats(0.0, 1e-3))
def test_a_deposit_adds_to_the_resistance_and_comes_back(h1, h2, fouling):
    wall = wall_resistance(0.5e-3, 15.0)
    clean = coefficient_in_series(h1, h2, wall)
    now = coefficient_in_series(h1, h2, wall, fouling)
    assert now <= clean <= min(h1, h2)
    assert fouling_resistance(now, clean) == pytest.approx(fouling, abs=1e-15, rel=1e-9)
    assert fouled_coefficient(clean, fouling) == pytest.approx(float(now))


def test_bad_samples_become_nan():
    assert np.isnan(conductance([1e6, -1.0, np.nan], [0.0, 5.0, 5.0])).all()
    assert np.isnan(overall_coefficient(1e5, 0.0))
    assert np.isnan(fouling_resistance([0.0, np.nan], 5000.0)).all()
    assert np.isnan(coefficient_in_series(1e4, 0.0))
    assert np.isnan(coefficient_in_series(1e4, 1e4, 0.0, -1.0))
    assert np.isnan(cleanliness_factor(4000.0, -5.0))
