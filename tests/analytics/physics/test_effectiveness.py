"""Effectiveness and NTU against closed-form tables, worked textbook examples and another library."""

import ht
import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats, sampled_from

from analytics.physics.effectiveness import (
    COUNTERFLOW,
    PARALLEL_FLOW,
    arrangement_of,
    conductance_from_outlets,
    effectiveness_counterflow,
    effectiveness_parallel,
    ntu_counterflow,
    number_of_transfer_units,
    outlet_temperatures,
    temperature_effectiveness,
)
from analytics.vocabulary.errors import EvaluationError

NTU = np.array([0.5, 1.0, 2.0, 3.0, 5.0])
ARRANGEMENTS = [COUNTERFLOW, PARALLEL_FLOW, "1-2", "2-1", "1-3", "2-4", "4-2"]


@pytest.mark.parametrize(
    ("Cr", "counter", "parallel"),
    [
        (0.0, [0.393469, 0.632121, 0.864665, 0.950213, 0.993262],
         [0.393469, 0.632121, 0.864665, 0.950213, 0.993262]),
        (0.25, [0.377589, 0.598286, 0.822766, 0.918811, 0.982257],
         [0.371791, 0.570796, 0.734332, 0.781186, 0.798456]),
        (0.5, [0.362266, 0.564733, 0.774600, 0.874425, 0.957201],
         [0.351756, 0.517913, 0.633475, 0.659261, 0.666298]),
        (0.75, [0.347511, 0.531857, 0.721827, 0.817118, 0.908771],
         [0.333222, 0.472129, 0.554173, 0.568430, 0.571338]),
        (1.0, [0.333333, 0.5, 0.666667, 0.75, 0.833333],
         [0.316060, 0.432332, 0.490842, 0.498761, 0.499977]),
    ],
)  # fmt: skip
def test_table_of_effectiveness(Cr, counter, parallel):
    """Closed forms of Kays & London / Incropera Table 11.3 (from memory), computed elsewhere."""
    np.testing.assert_allclose(effectiveness_counterflow(NTU, Cr), counter, atol=6e-7)
    np.testing.assert_allclose(effectiveness_parallel(NTU, Cr), parallel, atol=6e-7)


def test_steady_through_equal_capacity_rates():
    """N = 3, Cr = 1 - 1e-6 gives 0.7500003; nothing jumps on either side of 1."""
    assert effectiveness_counterflow(3.0, 1 - 1e-6) == pytest.approx(0.7500003, abs=1e-7)
    ratios = 1 + np.concatenate((-np.geomspace(1e-2, 1e-16, 40), np.geomspace(1e-16, 1e-2, 40)))
    steps = np.diff(effectiveness_counterflow(np.full(80, 20.0), ratios))
    assert (steps <= 1e-15).all()


def test_large_units_do_not_overflow():
    R = np.array([0.0, 0.5, 1.0, 2.0, 20.0, 1e4])
    P = temperature_effectiveness(60.0, R, COUNTERFLOW)
    np.testing.assert_allclose(P, [1.0, 1.0, 60 / 61, 0.5, 0.05, 1e-4], rtol=1e-9)
    for arrangement in ARRANGEMENTS:
        limit = temperature_effectiveness([60.0, 1e5], [[0.3], [1.0], [30.0]], arrangement)
        assert np.isfinite(limit).all()


@pytest.mark.parametrize(
    ("arrangement", "expected"),
    [(COUNTERFLOW, 0.6907854082), (PARALLEL_FLOW, 0.5964005170), ("1-2", 0.6439306988)],
)
def test_plate_arrangements_at_the_published_point(arrangement, expected):
    """R1 = 0.5, N1 = 1.5: test values of the `ht` library."""
    assert temperature_effectiveness(1.5, 0.5, arrangement) == pytest.approx(expected, abs=1e-10)


def test_equal_passes_in_overall_counterflow_are_counterflow():
    """R = 0.5, N = 4: 2-2 gives 0.927421, like 1-1; 1-2 only 0.782829, 2-4 0.882858."""
    assert temperature_effectiveness(4.0, 0.5, "2-2") == pytest.approx(0.927421, abs=6e-7)
    assert temperature_effectiveness(4.0, 0.5, COUNTERFLOW) == pytest.approx(0.927421, abs=6e-7)
    assert temperature_effectiveness(4.0, 0.5, "1-2") == pytest.approx(0.782829, abs=6e-7)
    assert temperature_effectiveness(4.0, 0.5, "2-4") == pytest.approx(0.882858, abs=6e-7)


@pytest.mark.parametrize("passes", [(1, 1), (1, 2), (2, 1), (1, 3), (3, 1), (1, 4), (2, 4), (4, 2)])
@given(N=floats(0.01, 20.0), R=floats(0.05, 5.0))
def test_arrangements_against_another_library(passes, N, R):
    expected = ht.temperature_effectiveness_plate(R, N, Np1=passes[0], Np2=passes[1])
    assert temperature_effectiveness(N, R, arrangement_of(*passes)) == pytest.approx(
        expected, abs=1e-9
    )


def test_an_arrangement_without_formula_is_refused():
    for name in ("2-3", "cross", "0-1", "1-2 "):
        with pytest.raises(EvaluationError, match="no formula"):
            temperature_effectiveness(1.0, 1.0, name)
    with pytest.raises(EvaluationError, match="2-3"):
        arrangement_of(2, 3)
    assert arrangement_of(3, 3) == COUNTERFLOW


@given(N=floats(0.01, 8.0), R=floats(0.0, 1.2), arrangement=sampled_from(ARRANGEMENTS))
def test_number_of_transfer_units_turns_effectiveness_back(N, R, arrangement):
    P = temperature_effectiveness(N, R, arrangement)
    back = number_of_transfer_units(P, R, arrangement)
    # Where more surface brings next to nothing, P no longer tells N.
    slope = (temperature_effectiveness(N * 1.001, R, arrangement) - P) / (0.001 * N)
    assert back == pytest.approx(N, rel=1e-7, abs=1e-14 / max(float(slope), 1e-15))


def test_unreachable_effectiveness_is_nan_and_no_error():
    assert np.isnan(ntu_counterflow([1.0, 1.2, -0.1, np.nan, 0.6], [0.5, 0.5, 0.5, 0.5, 2.0])).all()
    assert ntu_counterflow(0.0, 0.7) == 0.0
    assert np.isnan(number_of_transfer_units(0.55, 1.0, PARALLEL_FLOW))
    assert np.isnan(number_of_transfer_units(0.99, 0.9, "1-2"))
    assert np.isnan(
        temperature_effectiveness([-1.0, 1.0, np.nan, np.inf], [1.0, -1.0, 1.0, 1.0], COUNTERFLOW)
    ).all()


@given(N=floats(0.0, 30.0), R=floats(0.0, 1.0))
def test_counterflow_is_never_worse_than_parallel_flow(N, R):
    counter, parallel = effectiveness_counterflow(N, R), effectiveness_parallel(N, R)
    assert counter >= parallel - 1e-12
    assert effectiveness_counterflow(N + 0.1, R) >= counter


def test_effectiveness_of_a_textbook_example():
    """Incropera & DeWitt, 6th ed., Example 11.3 (finned gas heater): 200/265 = 0.75, ratio 0.45."""
    hot_in, hot_out, cold_in, cold_out = 300.0, 100.0, 35.0, 125.0
    effectiveness = (hot_in - hot_out) / (hot_in - cold_in)
    ratio = (cold_out - cold_in) / (hot_in - hot_out)
    assert effectiveness == pytest.approx(0.75, abs=0.005)
    assert ratio == pytest.approx(0.45)
    N = ntu_counterflow(effectiveness, ratio)
    assert effectiveness_counterflow(N, ratio) == pytest.approx(effectiveness)


def test_geothermal_heater():
    """Cengel, Heat Transfer, geothermal heater in counterflow (from memory): NTU 0.651, 108 m.

    The book works with rounded figures; unrounded, the same formulas give 0.6524 and 108.5 m.
    """
    C_cold, C_hot = 1.2 * 4180.0, 2.0 * 4310.0
    Q = C_cold * 60.0
    hot_out = 160.0 - Q / C_hot
    assert hot_out == pytest.approx(125.0, abs=0.1)
    UA = conductance_from_outlets(160.0, hot_out, 20.0, 80.0, Q)
    assert UA / C_cold == pytest.approx(0.65236, abs=1e-5)
    area_m2 = UA / 640.0
    assert area_m2 == pytest.approx(5.113, abs=1e-3)
    assert area_m2 / (np.pi * 0.015) == pytest.approx(108.5, abs=0.1)


EFFECT = [  # share of U left, U, effectiveness, duty in kW, hot and cold outlet
    (1.0, 5624.3, 0.88889, 1500.0, 50.00, 75.00),
    (0.8, 4499.4, 0.84923, 1433.1, 51.78, 73.66),
    (0.7, 3937.0, 0.82240, 1387.8, 52.99, 72.76),
]


@pytest.mark.parametrize(("share", "U", "effectiveness", "duty_kW", "hot_out", "cold_out"), EFFECT)
def test_what_a_loss_of_conductance_costs(share, U, effectiveness, duty_kW, hot_out, cold_out):
    """Inlets 90/45 degC, 37.5 and 50 kW/K, 29.3 m2; computed with `ht`. 20 % of U is 4.5 % of duty."""
    UA = share * 5624.295 * 29.3
    assert share * 5624.295 == pytest.approx(U, abs=0.1)
    hot, cold = outlet_temperatures(90.0, 45.0, 37_500.0, 50_000.0, UA)
    assert hot == pytest.approx(hot_out, abs=0.005)
    assert cold == pytest.approx(cold_out, abs=0.005)
    assert 37.5 * (90.0 - hot) == pytest.approx(duty_kW, abs=0.05)
    assert effectiveness_counterflow(UA / 37_500.0, 0.75) == pytest.approx(effectiveness, abs=1e-5)


@given(
    UA=floats(1e4, 4e5),
    C_hot=floats(1e4, 1e5),
    C_cold=floats(1e4, 1e5),
    hot_in=floats(60.0, 120.0),
    cold_in=floats(5.0, 55.0),
    arrangement=sampled_from(["counterflow", "1-2", "2-1"]),
)
def test_outlets_and_conductance_round_trip(UA, C_hot, C_cold, hot_in, cold_in, arrangement):
    hot, cold = outlet_temperatures(hot_in, cold_in, C_hot, C_cold, UA, arrangement)
    assert C_hot * (hot_in - hot) == pytest.approx(float(C_cold * (cold - cold_in)), rel=1e-9)
    ends = (float(hot), float(cold))
    back = conductance_from_outlets(
        hot_in, ends[0], cold_in, ends[1], C_hot * (hot_in - hot), arrangement
    )
    # Close to its limit an exchanger's outlets no longer tell its surface.
    bigger, _ = outlet_temperatures(hot_in, cold_in, C_hot, C_cold, UA * 1.01, arrangement)
    if abs(float(bigger) - ends[0]) > 1e-4:
        assert back == pytest.approx(UA, rel=1e-5)


def test_conductance_of_a_bad_sample_is_nan():
    bad = conductance_from_outlets(
        [90.0, 90.0, 90.0, np.nan, 40.0, 90.0],
        [50.0, 90.0, 44.0, 50.0, 35.0, 50.0],
        [45.0, 45.0, 45.0, 45.0, 45.0, 45.0],
        [91.0, 70.0, 70.0, 70.0, 50.0, 70.0],
        [1e6, 1e6, 1e6, 1e6, 1e6, -1e6],
    )
    assert np.isnan(bad).all()
