"""From a scenario to what was logged and what was true."""

from dataclasses import dataclass, fields
from datetime import datetime

import numpy as np
import pandas as pd

from demo_data.simulator.building import Need, building_return, need_of, since
from demo_data.simulator.cells import Films, Inlets, Outlets, deposit_profile
from demo_data.simulator.deposit import fouling_resistance
from demo_data.simulator.events import (
    BlockedStrainer,
    Hunting,
    NetworkLowered,
    ParallelFlow,
    PlatesChanged,
)
from demo_data.simulator.instruments import logged_frame, slow_error_K
from demo_data.simulator.lag import first_order, relaxed
from demo_data.simulator.logging import as_written
from demo_data.simulator.plate import (
    area_of,
    channels_of,
    controlled,
    design_flows,
    films_of,
    liquids_of,
    outlets,
)
from demo_data.simulator.scenario import (
    Scenario,
)
from demo_data.simulator.water import Array
from demo_data.simulator.weather import outdoor_and_network, wandering

_VALVE_RANGE = 50.0  # largest over smallest flow of the equal-percentage valve
_ROOM_degC = 23.0
_COOLING_HOURS = 5.0  # of standing water in the insulated exchanger
_SUPPLY_ROUNDS = 4  # between building and exchanger where the set point is out of reach
_REACHED_K = 0.02


@dataclass(frozen=True)
class Simulation:
    """What the logger delivered, and the truth behind it, on the same index.

    ``logged`` has the logged roles as columns, NaN where nothing was logged. ``truth`` has the true
    value of every role, ``duty_primary_W``, ``duty_secondary_W``, ``UA_W_K``, ``UA_clean_W_K``
    (same flows and temperatures, without deposit), ``fouling_resistance_m2K_W`` (mean over the
    plate), ``error_<role>``: the reading's slow error in kelvin, or its gain error as a ratio, and
    ``wander_<role>``: the part of it that wanders.
    """

    scenario: Scenario
    logged: pd.DataFrame
    truth: pd.DataFrame


def simulate(scenario: Scenario, start: datetime, end: datetime) -> Simulation:
    """Simulate one exchanger from ``start`` up to, not including, ``end`` (aware times).

    The same scenario and times give the same result to the last digit.
    """
    index = pd.date_range(
        pd.Timestamp(start).tz_convert("UTC"),
        pd.Timestamp(end).tz_convert("UTC"),
        freq=f"{scenario.step_minutes}min",
        inclusive="left",
        name="time_utc",
    )
    outdoor, network = outdoor_and_network(scenario.weather, index)
    for event in scenario.faults:
        if isinstance(event, NetworkLowered):
            network = network + event.shift_K * since(index, event.start)
    need = need_of(scenario, index, outdoor)
    state = _Substation(scenario, index, network, need)
    truth = state.solve()
    truth["outdoor_temperature"] = outdoor
    logged, errors = logged_frame(scenario, truth)
    keep = scenario.logger.interval_minutes // scenario.step_minutes
    truth = pd.concat([truth, errors], axis=1)
    return Simulation(scenario, as_written(scenario, logged.iloc[::keep]), truth.iloc[::keep])


class _Substation:
    """Exchanger, valve and building solved together."""

    def __init__(
        self, scenario: Scenario, index: pd.DatetimeIndex, network: Array, need: Need
    ) -> None:
        unit = scenario.unit
        self.scenario, self.unit, self.index, self.need = scenario, unit, index, need
        self.step_s = scenario.step_minutes * 60.0
        self.aimed_degC = need.set_point_degC
        if scenario.instruments.controller_reads_supply:
            error = slow_error_K(scenario, index, "secondary_supply_temperature")
            self.aimed_degC = need.set_point_degC - error
        self.films: Films = films_of(unit)
        unevenness = 0.0 if scenario.deposit is None else scenario.deposit.unevenness
        self.profile = deposit_profile(unit.cells, unevenness)
        self.network = network
        self.design = design_flows(unit)
        plates = np.full(len(index), float(unit.plates))
        self.direction = np.ones(len(index))
        for fault in scenario.faults:
            if isinstance(fault, PlatesChanged):
                plates[since(index, fault.at) > 0] = fault.plates_after
            elif isinstance(fault, ParallelFlow):
                self.direction[since(index, fault.start) > 0] = -1.0
        self.area, self.channels = area_of(unit, plates), channels_of(plates)
        self.deposit = fouling_resistance(scenario, self.films, index)
        self.strainer = {side: self._strainer(side) for side in ("primary", "secondary")}
        rng = np.random.default_rng((scenario.seed, 31))
        pressure = 1.0 + wandering(rng, len(index), scenario.step_minutes, 0.02, 30.0)
        self.most = unit.primary_flow_most * self.design[0] * pressure
        self.most = self.most / self.strainer["primary"] ** 0.25
        self.jitter = wandering(rng, len(index), scenario.step_minutes, 0.012, 0.2)
        for fault in scenario.faults:
            if isinstance(fault, Hunting):
                self.jitter = self.jitter + self._hunting(fault, rng)

    def _strainer(self, side: str) -> Array:
        factor = np.ones(len(self.index))
        for fault in self.scenario.faults:
            if isinstance(fault, BlockedStrainer) and fault.side == side:
                span = fault.full - fault.start
                share = (self.index - pd.Timestamp(fault.start)) / span
                factor = 1.0 + (fault.pressure_factor - 1.0) * np.clip(np.asarray(share), 0.0, 1.0)
        return np.asarray(factor)

    def _hunting(self, fault: Hunting, rng: np.random.Generator) -> Array:
        turn = 2.0 * np.pi * self.scenario.step_minutes / fault.period_minutes
        n = len(self.index)
        uneven = wandering(rng, n, self.scenario.step_minutes, fault.unsteadiness, 4.0)
        phase = np.cumsum(turn * (1.0 + uneven))
        return np.asarray(fault.amplitude * np.sin(phase) * since(self.index, fault.start))

    def _inlets(self, back: Array, flow: Array, rows: np.ndarray) -> Inlets:
        return Inlets(
            primary_degC=self.network[rows],
            secondary_degC=back[rows],
            secondary_kg_s=flow[rows],
            fouling_resistance_m2K_W=self.deposit[rows],
            area_m2=self.area[rows],
            channels=self.channels[rows],
            counterflow=self.direction[rows],
        )

    def _hold(self, back: Array, flow: Array, rows: np.ndarray) -> Outlets:
        most = self.most[rows]
        return controlled(
            self.films,
            self.profile,
            self._inlets(back, flow, rows),
            self.aimed_degC[rows],
            most * 2e-3,
            most,
        )

    def solve(self) -> pd.DataFrame:
        need = self.need
        aimed = self.aimed_degC
        supply = aimed.copy()
        building = building_return(self.scenario, self.index, need, supply)
        running = building.flow_kg_s > 1e-6
        rows = np.flatnonzero(running)
        ideal = np.zeros(len(self.index))
        for _ in range(_SUPPLY_ROUNDS):
            held = self._hold(building.temperature_degC, building.flow_kg_s, rows)
            ideal[rows] = held.primary_kg_s
            short = np.zeros(len(self.index), dtype=bool)
            short[rows] = held.secondary_degC < aimed[rows] - _REACHED_K
            if not short.any():
                break
            reached = supply.copy()
            reached[rows] = held.secondary_degC
            supply = np.where(short, 0.5 * (supply + reached), aimed)
            building = building_return(self.scenario, self.index, need, supply)
            # only what misses the set point, and its followers, needs another look
            rows = np.flatnonzero(running & _spread(short, 24))
        rows = np.flatnonzero(running)
        wanted = ideal * np.exp(self.jitter)
        primary = np.clip(wanted, self.unit.valve_leakage * self.most + 1e-9, self.most)
        primary = np.where(running, primary, self.unit.valve_leakage * self.most)
        warm = rows[primary[rows] > 1e-6]
        found = outlets(
            self.films,
            self.profile,
            self._inlets(building.temperature_degC, building.flow_kg_s, warm),
            primary[warm],
        )
        return self._frame(primary, building.flow_kg_s, building.temperature_degC, warm, found)

    def _frame(
        self, primary: Array, secondary: Array, back: Array, rows: np.ndarray, found: Outlets
    ) -> pd.DataFrame:
        n = len(self.index)
        columns = {f.name: np.full(n, np.nan) for f in fields(found)}
        for name, values in columns.items():
            values[rows] = getattr(found, name)
        on = np.zeros(n, dtype=bool)
        on[rows] = True
        room = _ROOM_degC + wandering(
            np.random.default_rng((self.scenario.seed, 32)),
            n,
            self.scenario.step_minutes,
            1.0,
            60.0,
        )
        (w, second), loss = liquids_of(self.unit), self.unit.heat_loss_W_K
        out_1, out_2 = columns["primary_degC"], columns["secondary_degC"]
        cp, cp_2 = w.heat_capacity(50.0), second.heat_capacity(50.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            out_1 = out_1 - loss * (out_1 - room) / (primary * cp)
            out_2 = out_2 - loss * (out_2 - room) / (secondary * cp_2)
            lag_1 = self.unit.plate_lag_s * np.clip((self.design[0] / primary) ** 0.8, 0.5, 8.0)
            lag_2 = self.unit.plate_lag_s * np.clip((self.design[1] / secondary) ** 0.8, 0.5, 8.0)
        out_1 = first_order(out_1, lag_1, self.step_s)
        out_2 = first_order(out_2, lag_2, self.step_s)
        # Trickling network water keeps the primary pipes of an idle exchanger warm.
        leak = min(1.0, self.unit.valve_leakage / 0.002)
        idle_1 = room + leak * 0.55 * (self.network - room)
        idle_2 = room + leak * 0.12 * (self.network - room)
        hours = self.step_s / 3600.0
        temperatures = {
            "primary_supply_temperature": relaxed(self.network, on, idle_1, _COOLING_HOURS, hours),
            "primary_return_temperature": relaxed(out_1, on, idle_1, _COOLING_HOURS, hours),
            "secondary_supply_temperature": relaxed(out_2, on, idle_2, _COOLING_HOURS, hours),
            "secondary_return_temperature": relaxed(back, on, idle_2, _COOLING_HOURS, hours),
        }
        frame = pd.DataFrame(temperatures, index=self.index)
        h, h_2 = w.enthalpy, second.enthalpy
        frame["duty_primary_W"] = primary * (h(frame.iloc[:, 0]) - h(frame.iloc[:, 1])) * on
        frame["duty_secondary_W"] = secondary * (h_2(frame.iloc[:, 2]) - h_2(frame.iloc[:, 3])) * on
        frame["primary_mass_flow_kg_s"] = primary
        frame["secondary_mass_flow_kg_s"] = secondary
        # a flow role is the volume where its meter sits
        meters = self.scenario.instruments.meters
        for role, flow, liquid, pipes in (
            ("primary_flow", primary, w, frame.columns[:2]),
            ("secondary_flow", secondary, second, frame.columns[2:4]),
        ):
            meter = meters.get(role)
            supply = meter is not None and meter.pipe == "supply"
            frame[role] = flow / liquid.density(frame[pipes[0 if supply else 1]])
        for side, flow, nominal, clean_Pa in (
            ("primary", primary, self.design[0], self.unit.primary_pressure_drop_Pa),
            ("secondary", secondary, self.design[1], self.unit.secondary_pressure_drop_Pa),
        ):
            per_channel = flow / nominal * channels_of(self.unit.plates) / self.channels
            # deposit narrows the channel by its thickness, about 1 W/mK times its resistance
            narrowed = 1.0 + 3.0 * self.deposit * (side == "secondary") / 1.5e-3
            frame[f"{side}_pressure_drop"] = (
                clean_Pa * per_channel**1.8 * narrowed * self.strainer[side]
            )
        frame["heat_power"] = frame["duty_primary_W"]
        frame["secondary_supply_set_point"] = self.need.set_point_degC
        opening = 1.0 + np.log(np.maximum(primary, 1e-9) / self.most) / np.log(_VALVE_RANGE)
        frame["valve_position"] = np.where(on, np.clip(opening, 0.0, 1.0), 0.0)
        frame["pump_running"] = (secondary > 1e-6).astype(float)
        frame["UA_W_K"], frame["UA_clean_W_K"] = columns["UA_W_K"], columns["UA_clean_W_K"]
        frame["fouling_resistance_m2K_W"] = self.deposit
        return frame


def _spread(flags: np.ndarray, steps: int) -> np.ndarray:
    """Return ``flags`` held for ``steps`` more."""
    counts = np.concatenate([[0], np.cumsum(flags)])
    at = np.arange(flags.size)
    return np.asarray(counts[at + 1] - counts[np.maximum(at - steps, 0)] > 0)
