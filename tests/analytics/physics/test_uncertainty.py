"""Propagation against the examples of the GUM, the `uncertainties` library and Monte Carlo."""

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis.strategies import floats
from scipy.stats import t as student
from uncertainties import umath

from analytics.physics import balance
from analytics.physics.effectiveness import conductance_from_outlets
from analytics.physics.fluids import fluid_properties
from analytics.physics.temperature_difference import log_mean_temperature_difference
from analytics.physics.uncertainty import (
    Doubt,
    MeteredSide,
    Reading,
    balance_residual,
    conductance,
    conductance_from_flow,
    correlation_between,
    doubt,
    duty,
    effective_degrees_of_freedom,
    effectiveness,
    log_mean,
    overall_coefficient,
    propagate,
    sensitivities,
)
from analytics.vocabulary.records import Fluid, Pipe

WATER = fluid_properties(Fluid())
AREA_m2 = 29.3
ENDS = (Reading(90.0, 0.1), Reading(50.0, 0.1), Reading(45.0, 0.1), Reading(75.0, 0.1))

VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
IMPEDANCES = (
    lambda V, I, phi: V / I * np.cos(phi),
    lambda V, I, phi: V / I * np.sin(phi),
    lambda V, I, phi: V / I,
)  # fmt: skip


def readings_of_impedance():
    columns = (VOLT, AMPERE, PHASE)
    return tuple(Reading(c.mean(), c.std(ddof=1) / np.sqrt(5)) for c in columns)


def test_correlated_readings():
    """JCGM 100:2008, H.2: R = 127.732(71), X = 219.847(295), Z = 254.260(236), and correlations."""
    r = np.corrcoef([VOLT, AMPERE, PHASE])
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.36, 0.86, -0.65), abs=0.005)
    R, X, Z = (propagate(f, readings_of_impedance(), r) for f in IMPEDANCES)
    assert [float(q.value) for q in (R, X, Z)] == pytest.approx(
        [127.732, 219.847, 254.260], abs=1e-3
    )
    u = [float(q.standard_uncertainty) for q in (R, X, Z)]
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    pairs = [float(correlation_between(a, b, r)) for a, b in ((R, X), (R, Z), (X, Z))]
    assert pairs == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)


def test_ignoring_the_correlation_gives_another_answer():
    """The same readings taken as independent: 0.1945, 0.2009, 0.2041."""
    u = [float(propagate(f, readings_of_impedance()).standard_uncertainty) for f in IMPEDANCES]
    assert u == pytest.approx([0.1945, 0.2009, 0.2041], abs=1e-4)


def test_end_gauge():
    """JCGM 100:2008, H.1: u = 32 nm, 16 degrees of freedom, 93 nm at 99 %."""
    parts = [Reading(0.0, u) for u in (25.0, 9.7, 2.9, 16.6)]
    result = propagate(lambda *x: sum(x[1:], x[0]), parts)
    assert result.standard_uncertainty == pytest.approx(31.671, abs=1e-3)
    freedom = float(effective_degrees_of_freedom(result.contributions, [18.0, 25.6, 50.0, 2.0]))
    # Printed as 16.7 and then cut down to 16.
    assert freedom == pytest.approx(16.765, abs=0.001)
    assert 32 * student.ppf(0.995, 16) == pytest.approx(93, abs=0.5)


def test_sum_of_four_rectangular_inputs():
    """JCGM 101:2008, 9.2: a combined standard uncertainty of 2.0."""
    result = propagate(lambda a, b, c, d: a + b + c + d, [Reading(0.0, 1.0)] * 4)
    assert result.standard_uncertainty == pytest.approx(2.0)


def test_conductance_of_a_heating_exchanger():
    """90/50/45/75 degC +- 0.1 K each, 1500 kW +- 1.5 %, 29.3 m2: 5624.3 +- 111.2 W/(m2 K)."""
    UA = conductance(*ENDS, Reading(1.5e6, 0.015 * 1.5e6))
    U = overall_coefficient(UA, Reading(AREA_m2, 0.0))
    assert U.value == pytest.approx(5624.29, abs=0.01)
    assert U.standard_uncertainty == pytest.approx(111.15, abs=0.01)
    np.testing.assert_allclose(
        UA.contributions / AREA_m2, [-22.11, -46.15, 46.15, 22.11, 84.36], atol=0.01
    )


def test_balanced_exchanger_is_harder_to_watch():
    """78/48/45/75 degC, 3 K at both ends: 17065 +- 624 (first order), 3.7 %."""
    ends = [Reading(t, 0.1) for t in (78.0, 48.0, 45.0, 75.0)]
    UA = conductance(*ends, Reading(1.5e6, 0.015 * 1.5e6))
    assert UA.value / AREA_m2 == pytest.approx(17065.0, abs=1.0)
    assert UA.standard_uncertainty / AREA_m2 == pytest.approx(625.5, abs=2.5)


def test_first_order_agrees_with_monte_carlo():
    """A million draws: sd 111.17, and 95 % between 5410.7 and 5846.7."""
    random = np.random.default_rng(17)
    ends = [r.value + 0.1 * random.standard_normal(1_000_000) for r in ENDS]
    drawn = conductance_from_outlets(*ends, 1.5e6 * (1 + 0.015 * random.standard_normal(1_000_000)))
    first = conductance(*ENDS, Reading(1.5e6, 0.015 * 1.5e6))
    assert first.standard_uncertainty == pytest.approx(float(drawn.std()), rel=5e-3)
    low, high = np.percentile(drawn, [2.5, 97.5]) / AREA_m2
    assert (low, high) == pytest.approx((5410.7, 5846.7), abs=1.5)


def test_against_the_uncertainties_library():
    hot_in, hot_out, cold_in, cold_out = (
        uncertainties.ufloat(r.value, r.standard_uncertainty) for r in ENDS
    )
    a, b = hot_in - cold_out, hot_out - cold_in
    expected = (a - b) / umath.log(a / b)
    lmtd = log_mean(*ENDS)
    assert lmtd.value == pytest.approx(expected.nominal_value)
    assert lmtd.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-6)
    share = (hot_in - hot_out) / (hot_in - cold_in)
    assert effectiveness(*ENDS).standard_uncertainty == pytest.approx(share.std_dev, rel=1e-6)
    p, s = uncertainties.ufloat(1500.0, 15.0), uncertainties.ufloat(1560.0, 20.0)
    residual = balance_residual(Reading(1500.0, 15.0), Reading(1560.0, 20.0))
    assert residual.standard_uncertainty == pytest.approx(((s - p) / (s + p) * 2).std_dev, rel=1e-6)
    closed = balance.balance_residual_uncertainty(1500.0, 15.0, 1560.0, 20.0)
    assert residual.standard_uncertainty == pytest.approx(float(closed), rel=1e-6)


def test_duty_of_a_metered_stream():
    """Relative parts by hand: flow 1 %, each thermometer 0.1 K of 40 K; the meter's pipe adds a little."""
    result = duty(
        Reading(0.0093, 0.000093), Reading(90.0, 0.1), Reading(50.0, 0.1), Pipe.RETURN, WATER
    )
    relative = result.contributions / result.value
    assert relative[0] == pytest.approx(0.01, rel=1e-9)
    assert relative[1] == pytest.approx(0.0025, rel=0.01)
    expansion = 0.1 * float(np.log(WATER.density(50.5) / WATER.density(49.5)))
    assert relative[2] == pytest.approx(-0.0025 + expansion, rel=0.01)


def test_shared_thermometers_are_not_counted_as_independent():
    """A primary return that reads high lowers the duty and raises the LMTD: UA falls twice."""
    flow = Reading(0.009293, 0.0)
    side = MeteredSide(hot=True, pipe=Pipe.SUPPLY, fluid=WATER)
    shared = conductance_from_flow(flow, *ENDS, side)
    apart = conductance(*ENDS, Reading(float(side.duty(0.009293, 90.0, 50.0, 45.0, 75.0)), 0.0))
    assert shared.value == pytest.approx(float(apart.value), rel=1e-9)
    assert shared.contributions[2] < apart.contributions[1] < 0
    random = np.random.default_rng(5)
    ends = [r.value + 0.1 * random.standard_normal(200_000) for r in ENDS]
    drawn = conductance_from_outlets(*ends, side.duty(0.009293, *ends))
    assert shared.standard_uncertainty == pytest.approx(float(drawn.std()), rel=0.01)


def test_the_cold_sides_meter_reads_the_cold_stream():
    side = MeteredSide(hot=False, pipe=Pipe.RETURN, fluid=WATER)
    heat = side.duty(0.012, 90.0, 50.0, 45.0, 75.0)
    assert heat == pytest.approx(float(balance.duty(0.012, 75.0, 45.0, Pipe.RETURN, WATER)))


@given(
    a=floats(0.5, 30.0), b=floats(0.5, 30.0), u=floats(1e-3, 0.1)
)  # fmt: skip
def test_propagated_lmtd_equals_its_analytic_sensitivities(a, b, u):
    """dL/da = (1 - L/a)/ln(a/b) where the ends differ."""
    lmtd = log_mean(
        Reading(100.0, u), Reading(50.0 + b, u), Reading(50.0, u), Reading(100.0 - a, u)
    )
    if abs(a - b) > 0.05:
        L, logarithm = (a - b) / np.log(a / b), np.log(a / b)
        by_a, by_b = (1 - L / a) / logarithm, (L / b - 1) / logarithm
        assert lmtd.standard_uncertainty == pytest.approx(
            u * np.sqrt(2 * (by_a**2 + by_b**2)), rel=1e-4
        )


def test_samples_are_independent_of_each_other_and_gaps_stay_gaps():
    readings = [Reading([r.value, np.nan, r.value], 0.1) for r in ENDS]
    readings[1] = Reading([50.0, 50.0, 44.0], 0.1)  # the third crosses
    result = log_mean(*readings)
    assert result.contributions.shape == (4, 3)
    assert result.standard_uncertainty[0] == pytest.approx(
        float(log_mean(*ENDS).standard_uncertainty)
    )
    assert np.isnan(result.value[1:]).all()
    assert np.isnan(result.standard_uncertainty[1:]).all()


def test_a_constant_error_cancels_in_a_change():
    """Two LMTDs from the same thermometers: the absolute one carries both parts, the change one part.

    Oracle: the `uncertainties` library, which carries the shared offsets through by itself.
    """
    offsets = [uncertainties.ufloat(0.0, 0.2) for _ in range(4)]
    ends = np.array([[90.0, 50.0, 45.0, 75.0], [88.0, 49.0, 44.5, 74.0]])

    def lmtd_of(t):
        a, b = t[0] - t[3], t[1] - t[2]
        return (a - b) / umath.log(a / b)

    scatter = [[uncertainties.ufloat(0.0, 0.05) for _ in range(4)] for _ in range(2)]
    once, again = (
        lmtd_of([v + o + s for v, o, s in zip(row, offsets, rows, strict=True)])
        for row, rows in zip(ends, scatter, strict=True)
    )

    def function(a, b, c, d):
        return log_mean_temperature_difference(a, b, c, d)

    slopes = sensitivities(function, list(ends.T), [1e-3] * 4)
    found = doubt(slopes, np.full(4, 0.2), np.full((4, 2), 0.05))
    assert found.total == pytest.approx([once.s, again.s], rel=1e-4)
    first, second = (Doubt(systematic=found.systematic[i], random=found.random[i]) for i in (0, 1))
    # the offsets cancel but for the little by which the sensitivities differ
    assert float(first.of_change(second)) == pytest.approx((once - again).s, rel=0.15)
    assert float(first.of_change(second)) < 0.4 * once.s
