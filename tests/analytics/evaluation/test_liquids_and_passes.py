"""Mixtures, oils and pass arrangements from the register to the verdict, against other libraries.

What is logged is worked out with CoolProp and `ht` alone (``tests.analytics.rigs``).
"""

import dataclasses
from functools import cache

import numpy as np
import pytest

from analytics.evaluation import evaluate
from analytics.trends.account import keep_account
from analytics.vocabulary.quantities import REASON_BITS, TEMPERATURES
from analytics.vocabulary.records import CauseKind, FlowMeter, Fluid, Pipe, VerdictKind
from tests.analytics.rigs import Rig, ask, season, table_of

RIGS = {
    "water": Rig(),
    "propylene glycol by mass": Rig(
        secondary="INCOMP::MPG[0.4]", fluid=Fluid(kind="propylene glycol", fraction=0.4)
    ),
    "ethylene glycol by volume": Rig(
        secondary="INCOMP::AEG[0.3]",
        fluid=Fluid(kind="ethylene glycol", fraction=0.3, basis="volume"),
    ),
    "oil by a table": Rig(
        secondary="INCOMP::T66", fluid=Fluid(kind="table", table=table_of("INCOMP::T66", 20, 150))
    ),
    "1-2": Rig(passes=(1, 2)),
    "2-1": Rig(passes=(2, 1)),
    "2-4": Rig(passes=(2, 4)),
}


@cache
def _clean(name):
    return season(RIGS[name])


@cache
def _fouled(name):
    plant = season(RIGS[name], deposit_share=0.25)
    return plant, evaluate(plant.exchanger, plant.logged)


def _error_of_clean_UA(exchanger, plant):
    """Median of the model's clean UA over the true one, minus one, over all hours with evidence."""
    kept = keep_account(exchanger, plant.logged, ())
    model, p, hours = kept.fit.model, kept.fit.point, kept.hours
    t, mass = model.streams(p, hours)
    means = np.column_stack([(t[:, 0] + t[:, 1]) / 2, (t[:, 2] + t[:, 3]) / 2])
    logs = (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity)
    found = model.conductance(p, mass, means, logs, deposit=0.0)
    true = plant.UA_W_K.resample("h").mean().reindex(kept.table.start[kept.hour_rows])
    assert len(hours) > 2000
    return float(np.median(found / true.to_numpy()) - 1)


@pytest.mark.parametrize("name", list(RIGS))
def test_the_clean_conductance_is_the_true_one(name):
    plant = _clean(name)
    assert (
        abs(_error_of_clean_UA(plant.exchanger, plant)) < 0.025
    )  # the rig takes films at the mean of inlet and outlet, not over the surface


@pytest.mark.parametrize("name", ["1-2", "2-1", "2-4"])
def test_passes_left_out_of_the_register_spoil_it(name):
    """By pure counterflow these outlets need a quarter less surface, or half."""
    plant = _clean(name)
    sides = plant.exchanger.primary, plant.exchanger.secondary
    primary, secondary = (dataclasses.replace(s, passes=1) for s in sides)
    silent = dataclasses.replace(plant.exchanger, primary=primary, secondary=secondary)
    assert _error_of_clean_UA(silent, plant) < -0.2


@pytest.mark.parametrize("name", list(RIGS))
def test_a_deposit_is_named(name):
    _, found = _fouled(name)
    assert found.verdict.kind in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)
    assert [a.kind for a in found.alerts] == [CauseKind.DEPOSIT]


@pytest.mark.parametrize("name", list(RIGS))
def test_each_days_readings_tell_the_deposit_of_that_day(name):
    """A quarter of UA at design over forty days: R = (1/0.75 - 1)/UA at the end, half of it half-way."""
    plant, _ = _fouled(name)
    kept = keep_account(plant.exchanger, plant.logged, ())
    first = int(plant.logged.index[0].timestamp() // 86400)
    grown = np.clip((kept.info.day + 0.5 - first - 60) / 40, 0.0, None)
    scale = kept.fit.model.scale_UA_W_K / RIGS[name].UA_W_K
    true = (1 / 0.75 - 1) * grown * scale
    late = grown > 0.3
    np.testing.assert_allclose(kept.info.deposit[late], true[late], atol=0.02)
    assert abs((kept.info.deposit[late] - true[late]).mean()) < 0.012


@pytest.mark.parametrize("name", list(RIGS))
def test_the_heat_of_both_sides_agrees(name):
    _, found = _fouled(name)
    assert abs(found.intervals["balance_residual"].median()) < 0.002


def test_a_mixture_taken_for_water_does_not_balance():
    """Water carries 6.6 % more heat per volume and kelvin than 40 % propylene glycol at 60 degC.

    At the 30 to 60 degC of this side CoolProp has 4.7 to 6.6 %.
    """
    plant, _ = _fouled("propylene glycol by mass")
    stream = dataclasses.replace(plant.exchanger.secondary, fluid=Fluid())
    found = evaluate(dataclasses.replace(plant.exchanger, secondary=stream), plant.logged)
    assert 0.04 < found.intervals["balance_residual"].median() < 0.067


@pytest.mark.parametrize("name", ["1-2", "2-1", "2-4", "water"])
def test_what_people_read_carries_the_arrangement(name):
    """Duty is UA times the corrected LMTD, and nobody is told of parallel flow in several passes."""
    _, found = _fouled(name)
    shown = found.intervals[["duty_primary_W", "UA_W_K", "lmtd_K", "UA_u_W_K"]].dropna()
    assert len(shown) > 1000
    ratio = shown["UA_W_K"] * shown["lmtd_K"] / shown["duty_primary_W"]
    assert ratio.median() == pytest.approx(1.0, abs=0.02)
    assert (shown["UA_u_W_K"] > 0).all()
    assert not [a for a in found.alerts if a.kind is CauseKind.PIPING]
    codes = {r.code for c in found.causes for r in (*c.speaks_for, *c.speaks_against)}
    assert ("parallel_flow_excluded" in codes) == (name == "water")


def test_readings_where_the_liquid_has_no_properties_are_set_aside_and_counted():
    """An oil's table that ends at 40 degC: warmer readings of that side carry no evidence."""
    plant = _clean("oil by a table")
    short = Fluid(kind="table", table=table_of("INCOMP::T66", 20, 40))
    stream = dataclasses.replace(plant.exchanger.secondary, fluid=short, design_inlet_degC=38.0)
    found = evaluate(dataclasses.replace(plant.exchanger, secondary=stream), plant.logged)
    bit = REASON_BITS["outside_liquid"]
    warm = plant.logged["secondary_supply_temperature"].resample("h").min() > 40.5
    flagged = found.intervals["set_aside"].astype(int).to_numpy() & bit
    assert (flagged[warm.to_numpy()] != 0).all()
    assert found.health.set_aside_30d["outside_liquid"] > 400
    assert found.intervals.loc[flagged != 0, "duty_secondary_W"].isna().all()
    said = next(r for r in found.health.consequences if r.code == "liquid_out_of_range")
    assert said.words == {"side": "secondary", "liquid": "the liquid of sheet.csv"}
    assert said.numbers["high_degC"] == 40.0


@pytest.mark.parametrize("pipe", list(Pipe))
def test_the_heat_of_a_day_knows_in_which_pipe_the_meter_sits(pipe):
    """In the supply the same water is 2.4 % more volume at 85 against 45 degC (IAPWS-IF97)."""
    plant = _clean("water")
    logged = plant.logged.drop(columns="secondary_flow")
    if pipe is Pipe.SUPPLY:
        back, supply = (ask("IF97::Water", "D", logged[r].to_numpy()) for r in TEMPERATURES[1::-1])
        logged["primary_flow"] *= back / supply
    meters = {"primary_flow": FlowMeter(role="primary_flow", pipe=pipe)}
    exchanger = dataclasses.replace(plant.exchanger, flow_meters=meters)
    daily = evaluate(exchanger, logged).daily["heat_J"]
    true = (plant.duty_W * 1800.0).groupby(plant.duty_W.index.floor("D")).sum()
    assert daily.sum() == pytest.approx(true.sum(), rel=2e-3)
