"""What instruments and logger make of the truth: errors, lags, resolution, gaps, nonsense."""

import numpy as np
import pandas as pd

from demo_data.simulator.events import (
    MeterFault,
    ThermometerFault,
)
from demo_data.simulator.lag import first_order
from demo_data.simulator.plate import design_flows
from demo_data.simulator.scenario import (
    MeterError,
    Scenario,
    ThermometerError,
)
from demo_data.simulator.water import Array, water
from demo_data.simulator.weather import wandering

_WANDER_HOURS = 20 * 24.0
_METER_LAG_S = 30.0
_SENTINELS = (-40.0, 0.0, 850.0)
# What an exchanger's own meters had counted before the record begins.
_ENERGY_BEFORE_J, _VOLUME_BEFORE_m3 = 1.3e13, 61_000.0
_NUMBER_OF_ROLE = {
    "primary_supply_temperature": 1,
    "primary_return_temperature": 2,
    "secondary_supply_temperature": 3,
    "secondary_return_temperature": 4,
    "primary_flow": 5,
    "secondary_flow": 6,
}


def logged_frame(scenario: Scenario, truth: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the readings at every simulated instant, and the slow errors in them."""
    readings: dict[str, Array] = {}
    errors: dict[str, Array] = {}
    wanders: dict[str, Array] = {}
    _thermometers(scenario, truth, readings, errors, wanders)
    _flows(scenario, truth, readings, errors, wanders)
    _heat_meter(scenario, readings)
    _others(scenario, truth, readings)
    logged = {role: np.array(readings[role]) for role in scenario.logger.roles}
    _spoil(scenario, logged)
    frame = pd.DataFrame(logged, index=truth.index)
    columns = {f"error_{r}": e for r, e in errors.items()}
    columns |= {f"wander_{r}": w for r, w in wanders.items()}
    slow = pd.DataFrame(columns, index=truth.index)
    return frame, slow


def slow_error_K(scenario: Scenario, index: pd.DatetimeIndex, role: str) -> Array:
    """Return a thermometer's error without its noise, K: what stays, what wanders, what went wrong."""
    how = scenario.instruments.thermometers.get(role, ThermometerError())
    rng = np.random.default_rng((scenario.seed, 41, _NUMBER_OF_ROLE[role]))
    wander = wandering(rng, len(index), float(scenario.step_minutes), how.wander_K, _WANDER_HOURS)
    return np.asarray(how.offset_K + wander + _faults_K(scenario, index, role))


def _faults_K(scenario: Scenario, index: pd.DatetimeIndex, role: str) -> Array:
    found = np.zeros(len(index))
    for fault in scenario.faults:
        if isinstance(fault, ThermometerFault) and fault.role == role:
            found += fault.error_K * _ramp(index, fault)
    return found


def _ramp(index: pd.DatetimeIndex, fault: ThermometerFault | MeterFault) -> Array:
    days = np.asarray((index - pd.Timestamp(fault.start)).total_seconds(), dtype=float)
    if fault.full is None:
        return (days >= 0.0).astype(float)
    return np.clip(days / (fault.full - fault.start).total_seconds(), 0.0, 1.0)


def _rounded(x: Array, step: float) -> Array:
    return np.asarray(np.round(x / step) * step)


def _thermometers(
    scenario: Scenario,
    truth: pd.DataFrame,
    readings: dict[str, Array],
    errors: dict[str, Array],
    wanders: dict[str, Array],
) -> None:
    index = pd.DatetimeIndex(truth.index)
    n, step = len(index), float(scenario.step_minutes)
    for role in list(_NUMBER_OF_ROLE)[:4]:
        how = scenario.instruments.thermometers.get(role, ThermometerError())
        rng = np.random.default_rng((scenario.seed, 41, _NUMBER_OF_ROLE[role]))
        wander = wandering(rng, n, step, how.wander_K, _WANDER_HOURS)
        error = how.offset_K + wander + _faults_K(scenario, index, role)
        felt = first_order(truth[role].to_numpy(float), how.lag_s, step * 60.0)
        noise = rng.standard_normal(n) * how.noise_K
        readings[role], errors[role] = _rounded(felt + error + noise, how.step_K), error
        wanders[role] = wander


def _flows(
    scenario: Scenario,
    truth: pd.DataFrame,
    readings: dict[str, Array],
    errors: dict[str, Array],
    wanders: dict[str, Array],
) -> None:
    index = pd.DatetimeIndex(truth.index)
    n, step = len(index), float(scenario.step_minutes)
    for role, design_kg_s in zip(
        ("primary_flow", "secondary_flow"), design_flows(scenario.unit), strict=True
    ):
        how = scenario.instruments.meters.get(role, MeterError())
        rng = np.random.default_rng((scenario.seed, 41, _NUMBER_OF_ROLE[role]))
        nominal = design_kg_s / 985.0
        flow = first_order(truth[role].to_numpy(float), _METER_LAG_S, step * 60.0)
        wander = wandering(rng, n, step, how.wander, _WANDER_HOURS)
        gain = how.gain + wander
        gain = gain - how.curve * np.log(np.clip(flow / nominal, 0.02, 2.0))
        for fault in scenario.faults:
            if isinstance(fault, MeterFault) and fault.role == role:
                gain = gain + fault.gain * _ramp(index, fault)
        shown = flow * (1.0 + gain) * (1.0 + rng.standard_normal(n) * how.noise)
        shown = np.where(flow < how.cut_off * nominal, 0.0, shown)
        readings[role], errors[role] = _rounded(shown, how.step_m3_s), gain
        wanders[role] = wander


def _heat_meter(scenario: Scenario, readings: dict[str, Array]) -> None:
    """The heat meter calculates from its own flow part and pair of thermometers."""
    w = water()
    hot, cold = readings["primary_supply_temperature"], readings["primary_return_temperature"]
    meter = scenario.instruments.meters.get("primary_flow", MeterError())
    density = w.density(hot if meter.pipe == "supply" else cold)
    flow = readings["primary_flow"]
    power = np.maximum(flow * density * (w.enthalpy(hot) - w.enthalpy(cold)), 0.0)
    seconds, logger = scenario.step_minutes * 60.0, scenario.logger
    readings["heat_power"] = _rounded(power, 1e3)
    energy = _ENERGY_BEFORE_J + np.cumsum(power) * seconds
    volume = _VOLUME_BEFORE_m3 + np.cumsum(flow) * seconds
    readings["heat_energy"] = np.floor(energy / logger.energy_step_J) * logger.energy_step_J
    readings["heat_volume"] = np.floor(volume / logger.volume_step_m3) * logger.volume_step_m3


def _others(scenario: Scenario, truth: pd.DataFrame, readings: dict[str, Array]) -> None:
    rng = np.random.default_rng((scenario.seed, 42))
    n = len(truth)
    for role, step, noise in (
        ("outdoor_temperature", 0.1, 0.1),
        ("secondary_supply_set_point", 0.1, 0.0),
        ("valve_position", 0.01, 0.005),
        ("primary_pressure_drop", 100.0, 150.0),
        ("secondary_pressure_drop", 100.0, 150.0),
    ):
        values = truth[role].to_numpy(float) + noise * rng.standard_normal(n)
        readings[role] = _rounded(values, step)
    readings["valve_position"] = np.clip(readings["valve_position"], 0.0, 1.0)
    for side in ("primary", "secondary"):
        name = f"{side}_pressure_drop"
        readings[name] = np.maximum(readings[name], 0.0)
    readings["pump_running"] = truth["pump_running"].to_numpy(float)


def _spoil(scenario: Scenario, readings: dict[str, Array]) -> None:
    """Stuck points, spikes, values no plant can have, and the logger down; in place."""
    logger = scenario.logger
    n = next(iter(readings.values())).size
    rng = np.random.default_rng((scenario.seed, 43))
    steps_per_hour = 60 // scenario.step_minutes
    years = n / steps_per_hour / 8766.0
    sensed = [role for role in logger.roles if role in _NUMBER_OF_ROLE]
    warm = [role for role in sensed if role.endswith("temperature")]
    # a nonsense value falls on an instant that is logged, else nobody would see it
    stride = logger.interval_minutes // scenario.step_minutes
    for _ in range(rng.poisson(logger.stuck_per_year * years) if sensed else 0):
        point, at = readings[sensed[int(rng.integers(len(sensed)))]], int(rng.integers(n))
        point[at : at + int(rng.lognormal(np.log(18.0), 0.8) * steps_per_hour)] = point[at]
    for rate, sentinel in ((logger.spikes_per_year, False), (logger.sentinels_per_year, True)):
        for _ in range(rng.poisson(rate * years) if warm else 0):
            point = readings[warm[int(rng.integers(len(warm)))]]
            at = int(rng.integers(n // stride)) * stride
            jump = float(rng.choice([-1.0, 1.0]) * rng.uniform(12.0, 40.0))
            point[at] = float(rng.choice(_SENTINELS)) if sentinel else point[at] + jump
    for _ in range(rng.poisson(logger.gaps_per_year * years)):
        at = int(rng.integers(n))
        down = int(min(rng.lognormal(np.log(6.0), 1.1), 96.0) * steps_per_hour)
        for point in readings.values():
            point[at : at + down] = np.nan
