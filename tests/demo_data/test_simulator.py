"""The simulator against closed formulae, conservation of energy and its own seeds."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from demo_data.simulator import (
    FAULTS,
    ROLES,
    Cleaning,
    Deposit,
    PlatesChanged,
    Scenario,
    Simulation,
    at_design,
    random_scenario,
    simulate,
)
from demo_data.simulator.cells import Inlets, deposit_profile
from demo_data.simulator.deposit import growth, kern_seaton
from demo_data.simulator.lag import first_order, relaxed
from demo_data.simulator.plate import design_flows, films_of, needed_UA_W_K, outlets
from demo_data.simulator.water import water

START = datetime(2026, 1, 12, tzinfo=UTC)
END = START + timedelta(days=6)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return random_scenario(np.random.default_rng(7))


@pytest.fixture(scope="module")
def run(scenario: Scenario) -> Simulation:
    return simulate(scenario, START, END)


def _inlets(scenario: Scenario, secondary_kg_s: np.ndarray, direction: float = 1.0) -> Inlets:
    unit, one = scenario.unit, np.ones_like(secondary_kg_s)
    return Inlets(
        primary_degC=one * unit.design_primary_degC[0],
        secondary_degC=one * unit.design_secondary_degC[0],
        secondary_kg_s=secondary_kg_s,
        fouling_resistance_m2K_W=0.0 * one,
        area_m2=one * unit.area_m2,
        channels=one * (unit.plates - 1) / 2,
        counterflow=one * direction,
    )


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_effectiveness_is_that_of_the_closed_formula(scenario: Scenario, direction: float):
    """With constant properties, counterflow and parallel flow as in Bergman et al., Introduction to
    Heat Transfer, 6th ed., table 11.3 (from memory)."""
    constant = replace(scenario, unit=replace(scenario.unit, constant_properties=True))
    films, flows = films_of(constant.unit), design_flows(constant.unit)
    share = np.linspace(0.2, 1.3, 12)
    inlets = _inlets(constant, flows[1] * share[::-1], direction)
    found = outlets(films, np.ones(24), inlets, flows[0] * share)
    cp = float(films.liquids[0].heat_capacity(60.0))
    C1, C2 = flows[0] * share * cp, flows[1] * share[::-1] * cp
    C_min, ratio = np.minimum(C1, C2), np.minimum(C1, C2) / np.maximum(C1, C2)
    NTU = found.UA_W_K / C_min
    if direction > 0:
        decay = np.exp(-NTU * (1 - ratio))
        expected = (1 - decay) / (1 - ratio * decay)
    else:
        expected = (1 - np.exp(-NTU * (1 + ratio))) / (1 + ratio)
    span = inlets.primary_degC - inlets.secondary_degC
    assert found.duty_W / (C_min * span) == pytest.approx(expected, rel=1e-9)


def test_clean_effectiveness_is_near_the_closed_formula_with_real_water(scenario: Scenario):
    """Properties that vary along the plate move the effectiveness by less than half a percent."""
    films, flows = films_of(scenario.unit), design_flows(scenario.unit)
    inlets = _inlets(scenario, np.full(1, flows[1]))
    found = outlets(films, np.ones(24), inlets, np.full(1, flows[0]))
    hot, cold = scenario.unit.design_primary_degC, scenario.unit.design_secondary_degC
    C1 = flows[0] * float(water().heat_capacity(np.mean(hot)))
    C2 = flows[1] * float(water().heat_capacity(np.mean(cold)))
    NTU, ratio = found.UA_W_K[0] / C1, C1 / C2
    decay = np.exp(-NTU * (1 - ratio))
    effectiveness = found.duty_W[0] / (C1 * (hot[0] - cold[0]))
    assert effectiveness == pytest.approx((1 - decay) / (1 - ratio * decay), rel=5e-3)


def test_design_state_has_the_oversizing_asked_for(scenario: Scenario):
    state = at_design(scenario, START)
    needed = needed_UA_W_K(scenario.unit) * (1 + scenario.unit.oversizing)
    assert state.UA_clean_W_K == pytest.approx(needed, rel=1e-4)
    assert state.duty_W > scenario.unit.design_duty_W


def test_energy_closes_along_the_plate(scenario: Scenario):
    """What the primary water loses by enthalpy is what the secondary water gains."""
    films, flows = films_of(scenario.unit), design_flows(scenario.unit)
    inlets = _inlets(scenario, flows[1] * np.array([0.3, 0.7, 1.1]))
    primary = flows[0] * np.array([0.25, 0.9, 1.0])
    found = outlets(films, np.ones(24), inlets, primary)
    h = water().enthalpy
    given = primary * (h(inlets.primary_degC) - h(found.primary_degC))
    taken = inlets.secondary_kg_s * (h(found.secondary_degC) - h(inlets.secondary_degC))
    assert given == pytest.approx(found.duty_W, rel=2e-5)
    assert taken == pytest.approx(found.duty_W, rel=2e-5)


def test_duties_of_both_sides_agree_but_for_the_jacket(scenario: Scenario, run: Simulation):
    """In steady hours what is left between the duties is the jacket's loss to a room near 23 degC."""
    truth = run.truth
    flow = truth["primary_mass_flow_kg_s"]
    moved = flow.diff().abs() + truth["secondary_supply_set_point"].diff().abs() / 10.0 * flow
    steady = truth[moved.rolling(3).max() < 0.03 * flow]
    outlets_degC = steady[["primary_return_temperature", "secondary_supply_temperature"]]
    lost_W = scenario.unit.heat_loss_W_K * (outlets_degC - 23.0).sum(axis=1)
    residual = steady["duty_primary_W"] - steady["duty_secondary_W"] - lost_W
    assert len(steady) > 50
    assert abs((residual / steady["duty_primary_W"]).median()) < 3e-4


def test_water_is_that_of_the_steam_tables():
    """IAPWS-IF97 verification value at 300 K and 3 MPa: v = 0.00100215168 m3/kg, cp = 4.17301218
    kJ/(kg K); 16 bar instead of 30 changes density by 0.06 %."""
    assert float(water().density(26.85)) == pytest.approx(1 / 0.00100215168, rel=1e-3)
    assert float(water().heat_capacity(26.85)) == pytest.approx(4173.01, rel=2e-3)


def test_kern_seaton_values():
    """1 - 1/e after one time constant, 95.02 % after three, nothing before the start."""
    found = kern_seaton([-5.0, 0.0, 60.0, 180.0], 2e-4, 60.0)
    assert found == pytest.approx([0.0, 0.0, 1.264241e-4, 1.900426e-4], rel=1e-6)


def test_laws_reach_their_amount_on_their_day():
    law = Deposit(law="linear", start=START, reached=START + timedelta(days=100), share_lost=0.2)
    for name, middle in (("linear", 0.25), ("falling", 0.5), ("step", 1.0)):
        assert growth(replace(law, law=name), [25.0, 100.0]) == pytest.approx([middle, 1.0])


def test_deposit_costs_the_share_asked_for_and_a_visit_gives_it_back(scenario: Scenario):
    fouled = replace(
        scenario,
        deposit=Deposit(law="linear", start=START, reached=END, share_lost=0.25),
        cleanings=(Cleaning(at=END, share_recovered=1.0),),
    )
    just_before = at_design(fouled, END - timedelta(seconds=1))
    assert just_before.share_lost == pytest.approx(0.25, abs=1e-4)
    assert just_before.approach_K > just_before.approach_clean_K + 0.5
    assert at_design(fouled, END).share_lost == pytest.approx(0.0, abs=1e-9)
    assert deposit_profile(24, 0.8).mean() == pytest.approx(1.0)


def test_more_plates_transfer_more_but_less_each(scenario: Scenario):
    """Twice the channels halve the flow in each: UA grows by less than the area does."""
    plates = scenario.unit.plates * 2
    grown = replace(scenario, faults=(PlatesChanged(at=START, plates_after=plates),))
    factor = at_design(grown, START).UA_clean_W_K / at_design(scenario, START).UA_clean_W_K
    area = (plates - 2) / (scenario.unit.plates - 2)
    assert 1.2 < factor < area


def test_controller_holds_the_set_point(run: Simulation):
    miss = run.truth["secondary_supply_temperature"] - run.truth["secondary_supply_set_point"]
    assert abs(miss.median()) < 0.2


def test_readings_follow_the_truth_within_their_errors(run: Simulation):
    for role in ("primary_supply_temperature", "primary_return_temperature"):
        off = run.logged[role] - run.truth[role] - run.truth[f"error_{role}"]
        assert abs(off.median()) < 0.1
        assert (run.logged[role].dropna() * 10 % 1).round(6).isin([0.0, 1.0]).all()


def test_index_and_columns_are_those_promised(scenario: Scenario, run: Simulation):
    assert run.logged.index.name == "time_utc"
    assert str(pd.DatetimeIndex(run.logged.index).tz) == "UTC"
    assert tuple(run.logged.columns) == scenario.logger.roles
    assert set(scenario.logger.roles) <= set(ROLES)
    assert run.truth.index.equals(run.logged.index)


def test_same_seed_same_record(scenario: Scenario, run: Simulation):
    again = simulate(scenario, START, END)
    pd.testing.assert_frame_equal(run.logged, again.logged, check_exact=True)
    other = simulate(replace(scenario, seed=scenario.seed + 1), START, END)
    assert not other.logged.equals(run.logged)


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_can_be_simulated(fault: str):
    made = random_scenario(np.random.default_rng(3), fault, start=START, clean_days=0)
    record = simulate(made, START + timedelta(days=40), START + timedelta(days=42))
    truth = record.truth
    assert truth["duty_primary_W"].gt(0).all()
    assert truth["UA_W_K"].le(truth["UA_clean_W_K"] * (1 + 1e-12)).all()
    assert (made.deposit is not None) == (fault == "deposit")
    assert len(made.faults) == (fault != "deposit")


def test_unknown_fault_is_refused():
    with pytest.raises(ValueError, match="'rust' is not known"):
        random_scenario(np.random.default_rng(1), "rust")


def test_lag_follows_a_ramp_by_its_time_constant():
    """The response to a ramp trails it by slope times time constant, once settled."""
    ramp = np.arange(200.0)
    assert (ramp - first_order(ramp, 120.0, 300.0))[50:] == pytest.approx(120.0 / 300.0, rel=1e-6)


def test_standing_water_cools_to_the_room():
    running = np.array([True] + [False] * 10)
    cooled = relaxed(np.full(11, 80.0), running, np.full(11, 20.0), 5.0, 1.0)
    assert cooled[5] == pytest.approx(20.0 + 60.0 * np.exp(-1.0))
