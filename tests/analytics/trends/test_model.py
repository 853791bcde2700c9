"""The exchanger as a function of its unknowns, against closed formulae and finite differences."""

import dataclasses

import numpy as np
import pytest

from analytics.physics.fluids import fluid_properties
from analytics.trends.model import (
    DEPOSIT,
    INDEX,
    SIZE,
    UNKNOWNS,
    Model,
    inverse_covariance,
    prepare_hours,
)
from analytics.trends.priors import build_model, nameplate_UA
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import Exchanger, FlowMeter, Fluid, Stream, Thermometer
from tests.analytics.plants import CP_J_kgK, DENSITY_kg_m3, counterflow, hour_table, model_hours

WATER = fluid_properties(Fluid())
UA_PIVOT = 12e3
PIVOT = (2.0, 4.0)


def _model(**changes):
    model = Model(
        arrangement="counterflow", pivot_kg_s=PIVOT, pivot_degC=(65.0, 50.0),
        pivot_properties=((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), scale_UA_W_K=UA_PIVOT,
        prior_mean=np.zeros(SIZE), prior_sd=np.full(SIZE, 0.1),
    )  # fmt: skip
    return dataclasses.replace(model, **changes)


def _truth(**values):
    p = np.zeros(SIZE)
    p[INDEX["film_primary"]], p[INDEX["film_secondary"]] = np.log(30e3), np.log(28e3)
    p[INDEX["exponent_primary"]], p[INDEX["exponent_secondary"]] = 0.66, 0.72
    p[INDEX["wall"]] = np.log(1.2e-5)
    for name, value in values.items():
        p[INDEX[name]] = value
    return p


def _films_UA(p, mass):
    """The resistances in series, written out once more."""
    h1, h2 = (
        np.exp(p[INDEX[f"film_{s}"]]) * (mass[:, i] / PIVOT[i]) ** p[INDEX[f"exponent_{s}"]]
        for i, s in enumerate(("primary", "secondary"))
    )
    return 1 / (1 / h1 + 1 / h2 + np.exp(p[INDEX["wall"]]) + p[DEPOSIT] / UA_PIVOT)


def _hours(p, n=200, seed=1, one_flow=None):
    rng = np.random.default_rng(seed)
    mass = np.array(PIVOT) * np.exp(rng.uniform(-0.9, 0.6, (n, 2)))
    hot, cold = rng.uniform(75, 100, n), rng.uniform(35, 48, n)
    temperature = counterflow(hot, cold, mass, _films_UA(p, mass))
    flow = mass / DENSITY_kg_m3
    if one_flow is not None:
        flow[:, 1 - one_flow] = np.nan
    return model_hours(temperature, flow), mass


@pytest.mark.parametrize("one_flow", [None, 0, 1])
@pytest.mark.parametrize("deposit", [0.0, 0.25])
def test_nothing_is_left_over_on_data_of_the_closed_relation(one_flow, deposit):
    p = _truth(deposit=deposit)
    hours, mass = _hours(p, one_flow=one_flow)
    found = _model().residuals(p, hours)
    np.testing.assert_allclose(found, 0.0, atol=1e-9)
    np.testing.assert_allclose(_model().streams(p, hours)[1], mass, rtol=1e-9)
    if one_flow is not None:
        assert (found[:, 1] == 0).all()


def test_each_instruments_error_is_taken_off_its_reading():
    clean = _truth()
    hours, _ = _hours(clean)
    p = _truth(
        error_primary_supply=0.6, error_primary_return=-0.9, error_secondary_supply=0.3,
        error_secondary_return=1.1, gain_primary_meter=0.04, gain_secondary_meter=-0.03,
    )  # fmt: skip
    read = dataclasses.replace(
        hours, temperature=hours.temperature + p[:4], volume_flow=hours.volume_flow * np.exp(p[4:6])
    )
    np.testing.assert_allclose(_model().residuals(p, read), 0.0, atol=1e-9)
    assert np.abs(_model().residuals(clean, read)).max() > 0.5


def test_a_deposit_warms_the_primary_return_and_cools_the_secondary_supply():
    clean = _truth()
    hours, _ = _hours(_truth(deposit=0.25))
    e = _model().residuals(clean, hours)
    assert (e[:, 0] > 0).all()
    assert (e[:, 1] < 0).all()


def _uneven_hours(seed=2):
    """Hours with properties that change and readings that fit nothing."""
    hours, _ = _hours(_truth(), n=40, seed=seed)
    rng = np.random.default_rng(seed)
    shape = (40, 2)
    return dataclasses.replace(
        hours, temperature=hours.temperature + rng.normal(0, 0.5, (40, 4)),
        ln_conductivity=rng.normal(-0.43, 0.02, shape), ln_heat_capacity=rng.normal(8.34, 0.01, shape),
        ln_viscosity=rng.normal(-7.6, 0.2, shape), area_ratio=np.linspace(1.0, 1.3, 40),
        channel_ratio=np.linspace(1.0, 1.25, 40), outlet_slope=rng.normal(0.0, 2.0, shape),
    )  # fmt: skip


@pytest.mark.parametrize("unknown", UNKNOWNS)
def test_jacobian_is_the_slope_of_the_residuals(unknown):
    """Against a fourth-order stencil with a step of its own."""
    model = _model(pivot_properties=((-0.43, 8.34, -7.6), (-0.43, 8.34, -7.6)))
    p = _truth(
        bend_primary=0.02, bend_secondary=-0.03, jacket_loss=6.0, curve_primary_meter=0.01,
        temperature_slope=0.001, stem_secondary_supply=0.003, deposit=0.1, error_primary_return=0.4,
    )  # fmt: skip
    hours = _uneven_hours()
    i = INDEX[unknown]
    h = 1e-2 * (10.0 if unknown == "jacket_loss" else 1.0 if i < 4 else 0.05)
    step = np.zeros(SIZE)
    step[i] = h
    at = {k: model.residuals(p + k * step, hours) for k in (-2, -1, 1, 2)}
    slope = (at[-2] - 8 * at[-1] + 8 * at[1] - at[2]) / (12 * h)
    scale = np.abs(slope).max()
    assert scale > 0
    np.testing.assert_allclose(model.jacobian(p, hours)[:, :, i], slope, atol=2e-5 * scale)


def test_wilson_plot():
    """1/U = R0 + 1/(C m^n), a synthetic set worked out by hand: R0 = 1.1e-4, C = 1200, n = 0.7."""
    mass = np.array([4.0, 5.0, 6.0, 8.0, 10.0, 12.0])
    U = np.array([2348.66, 2630.82, 2875.66, 3285.35, 3619.62, 3900.92])
    area = 29.3
    p = np.full(SIZE, 0.0)
    p[INDEX["film_primary"]] = np.log(1200.0 * PIVOT[0] ** 0.7 * area)
    p[INDEX["exponent_primary"]] = 0.7
    p[INDEX["film_secondary"]], p[INDEX["exponent_secondary"]] = np.log(1e15), 0.7
    p[INDEX["wall"]] = np.log(1.1e-4 / area)
    nothing = np.zeros((6, 2))
    flows = np.column_stack([mass, np.full(6, 4.0)])
    got = _model().conductance(p, flows, nothing + 47.0, (nothing, nothing, nothing)) / area
    np.testing.assert_allclose(got, U, rtol=3e-6)
    slope, intercept = np.polyfit(mass**-0.7, 1 / got, 1)
    assert intercept == pytest.approx(1.1e-4, rel=1e-4)
    assert 1 / slope == pytest.approx(1200.0, rel=1e-4)


def test_effect_of_a_fifth_less_U():
    """Fixed inlets 90 and 45 degC, 37.5 and 50 kW/K, 29.3 m2: outlets worked out independently.

    U = 5624.3: 50.00 and 75.00 degC; times 0.8 (R_f = 4.445e-5 m2 K/W): 51.78 and 73.66 degC.
    """
    area, U = 29.3, 5624.3
    mass = np.array([[37.5e3, 50e3]]) / CP_J_kgK
    p = np.zeros(SIZE)
    p[INDEX["film_primary"]] = p[INDEX["film_secondary"]] = np.log(4 * U * area)
    p[INDEX["wall"]] = np.log(0.5 / (U * area))
    model = _model(pivot_kg_s=(float(mass[0, 0]), float(mass[0, 1])), scale_UA_W_K=U * area)
    for deposit, outlets in ((0.0, (50.0, 75.0)), (4.445e-5 * U, (51.78, 73.66))):
        p[DEPOSIT] = deposit
        hours = model_hours(np.array([[90.0, *outlets, 45.0]]), mass / DENSITY_kg_m3)
        np.testing.assert_allclose(model.residuals(p, hours), 0.0, atol=0.01)
    expected = np.array([[0.8 * U * area]])
    nothing = np.zeros((1, 2))
    got = model.conductance(p, mass, nothing + 47.0, (nothing, nothing, nothing))
    np.testing.assert_allclose(got, expected[0], rtol=1e-4)


def test_more_plates_pass_more_at_the_same_flow_per_channel():
    p = _truth()
    nothing = np.zeros((1, 2))
    flows = np.array([[2.0, 4.0]])
    small, large = (
        _model().conductance(p, flows * c, nothing + 47, (nothing,) * 3, a, c)[0]
        for a, c in ((1.0, 1.0), (1.3, 1.25))
    )
    assert large == pytest.approx(1.3 * small)


def test_covariance_of_the_residuals():
    """Sensitivities times noise, plus the model's own 0.02 K, inverted hour by hour."""
    rng = np.random.default_rng(3)
    J, noise = rng.normal(0, 1, (5, 2, SIZE)), rng.uniform(0.01, 0.1, (5, 6))
    both = np.array([True, True, False, True, False])
    got = inverse_covariance(J, noise, both)
    for i in range(5):
        C = J[i, :, :6] @ np.diag(noise[i] ** 2) @ J[i, :, :6].T + 0.02**2 * np.eye(2)
        if both[i]:
            np.testing.assert_allclose(got[i], np.linalg.inv(C), rtol=1e-9)
        else:
            np.testing.assert_allclose(got[i], [[1 / C[0, 0], 0.0], [0.0, 0.0]], rtol=1e-9)


# --- priors -----------------------------------------------------------------------------------------

DESIGN = Exchanger(
    tag="HX", area_m2=29.3, design_duty_W=1500e3,
    primary=Stream(design_inlet_degC=90.0, design_outlet_degC=50.0),
    secondary=Stream(design_inlet_degC=45.0, design_outlet_degC=75.0),
)  # fmt: skip


def test_nameplate_conductance_of_a_worked_example():
    """90/50 and 45/75 degC, 1500 kW: LMTD = 10 / ln 3 = 9.102 K, so UA = 164.8 kW/K."""
    got = nameplate_UA(DESIGN, WATER, WATER, "counterflow")
    assert got == pytest.approx(1500e3 * np.log(3.0) / 10.0, rel=1e-3)


def _built(exchanger):
    n = 60
    rng = np.random.default_rng(5)
    mass = np.array([3.6, 5.0]) * np.exp(rng.uniform(-0.3, 0.3, (n, 2)))
    t = counterflow(np.full(n, 85.0), np.full(n, 43.0), mass, np.full(n, 90e3))
    table = hour_table(t, mass / DENSITY_kg_m3)
    one = np.ones(n)
    hours = prepare_hours(exchanger, table, one > 0, WATER, WATER, one, one, None)
    return build_model(exchanger, hours, WATER, WATER, "counterflow")


def test_priors_come_from_the_register():
    described = dataclasses.replace(
        DESIGN,
        thermometers={
            TEMPERATURES[0]: Thermometer(role=TEMPERATURES[0], standard_uncertainty_K=1.0),
            TEMPERATURES[1]: Thermometer(role=TEMPERATURES[1], standard_uncertainty_K=0.01),
        },
        flow_meters={"secondary_flow": FlowMeter(role="secondary_flow", relative_standard_uncertainty=0.05)},
    )  # fmt: skip
    plain, known = _built(DESIGN), _built(described)
    np.testing.assert_allclose(plain.prior_sd[:6], [0.5, 0.5, 0.5, 0.5, 0.02, 0.02])
    # a thermometer in a pocket is not better than 0.15 K, whatever its class
    np.testing.assert_allclose(known.prior_sd[:6], [1.0, 0.15, 0.5, 0.5, 0.02, 0.05])
    assert plain.prior_sd[INDEX["exponent_primary"]] == 0.08
    assert plain.prior_mean[INDEX["exponent_primary"]] == 0.70
    assert plain.prior_sd[DEPOSIT] <= 1e-3


def test_priors_are_wide_where_no_nameplate_speaks():
    blank = _built(Exchanger(tag="HX"))
    film, wall = INDEX["film_primary"], INDEX["wall"]
    assert blank.prior_sd[film] > _built(DESIGN).prior_sd[film]
    assert blank.prior_sd[wall] > _built(DESIGN).prior_sd[wall]
    # the start is what the readings give: 90 kW/K
    assert blank.scale_UA_W_K == pytest.approx(90e3, rel=0.02)


def test_prior_films_and_wall_give_the_nameplate_with_its_margin_at_design():
    model = _built(DESIGN)
    reached, gradient = model.at_nameplate(model.prior_mean)
    assert reached == pytest.approx(model.nameplate.ln_UA, abs=1e-6)
    # a film ten per cent better is worth about half of that
    assert 0.3 < gradient[INDEX["film_primary"]] < 0.6


def test_an_outlet_that_rises_stays_behind_by_lag_times_slope():
    """First-order lag: tau dy/dt = y_steady - y, so the reading is low by tau dy/dt."""
    hours, _ = _hours(_truth(), n=40)
    rising = dataclasses.replace(hours, outlet_slope=np.full((40, 2), 2.0))
    p = _truth(lag_primary=0.05, lag_secondary=0.02)
    more = _model().residuals(p, rising) - _model().residuals(p, hours)
    _, mass = _model().streams(p, hours)
    expected = np.array([0.05, 0.02]) * np.array(PIVOT) / mass * 2.0
    np.testing.assert_allclose(more, expected, rtol=1e-9)
