"""Exchangers whose truth is known: simulated ones with their register, and synthetic hours."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.effectiveness import temperature_effectiveness
from analytics.trends.hours import HourTable
from analytics.trends.model import ModelHours
from analytics.vocabulary.records import Exchanger, Instrumentation, Stream, Tariff
from demo_data.simulator import Scenario, random_scenario, simulate

Array = NDArray[np.float64]
START, END = datetime(2025, 9, 15, tzinfo=UTC), datetime(2026, 5, 1, tzinfo=UTC)
TARIFF = Tariff(
    return_temperature_per_J_K=0.55 / 3.6e9, return_temperature_free_degC=30.0,
    electricity_per_J=0.28 / 3.6e6, unmet_heat_per_J=120 / 3.6e9, visit_open_and_clean=1450.0,
)  # fmt: skip


def exchanger_of(scenario: Scenario) -> Exchanger:
    """Register a simulated exchanger as its owner would: the nameplate, nothing of its instruments."""
    unit = scenario.unit
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    return Exchanger(
        tag="HX", plates=unit.plates, area_m2=float(unit.area_m2),
        design_duty_W=float(unit.design_duty_W),
        primary=Stream(design_inlet_degC=hot_in, design_outlet_degC=hot_out),
        secondary=Stream(design_inlet_degC=cold_in, design_outlet_degC=cold_out),
        tariff=TARIFF, design_outdoor_degC=-12.0,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Plant:
    """A simulated exchanger: what is registered, what is logged, and what is true."""

    scenario: Scenario
    exchanger: Exchanger
    logged: pd.DataFrame
    truth: pd.DataFrame


def plant_of(scenario: Scenario, start: datetime = START, end: datetime = END) -> Plant:
    """Simulate a scenario at steps of a quarter of an hour."""
    scenario = replace(scenario, step_minutes=15)
    run = simulate(scenario, start, end)
    return Plant(
        scenario=scenario, exchanger=exchanger_of(scenario), logged=run.logged, truth=run.truth
    )


@lru_cache(maxsize=8)
def simulated(fault: str | None, seed: int, start: datetime = START, end: datetime = END) -> Plant:
    """Draw an exchanger with one fault, or none, and simulate a heating season."""
    return plant_of(random_scenario(np.random.default_rng(seed), fault=fault), start, end)


# --- synthetic hours --------------------------------------------------------------------------------

CP_J_kgK = 4180.0
DENSITY_kg_m3 = 985.0


def model_hours(temperature: Array, volume_flow: Array, noise: Array | None = None) -> ModelHours:
    """Hours of a liquid whose properties do not change."""
    n = len(temperature)
    return ModelHours(
        temperature=temperature, volume_flow=volume_flow,
        density=np.full((n, 2), DENSITY_kg_m3), heat_capacity=np.full((n, 2), CP_J_kgK),
        ln_conductivity=np.zeros((n, 2)), ln_heat_capacity=np.zeros((n, 2)),
        ln_viscosity=np.zeros((n, 2)), outlet_slope=np.zeros((n, 2)),
        noise=np.tile([0.04, 0.04, 0.04, 0.04, 0.004, 0.004], (n, 1)) if noise is None else noise,
        area_ratio=np.ones(n), channel_ratio=np.ones(n),
        both=np.asarray(np.isfinite(volume_flow).all(axis=1)),
    )  # fmt: skip


def counterflow(hot_in: Array, cold_in: Array, mass_flow: Array, UA: Array) -> Array:
    """Return the four temperatures of a counterflow exchanger, in the order of the hour table."""
    C = mass_flow * CP_J_kgK
    ratio = C[:, 0] / C[:, 1]
    P = temperature_effectiveness(UA / C[:, 0], ratio, "counterflow")
    given = P * (hot_in - cold_in)
    return np.column_stack([hot_in, hot_in - given, cold_in + ratio * given, cold_in])


def hour_table(temperature: Array, flow: Array, **columns: Array) -> HourTable:
    """Build a table of consecutive hours that run steadily unless a column says otherwise."""
    n = len(temperature)
    start = pd.date_range("2025-11-03", periods=n, freq="h", tz="UTC")
    unknown = np.full(n, np.nan)
    table = HourTable(
        start=start, day=np.asarray(start.as_unit("s").asi8 // 86400, dtype=np.int64),
        temperature=temperature, temperature_variance=np.zeros((n, 4)),
        temperature_deviation=np.zeros((n, 4)), temperature_slope=np.zeros((n, 4)), flow=flow, flow_variance=np.zeros((n, 2)),
        primary_flow_deviation=np.zeros(n), power_W=unknown, spacing_h=np.full(n, 0.25),
        outdoor_degC=unknown, valve=unknown, valve_step=unknown, set_point_degC=unknown,
        pump=unknown, pressure_drop=np.full((n, 2), np.nan), reasons=np.zeros(n, dtype=np.int64),
        instrumentation=Instrumentation.BOTH_FLOWS,
    )  # fmt: skip
    return replace(table, **columns)
