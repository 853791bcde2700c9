"""What the building asks for and what it sends back.

Lives here: need, set point, hot-water draws, radiators. Not here: the valve and the plate.
"""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from demo_data.simulator.events import (
    BuildingFault,
    LoadChange,
    SetbackChange,
    SetPointChange,
    Shutdown,
)
from demo_data.simulator.hot_water import DRAW_BY_HOUR, tap_water
from demo_data.simulator.plate import design_flows
from demo_data.simulator.scenario import (
    Scenario,
)
from demo_data.simulator.water import Array, liquid_of
from demo_data.simulator.weather import between, smoothed, wandering

ROOM_degC = 21.0
RADIATOR_EXPONENT = 1.3
_DRAW_MINUTES = (25.0, 60.0)


@dataclass(frozen=True)
class Need:
    """What is asked of the exchanger; arrays of shape (n,)."""

    heating_W: Array
    set_point_degC: Array  # of the secondary supply, with hot water if it is being charged
    heating_on: NDArray[np.bool_]
    charging: NDArray[np.bool_]  # the hot-water store draws heat


@dataclass(frozen=True)
class BuildingReturn:
    """Secondary side at the exchanger's inlet; arrays of shape (n,)."""

    flow_kg_s: Array
    temperature_degC: Array


def since(index: pd.DatetimeIndex, moment: datetime) -> Array:
    """Return 1.0 from ``moment`` on, else 0.0."""
    return np.asarray(index >= pd.Timestamp(moment), dtype=float)


def ramp(index: pd.DatetimeIndex, start: datetime, full: datetime) -> Array:
    """Return 0 before ``start``, 1 from ``full`` on, and a straight line between."""
    seconds = np.asarray((index - pd.Timestamp(start)).total_seconds(), dtype=float)
    return np.clip(seconds / (full - start).total_seconds(), 0.0, 1.0)


def extended(scenario: Scenario, index: pd.DatetimeIndex) -> Array:
    """Return the building over what it was at the start: an extension has radiators and flow of its own."""
    factor = np.ones(len(index))
    for fault in scenario.faults:
        if isinstance(fault, LoadChange):
            grown = since(index, fault.start)
            if fault.full is not None:
                grown = ramp(index, fault.start, fault.full)
            factor = factor + (fault.factor - 1.0) * grown
    return factor


def need_of(scenario: Scenario, index: pd.DatetimeIndex, outdoor: Array) -> Need:
    """Return need and set point at each instant."""
    load, unit, step = scenario.load, scenario.unit, float(scenario.step_minutes)
    if load.service == "hot water":
        return _tap_need(scenario, index)
    local = index.tz_convert(scenario.time_zone)
    hour = np.asarray(local.hour) + np.asarray(local.minute) / 60.0
    weekend = np.asarray(local.day_of_week) >= 5
    night_from, night_to = load.night_hours
    night = (hour >= night_from) | (hour < night_to)
    if load.weekend_setback:
        night |= weekend
    boost = ~night & (hour >= night_to) & (hour < night_to + 2.0)
    slow = smoothed(outdoor, step, 6 * 60.0)
    factor, shift = extended(scenario, index), np.zeros(len(index))
    setback, shut = np.full(len(index), load.night_setback_K), np.zeros(len(index), dtype=bool)
    for fault in scenario.faults:
        if isinstance(fault, SetPointChange):
            shift += fault.shift_K * since(index, fault.start)
        elif isinstance(fault, SetbackChange):
            setback = np.where(since(index, fault.start) > 0, fault.setback_K, setback)
        elif isinstance(fault, Shutdown):
            shut |= (index >= pd.Timestamp(fault.start)) & (index < pd.Timestamp(fault.end))
    rng = np.random.default_rng((scenario.seed, 21))
    sun = np.clip(np.sin(np.pi * (hour - 7.0) / 12.0), 0.0, None) * (hour < 19.0)
    share = load.share_at_design * np.clip(load.balance_degC - slow, 0.0, None)
    share /= load.balance_degC + 12.0
    share *= 1.0 + wandering(rng, len(index), step, load.noise_share, 5.0)
    share -= (
        load.solar_share * sun * np.clip(1.0 + wandering(rng, len(index), step, 0.6, 20.0), 0, 2)
    )
    share *= 1.0 + (load.night_need_share - 1.0) * night + load.boost_share * boost
    daily = smoothed(outdoor, step, 3 * 24 * 60.0)
    on = (daily < load.summer_limit_degC) & ~shut
    heating = smoothed(np.clip(share, 0.02, None), step, 25.0) * on * factor * unit.design_duty_W
    curve = between(slow, load.set_point_mild_degC, load.set_point_cold_degC)
    curve = curve - setback * night + load.boost_K * boost + shift
    set_point = smoothed(curve, step, 20.0)
    charging = _charging(scenario, hour, index) & ~shut
    set_point = np.where(charging, np.maximum(set_point, load.hot_water_supply_degC), set_point)
    return Need(heating, set_point, on, charging)


def _tap_need(scenario: Scenario, index: pd.DatetimeIndex) -> Need:
    """Return the need of an exchanger for tap water: a constant set point, and off when shut."""
    shift, on = np.zeros(len(index)), np.ones(len(index), dtype=bool)
    for fault in scenario.faults:
        if isinstance(fault, SetPointChange):
            shift += fault.shift_K * since(index, fault.start)
        elif isinstance(fault, Shutdown):
            on &= (index < pd.Timestamp(fault.start)) | (index >= pd.Timestamp(fault.end))
    none = np.zeros(len(index))
    return Need(none, scenario.load.hot_water_supply_degC + shift, on, on & False)


def _charging(scenario: Scenario, hour: Array, index: pd.DatetimeIndex) -> np.ndarray:
    """Return when the hot-water store is charged, as draws that come more often by day."""
    per_day, step = scenario.load.hot_water_draws_per_day, float(scenario.step_minutes)
    result = np.zeros(len(index) + 1)
    if per_day <= 0:
        return result[:-1] > 0
    rng = np.random.default_rng((scenario.seed, 22))
    weight = DRAW_BY_HOUR[hour.astype(int)] / DRAW_BY_HOUR.mean()
    begins = np.flatnonzero(rng.random(len(index)) < per_day * weight * step / 1440.0)
    lengths = np.ceil(rng.uniform(*_DRAW_MINUTES, begins.size) / step).astype(int)
    np.add.at(result, begins, 1.0)
    np.add.at(result, np.minimum(begins + lengths, len(index)), -1.0)
    return np.asarray(np.cumsum(result)[:-1] > 0)


def building_return(
    scenario: Scenario, index: pd.DatetimeIndex, need: Need, supply_degC: Array
) -> BuildingReturn:
    """Return flow and return temperature for the supply temperature the exchanger reaches."""
    load, step = scenario.load, float(scenario.step_minutes)
    if load.service == "hot water":
        flow, mixed = tap_water(scenario, index, supply_degC)
        return BuildingReturn(np.where(need.heating_on, flow, 0.0), mixed)
    flow, back = _heating_circuit(scenario, need, supply_degC, extended(scenario, index))
    for fault in scenario.faults:
        if isinstance(fault, BuildingFault):
            extra = fault.bypass_share * flow * since(index, fault.start)
            total = np.maximum(flow + extra, 1e-9)
            back, flow = (flow * back + extra * supply_degC) / total, flow + extra
    cp = float(liquid_of(scenario.unit.secondary_fluid).heat_capacity(50.0))
    lift = load.hot_water_supply_degC - load.hot_water_return_degC
    charge = need.charging * load.hot_water_share * scenario.unit.design_duty_W / (cp * lift)
    total = np.maximum(flow + charge, 1e-9)
    mixed = (flow * back + charge * load.hot_water_return_degC) / total
    # Pipes and radiators between supply and return take a quarter of an hour to follow.
    return BuildingReturn(flow + charge, smoothed(mixed, step, 12.0))


def _heating_circuit(
    scenario: Scenario, need: Need, supply: Array, larger: Array
) -> tuple[Array, Array]:
    unit, load = scenario.unit, scenario.load
    cp = float(liquid_of(unit.secondary_fluid).heat_capacity(50.0))
    design_flow = design_flows(unit)[1] * larger
    least, most = 0.03 * design_flow, load.secondary_flow_most * design_flow
    warm, cool = unit.design_secondary_degC[1], unit.design_secondary_degC[0]
    # Radiators give (mean excess)^1.3; the geometric mean of both excesses stands for the mean.
    rated = max(load.share_at_design, 0.3) * unit.design_duty_W * larger
    rated_excess = np.sqrt((warm - ROOM_degC) * (cool - ROOM_degC))
    excess = np.maximum(supply - ROOM_degC, 2.0)
    if not load.thermostatic:
        flow = np.where(need.heating_on, load.constant_flow_share * design_flow, 0.0)
        back = supply - need.heating_W / (cp * np.maximum(flow, least))
        return flow, np.maximum(back, ROOM_degC)
    mean = rated_excess * (need.heating_W / rated) ** (1.0 / RADIATOR_EXPONENT)
    back = np.clip(ROOM_degC + mean**2 / excess, ROOM_degC + 0.5, supply - 3.0)
    flow = need.heating_W / (cp * np.maximum(supply - back, 1.0))
    # Valves wide open: the flow is the most there is, the radiators give what they give.
    open_back = _wide_open(supply, excess, most * cp, rated, rated_excess)
    back = np.where(flow > most, open_back, back)
    flow = np.where(need.heating_on, np.clip(flow, least, most), 0.0)
    return flow, back


def _wide_open(supply: Array, excess: Array, C: Array, rated: Array, rated_excess: float) -> Array:
    """Return the return temperature at the largest flow, by bisection."""
    low, high = np.full_like(supply, ROOM_degC), supply.copy()
    for _ in range(30):
        middle = 0.5 * (low + high)
        given = np.sqrt(excess * np.maximum(middle - ROOM_degC, 0.0)) / rated_excess
        too_warm = rated * given**RADIATOR_EXPONENT > C * (supply - middle)
        low, high = np.where(too_warm, low, middle), np.where(too_warm, middle, high)
    return 0.5 * (low + high)
