"""Fluids, passes, hot water, events and logging of the simulator against closed forms and CoolProp."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import CoolProp.CoolProp as coolprop
import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_bvp

from demo_data.simulator import (
    Cleaning,
    ClockOff,
    Deposit,
    LoadChange,
    NetworkLowered,
    PointsExchanged,
    Scenario,
    SetbackChange,
    Shutdown,
    StuckPoint,
    ThermometerFault,
    at_design,
    random_scenario,
    simulate,
)
from demo_data.simulator.cells import Inlets
from demo_data.simulator.deposit import clock_of
from demo_data.simulator.design_state import design_states
from demo_data.simulator.hot_water import draw_hot_water_load, draw_hot_water_unit
from demo_data.simulator.logging import as_written
from demo_data.simulator.plate import design_flows, films_of, needed_UA_W_K, outlets
from demo_data.simulator.scenario import Liquid
from demo_data.simulator.water import glycol
from demo_data.simulator.wide_fleet import draw_case

START = datetime(2026, 1, 12, tzinfo=UTC)
END = START + timedelta(days=6)
MIDDLE = START + timedelta(days=3)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return replace(random_scenario(np.random.default_rng(7)), step_minutes=15)


def _hot_water() -> Scenario:
    rng = np.random.default_rng(3)
    made = random_scenario(rng)
    unit = draw_hot_water_unit(rng)
    weather = replace(made.weather, network_mild_degC=unit.design_primary_degC[0] + 1.0)
    return replace(
        made, unit=unit, load=draw_hot_water_load(rng, unit), weather=weather, step_minutes=15
    )


@pytest.mark.parametrize("kind", ["MEG", "MPG"])
def test_glycol_is_that_of_coolprop(kind: str):
    """CoolProp's incompressible mixtures (Melinder 2010), asked one state at a time."""
    liquid = glycol(kind, 0.35)
    for t in (12.0, 43.0, 71.0):
        of = {
            n: coolprop.PropsSI(n, "T", t + 273.15, "P", 16e5, f"INCOMP::{kind}[0.35]")
            for n in "DCVL"
        }
        assert float(liquid.density(t)) == pytest.approx(of["D"], rel=1e-4)
        assert float(liquid.heat_capacity(t)) == pytest.approx(of["C"], rel=1e-4)
        assert float(np.exp(liquid.ln_viscosity(t))) == pytest.approx(of["V"], rel=1e-2)
        assert float(np.exp(liquid.ln_conductivity(t))) == pytest.approx(of["L"], rel=1e-3)


def test_duties_agree_with_glycol_on_the_secondary_side(scenario: Scenario):
    unit = replace(
        scenario.unit, secondary_fluid=Liquid(kind="MPG", fraction=0.3), heat_loss_W_K=0.0
    )
    run = simulate(replace(scenario, unit=unit), START, END).truth
    steady = run[run["primary_mass_flow_kg_s"].pct_change().abs().rolling(3).max() < 0.05]
    assert len(steady) > 30
    assert (steady["duty_secondary_W"] / steady["duty_primary_W"]).median() == pytest.approx(
        1, abs=2e-3
    )


def _two_pass(scenario: Scenario) -> Scenario:
    unit = replace(
        scenario.unit, secondary_passes=2, constant_properties=True,
        design_primary_degC=(95.0, 66.0), design_secondary_degC=(42.0, 62.0),
    )  # fmt: skip
    return replace(scenario, unit=unit)


@pytest.mark.parametrize("share", [0.4, 1.0])
def test_two_passes_are_those_of_the_energy_balances(scenario: Scenario, share: float):
    """Half of the single-pass stream at each pass, in parallel flow and then in counterflow: the
    four energy balances along the plate solved as a boundary-value problem by scipy."""
    unit = _two_pass(scenario).unit
    films, flows = films_of(unit), design_flows(unit)
    one = np.ones(1)
    inlets = Inlets(
        primary_degC=one * 95.0, secondary_degC=one * 42.0, secondary_kg_s=one * flows[1],
        fouling_resistance_m2K_W=0 * one, area_m2=one * unit.area_m2,
        channels=one * (unit.plates - 1) / 2, counterflow=one,
    )  # fmt: skip
    found = outlets(films, np.ones(24), inlets, one * flows[0] * share)
    cp = float(films.liquids[0].heat_capacity(60.0))
    C1, C2 = flows[0] * share * cp / 2, flows[1] * cp
    UA = found.UA_W_K[0] / 2

    # x along the single-pass stream; state: hot at pass 1, cold at pass 1, hot at pass 2, cold at 2
    def along(_x: np.ndarray, y: np.ndarray) -> np.ndarray:
        q1, q2 = UA * (y[0] - y[1]), UA * (y[2] - y[3])
        return np.array([-q1 / C1, q1 / C2, -q2 / C1, -q2 / C2])

    def ends(y0: np.ndarray, y1: np.ndarray) -> np.ndarray:
        # the second pass, in counterflow, enters where the first one left
        return np.array([y0[0] - 95.0, y0[1] - 42.0, y0[2] - 95.0, y1[3] - y1[1]])

    solved = solve_bvp(along, ends, np.linspace(0, 1, 50), np.full((4, 50), 60.0), tol=1e-8)
    assert solved.success
    assert found.secondary_degC[0] == pytest.approx(solved.y[3, 0], abs=1e-3)
    assert found.primary_degC[0] == pytest.approx(
        0.5 * (solved.y[0, -1] + solved.y[2, -1]), abs=1e-3
    )


def test_two_passes_reach_their_design_and_refuse_the_impossible(scenario: Scenario):
    state = at_design(_two_pass(scenario), START)
    assert state.duty_W > scenario.unit.design_duty_W
    near = replace(scenario.unit, secondary_passes=2, design_primary_degC=(95.0, 46.0),
                   design_secondary_degC=(44.0, 80.0))  # fmt: skip
    with pytest.raises(ValueError, match="two passes cannot reach"):
        needed_UA_W_K(near)


def test_hot_water_is_made_all_year_and_circulates_at_night():
    made = _hot_water()
    summer = datetime(2026, 7, 6, tzinfo=UTC)
    truth = simulate(made, summer, summer + timedelta(days=5)).truth
    supply = truth["secondary_supply_temperature"]
    assert abs((supply - truth["secondary_supply_set_point"]).median()) < 0.3
    hour = pd.DatetimeIndex(truth.index).tz_convert("CET").hour
    flow, back = truth["secondary_mass_flow_kg_s"], truth["secondary_return_temperature"]
    circulates = design_flows(made.unit)[1] * made.load.circulation_share
    assert flow.min() >= circulates * 0.999
    assert flow[hour == 2].median() < 0.4 * flow[hour == 7].median()
    assert back[hour == 2].median() > back[hour == 7].median() + 5
    # mixing of cold water and circulation, by the draw that the flow tells
    assert back.min() > made.load.make_up_degC - 4.5


def _with(scenario: Scenario, *events: object) -> pd.DataFrame:
    return simulate(replace(scenario, faults=events), START, END).truth


def test_events_of_network_and_building_do_what_they_say(scenario: Scenario):
    plain = _with(scenario)
    after = plain.index >= MIDDLE + timedelta(hours=2)
    lowered = _with(scenario, NetworkLowered(start=MIDDLE, shift_K=-5.0))
    fell = lowered["primary_supply_temperature"] - plain["primary_supply_temperature"]
    assert fell[after].to_numpy() == pytest.approx(-5.0)
    shut = _with(scenario, Shutdown(start=MIDDLE, end=END))
    assert shut["pump_running"][after].max() == 0.0
    setback = _with(scenario, SetbackChange(start=MIDDLE, setback_K=15.0))
    point = "secondary_supply_set_point"
    assert (plain[point] - setback[point])[after].max() > 5.0
    grown = _with(scenario, LoadChange(start=START, factor=1.4, full=END))
    ratio = (grown["duty_secondary_W"] / plain["duty_secondary_W"]).to_numpy()
    assert np.median(ratio[-96:]) > np.median(ratio[:96]) + 0.15


def test_an_extension_brings_radiators_and_flow_of_its_own(scenario: Scenario):
    """What a larger building asks for it can also take: the plates are too few, not its radiators."""
    cold = replace(scenario.weather, annual_mean_degC=-12.0, annual_swing_K=0.0, synoptic_K=0.0)
    load = replace(scenario.load, share_at_design=0.8)
    scenario = replace(scenario, weather=cold, load=load)
    plain = _with(scenario)["duty_secondary_W"].iloc[192:].mean()
    larger = _with(scenario, LoadChange(start=START, factor=1.25))["duty_secondary_W"]
    assert larger.iloc[192:].mean() == pytest.approx(1.25 * plain, rel=0.05)


def test_a_controller_holds_the_thermometer_that_it_reads(scenario: Scenario):
    """An error of 2 K: the reading leaves the set point, or the water does and the reading stays."""
    role, point = "secondary_supply_temperature", "secondary_supply_set_point"
    fault = ThermometerFault(role=role, start=MIDDLE, error_K=2.0)
    for own in (False, True):
        how = replace(scenario.instruments, controller_reads_supply=own)
        run = simulate(replace(scenario, instruments=how, faults=(fault,)), START, END)
        plain = simulate(replace(scenario, instruments=how, faults=()), START, END)
        late = run.truth.index >= MIDDLE + timedelta(hours=6)
        moved = (run.truth[role] - plain.truth[role])[late].median()
        read = (run.truth[role] + run.truth[f"error_{role}"] - run.truth[point])[late].median()
        assert moved == pytest.approx(-2.0 if own else 0.0, abs=0.2)
        before = (plain.truth[role] + plain.truth[f"error_{role}"] - plain.truth[point])[late]
        assert read - before.median() == pytest.approx(0.0 if own else 2.0, abs=0.2)


def test_points_are_exchanged_stuck_and_displaced(scenario: Scenario):
    first, second = "primary_return_temperature", "secondary_return_temperature"
    index = pd.date_range("2026-01-01", periods=200, freq="15min", tz="UTC", name="time_utc")
    read = pd.DataFrame({first: np.arange(200.0), second: 1000.0 + np.arange(200)}, index=index)

    def written(*events: object) -> pd.DataFrame:
        return as_written(replace(scenario, faults=events), read)

    at, until = index[50].to_pydatetime(), index[100].to_pydatetime()
    crossed = written(PointsExchanged(start=at, roles=(first, second)))
    assert crossed[first].iloc[[49, 50]].tolist() == [49.0, 1050.0]
    stuck = written(StuckPoint(role=first, start=at, end=until))
    assert stuck[first].iloc[[49, 50, 99, 100]].tolist() == [49.0, 50.0, 50.0, 100.0]
    ahead = written(ClockOff(start=at, end=until, minutes=60, roles=(first,)))
    assert ahead[first].iloc[50:54].isna().all()  # the clock jumped over them
    assert ahead[first].iloc[[54, 99, 100]].tolist() == [50.0, 95.0, 100.0]
    behind = written(ClockOff(start=at, end=until, minutes=-60, roles=(first,)))
    assert behind[first].iloc[[50, 95]].tolist() == [54.0, 99.0]
    assert behind[first].iloc[96:100].isna().all()
    assert ahead[second].equals(read[second])


def test_registers_are_read_hourly_and_changes_written_once(scenario: Scenario):
    roles = (*scenario.logger.roles, "heat_energy")
    logger = replace(
        scenario.logger, roles=roles, register_minutes=60, energy_step_J=3.6e6, gaps_per_year=0.0,
        increments={"secondary_return_temperature": 0.5},
    )  # fmt: skip
    run = simulate(replace(scenario, logger=logger), START, END)
    energy = run.logged["heat_energy"].dropna()
    assert (pd.DatetimeIndex(energy.index).minute == 0).all()
    assert (energy / 3.6e6 % 1).round(6).isin([0.0, 1.0]).all()
    counted = energy.iloc[-1] - energy.iloc[0]
    true = run.truth["duty_primary_W"][energy.index[0] : energy.index[-1]].sum() * 900.0
    assert counted == pytest.approx(true, rel=0.1)
    point = run.logged["secondary_return_temperature"]
    assert 0.1 < point.notna().mean() < 0.9


def test_deposit_clock_runs_faster_when_hot_and_reaches_its_amount(scenario: Scenario):
    law = Deposit(law="linear", start=START, reached=START + timedelta(days=100), share_lost=0.2)
    days = pd.date_range(START, periods=200, freq="D")
    even = clock_of(law, scenario.weather, days[-1])(days)
    assert even == pytest.approx(np.arange(200.0))
    for uneven in (replace(law, seasonal=0.5), replace(law, per_kelvin=0.03)):
        rate = np.diff(clock_of(uneven, scenario.weather, days[-1])(days))
        assert rate[:20].mean() > 1.2 * rate[150:170].mean()
        made = replace(scenario, deposit=uneven)
        assert at_design(made, law.reached).share_lost == pytest.approx(0.2, abs=2e-3)


def test_a_deposit_that_stops_stays(scenario: Scenario):
    law = Deposit(law="stops", start=START, reached=MIDDLE, share_lost=0.2)
    made = replace(scenario, deposit=law)
    assert at_design(made, END).share_lost == pytest.approx(0.2, abs=1e-4)
    half = START + (MIDDLE - START) / 2
    assert 0.08 < at_design(made, half).share_lost < 0.13


def test_states_of_many_days_are_those_of_each(scenario: Scenario):
    law = Deposit(law="falling", start=START, reached=END, share_lost=0.2)
    made = replace(scenario, deposit=law, cleanings=(Cleaning(at=MIDDLE, share_recovered=0.8),))
    days = pd.date_range(START, END, freq="12h").tz_convert("UTC")
    many = design_states(made, days)
    for day in (days[3], days[7], days[-1]):
        assert many["UA_W_K"][day] == pytest.approx(at_design(made, day).UA_W_K, rel=1e-9)


@pytest.mark.parametrize("number", [0, 1, 2, 4])
def test_wide_cases_hold_their_set_point_and_log_what_they_promise(number: int):
    case = draw_case("testing", "faulty", number)
    run = simulate(case.scenario, case.start, case.start + timedelta(days=20))
    assert tuple(run.logged.columns) == case.scenario.logger.roles
    assert run.logged.notna().any().all()
    running = run.truth["pump_running"] > 0
    miss = run.truth["secondary_supply_temperature"] - run.truth["secondary_supply_set_point"]
    assert not running.any() or abs(miss[running].median()) < 0.5
